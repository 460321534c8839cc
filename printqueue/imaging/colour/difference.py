"""CIELAB arithmetic, and CIEDE2000 without its lightness term, in plain numpy."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.floating[Any]]

# CIE 15:2004, exact constants of the L* function
_EPSILON = 216 / 24389
_KAPPA = 24389 / 27


def lightness(Y: Floats) -> Floats:
    """L* (0..100) of relative luminance `Y` (0..1), CIE 15:2004."""
    return np.where(_EPSILON < Y, 116 * np.cbrt(Y) - 16, _KAPPA * Y)


def luminance(L: Floats) -> Floats:
    """Relative luminance (0..1) of L* (0..100), the inverse of `lightness`."""
    root = (L + 16) / 116
    return np.where(L > 8, root * root * root, L / _KAPPA)


def hue_and_chroma_difference(lab_1: Floats, lab_2: Floats) -> NDArray[np.float32]:
    """CIEDE2000 between two L*a*b* arrays (..., 3) without the lightness term ΔL'/S_L; float32, for whole pictures.

    Sharma, Wu and Dalal, Color Res. Appl. 30(1), 21-30 (2005), kL = kC = kH = 1; the tests hold it to their 34 pairs.
    Lightness is absent from the other terms, so this is also the full ΔE00 of two colours of equal L*.
    Within 0.003 of the same arithmetic in float64.
    """
    a1, b1 = (np.ascontiguousarray(lab_1[..., i], np.float32) for i in (1, 2))
    a2, b2 = (np.ascontiguousarray(lab_2[..., i], np.float32) for i in (1, 2))
    return np.asarray(np.sqrt(_hue_and_chroma_squared(a1, b1, a2, b2)), np.float32)


def _hue_and_chroma_squared(a1: Floats, b1: Floats, a2: Floats, b2: Floats) -> Floats:
    """(ΔC'/S_C)² + (ΔH'/S_H)² + R_T (ΔC'/S_C)(ΔH'/S_H), in the precision of its arguments."""
    a1, a2 = _stretch_a(a1, b1, a2, b2)
    C1, C2 = _chroma(a1, b1), _chroma(a2, b2)
    h1, h2 = np.degrees(np.arctan2(b1, a1)) % 360, np.degrees(np.arctan2(b2, a2)) % 360
    dC, dH = C2 - C1, 2 * np.sqrt(C1 * C2) * np.sin(np.radians(_hue_step(C1, C2, h1, h2) / 2))
    C_mean, h_mean = (C1 + C2) / 2, _hue_mean(C1, C2, h1, h2)
    S_C, S_H = 1 + 0.045 * C_mean, 1 + 0.015 * C_mean * _hue_weight(h_mean)
    turn = (h_mean - 275) / 25
    R_T = -np.sin(np.radians(60 * np.exp(-(turn * turn)))) * 2 * _chroma_root(C_mean)
    c, h = dC / S_C, dH / S_H
    squared: Floats = np.maximum(c * c + h * h + R_T * c * h, 0)
    return squared


def _chroma(a: Floats, b: Floats) -> Floats:
    return np.asarray(np.sqrt(a * a + b * b))


def _chroma_root(C: Floats) -> Floats:
    """√(C⁷ / (C⁷ + 25⁷)) by multiplication; a general power takes ten times as long."""
    x = C / 25
    x2 = x * x
    seventh = x2 * x2 * x2 * x
    return np.asarray(np.sqrt(seventh / (seventh + 1)))


def _stretch_a(a1: Floats, b1: Floats, a2: Floats, b2: Floats) -> tuple[Floats, Floats]:
    G = 0.5 * (1 - _chroma_root((_chroma(a1, b1) + _chroma(a2, b2)) / 2))
    return a1 * (1 + G), a2 * (1 + G)


def _hue_step(C1: Floats, C2: Floats, h1: Floats, h2: Floats) -> Floats:
    step = h2 - h1
    step = np.where(step > 180, step - 360, np.where(step < -180, step + 360, step))
    return np.where(C1 * C2 == 0, 0, step)


def _hue_mean(C1: Floats, C2: Floats, h1: Floats, h2: Floats) -> Floats:
    total = h1 + h2
    near = np.abs(h1 - h2) <= 180
    mean = np.where(near, total / 2, np.where(total < 360, (total + 360) / 2, (total - 360) / 2))
    return np.where(C1 * C2 == 0, total, mean)


def _hue_weight(h: Floats) -> Floats:
    weight: Floats = (
        1
        - 0.17 * np.cos(np.radians(h - 30))
        + 0.24 * np.cos(np.radians(2 * h))
        + 0.32 * np.cos(np.radians(3 * h + 6))
        - 0.20 * np.cos(np.radians(4 * h - 63))
    )
    return weight
