"""Exposure in stops: the room above a tone, and what the viewing light asks for. Plain numbers, no arrays."""

from __future__ import annotations

from math import cbrt, log2, pi

# CIE 15:2004, exact constants of the L* function; `difference` has it for arrays.
_EPSILON, _KAPPA = 216 / 24389, 24389 / 27
_MIN_Y = 1e-6  # a black picture has much room, not infinite room


def headroom_stops(lightest_L: float) -> float:
    """Stops of exposure that fit above L* `lightest_L` before white: −log2 of its luminance (CIE 15:2004)."""
    return -log2(max(luminance(lightest_L), _MIN_Y))


def lightest_kept(stops: float) -> float:
    """The L* that a lift of `stops` (0 or more) sends just to white: 91.4 for a third of a stop (CIE 15:2004).

    Arithmetic of neutral tones; of a strong colour that light, the lightest channel is cut first.
    """
    Y = 2.0**-stops
    return 116 * cbrt(Y) - 16 if Y > _EPSILON else _KAPPA * Y


def paper_white_cd_m2(print_lux: float, white_L: float) -> float:
    """Luminance of bare paper of absolute L* `white_L` under `print_lux`: E/π × reflectance, a matt white's."""
    return print_lux / pi * luminance(white_L)


def stops_asked_by_light(print_lux: float, white_L: float, screen_cd_m2: float) -> float:
    """How much darker paper white is than the white of the screen, in stops; negative where it is lighter."""
    return log2(screen_cd_m2 / paper_white_cd_m2(print_lux, white_L))


def luminance(L: float) -> float:
    """Relative luminance (0..1) of L* (0..100), CIE 15:2004."""
    root = (L + 16) / 116
    return root * root * root if L > 8 else L / _KAPPA
