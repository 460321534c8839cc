"""Powers, sines and interpolation that give the same bits on every processor.

IEEE 754 requires +, −, ×, ÷ and the square root to be correctly rounded, so they are the same everywhere. It leaves
exp, log, pow and sin to the library, and numpy and the C library choose theirs by processor. Whatever decides a print's
pixels is therefore built from those five alone, one array operation at a time, so that no compiler can fuse two of
them. Series: NIST's DLMF 4.2.19 (exp), 4.6.4 (ln), 4.19.1 (sin); clause numbers from memory.
"""

from __future__ import annotations

from itertools import accumulate
from math import pi

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

_LN_2 = 0.6931471805599453
_ROOT_HALF = 0.7071067811865476
_BEYOND = 1100.0  # an exponent of two beyond any double
# Coefficients: of (πr)² in sin(πr) / πr, of x in exp(x), of s² in artanh(s) / s.
_SINE = list(accumulate(range(1, 12), lambda last, n: -last / (2 * n * (2 * n + 1)), initial=1.0))
_EXP = list(accumulate(range(1, 15), lambda last, n: last / n, initial=1.0))
_ARTANH = [1.0 / (2 * n + 1) for n in range(13)]  # of s² in artanh(s) / s


def sinc(x: Array) -> Array:
    """sin(πx) / πx, 1 at 0; within 1e-15."""
    whole = np.rint(x)
    part = (x - whole) * pi
    sine = part * _polynomial(part * part, _SINE)
    sign = 1.0 - 2.0 * np.abs(np.fmod(whole, 2.0))
    at = np.where(x == 0, 1.0, x * pi)
    return np.asarray(np.where(x == 0, 1.0, sign * sine / at))


def exp(x: Array) -> Array:
    """e to the power of `x`, within a relative 2e-15 for |x| up to 10."""
    return exp2(x / _LN_2)


def exp2(x: Array) -> Array:
    """2 to the power of `x`, within a relative 1e-15 plus the rounding of `x`."""
    whole = np.rint(x)
    part = (x - whole) * _LN_2
    return np.asarray(np.ldexp(_polynomial(part, _EXP), whole.astype(np.int32)))


def power(base: Array, exponent: float) -> Array:
    """`base` (0 or more) to the power of `exponent`, within a relative 1e-14 above 1e-40; at 0 as IEEE 754."""
    some = base > 0
    of_zero = float(exponent == 0) if exponent >= 0 else np.inf
    raised = exp2(np.clip(_log2(np.where(some, base, 1.0)) * exponent, -_BEYOND, _BEYOND))
    return np.asarray(np.where(some, raised, of_zero))


def interpolated(x: Array, places: Array, values: Array) -> Array:
    """Linear between (`places`, `values`), constant beyond; `places` never fall. `numpy.interp` without fused steps."""
    at = np.clip(np.searchsorted(places, x, side="right") - 1, 0, len(places) - 2)
    low, high = places[at], places[at + 1]
    wide = high - low
    share = np.clip((x - low) / np.where(wide > 0, wide, 1.0), 0.0, 1.0)
    step = (values[at + 1] - values[at]) * share
    return np.asarray(np.where(x >= places[-1], values[-1], values[at] + step))


def _log2(x: Array) -> Array:
    """Scale the mantissa of positive `x` to √½ … √2, take artanh of (m − 1) / (m + 1) twice, and add the exponent."""
    mantissa, exponent = np.frexp(x)
    small = mantissa < _ROOT_HALF
    mantissa = np.where(small, mantissa * 2.0, mantissa)
    s = (mantissa - 1.0) / (mantissa + 1.0)
    natural = s * _polynomial(s * s, _ARTANH) * 2.0
    return np.asarray(natural / _LN_2 + (exponent - small))


def _polynomial(x: Array, coefficients: list[float]) -> Array:
    """Horner's rule, rounding after each step."""
    found = np.full_like(x, coefficients[-1])
    for coefficient in reversed(coefficients[:-1]):
        found *= x
        found += coefficient
    return found
