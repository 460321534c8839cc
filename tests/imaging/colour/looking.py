"""Colour differences and proofs as the tests look at them; the product needs neither whole."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from printqueue.core.model.paper import Intent
from printqueue.imaging.colour import manager
from printqueue.imaging.colour.difference import Floats, _hue_and_chroma_squared
from printqueue.imaging.colour.icc import Profile
from printqueue.imaging.colour.manager import Codes

_PRINTER_TAGS = ("A2B0", "A2B1", "A2B2", "B2A0", "B2A1", "B2A2", "gamt", "wtpt", "desc", "cprt")


def delta_e_2000(lab_1: Floats, lab_2: Floats) -> Floats:
    """CIEDE2000 colour difference of two arrays (..., 3) of L*a*b*, kL = kC = kH = 1; float64.

    Sharma, Wu and Dalal, Color Res. Appl. 30(1), 21-30 (2005): the product's hue and chroma terms, and the lightness term.
    """
    L1, a1, b1 = np.moveaxis(np.asarray(lab_1, np.float64), -1, 0)
    L2, a2, b2 = np.moveaxis(np.asarray(lab_2, np.float64), -1, 0)
    L_mean = (L1 + L2) / 2
    S_L = 1 + 0.015 * (L_mean - 50) ** 2 / np.sqrt(20 + (L_mean - 50) ** 2)
    difference: Floats = np.sqrt(((L2 - L1) / S_L) ** 2 + _hue_and_chroma_squared(a1, b1, a2, b2))
    return difference


def soft_proof(
    pixels: Codes,
    source: bytes,
    paper: bytes,
    *,
    intent: Intent,
    black_point_compensation: bool,
    seen: Intent = Intent.RELATIVE,
) -> NDArray[np.float32]:
    """L*a*b* (D50) that the paper shows of RGB or grey codes of the source space, (H, W, 3) float32.

    `seen` relative: bare paper is L* 100; absolute: as a meter would read it.
    """
    device = manager.to_paper(pixels, source, paper, intent=intent, black_point_compensation=black_point_compensation)
    return manager.to_lab(device, paper, intent=seen)


def missing_printer_tags(profile: Profile) -> tuple[str, ...]:
    """Tags that ICC.1 requires of an RGB printer profile and this one lacks."""
    return tuple(tag for tag in _PRINTER_TAGS if tag not in profile.tags)
