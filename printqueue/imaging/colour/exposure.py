"""Exposure in stops: the headroom above a tone, and what the viewing light calls for. Scalars only, no arrays."""

from __future__ import annotations

from math import cbrt, log2, pi

# CIE 15:2004, exact constants of the L* function; `difference` has the array version.
_EPSILON, _KAPPA = 216 / 24389, 24389 / 27
_MIN_Y = 1e-6  # gives a black picture a lot of headroom, but not an infinite amount


def headroom_stops(lightest_L: float) -> float:
    """Stops of exposure between L* `lightest_L` and white: −log2 of its luminance (CIE 15:2004)."""
    return -log2(max(luminance(lightest_L), _MIN_Y))


def lightest_kept(stops: float) -> float:
    """The L* that a lift of `stops` (0 or more) brings exactly to white: 91.4 for a third of a stop (CIE 15:2004).

    Holds for neutral tones; in a strong colour of that lightness, the lightest channel clips first.
    """
    Y = 2.0**-stops
    return 116 * cbrt(Y) - 16 if Y > _EPSILON else _KAPPA * Y


def paper_white_cd_m2(print_lux: float, white_L: float) -> float:
    """Luminance of bare paper of absolute L* `white_L` under `print_lux`: E/π × reflectance, for a matt white."""
    return print_lux / pi * luminance(white_L)


def stops_asked_by_light(print_lux: float, white_L: float, screen_cd_m2: float) -> float:
    """How many stops darker paper white is than the screen's white; negative if it is lighter."""
    return log2(screen_cd_m2 / paper_white_cd_m2(print_lux, white_L))


def luminance(L: float) -> float:
    """Relative luminance (0..1) of L* (0..100), CIE 15:2004."""
    root = (L + 16) / 116
    return root * root * root if L > 8 else L / _KAPPA
