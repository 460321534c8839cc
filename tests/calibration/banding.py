"""Banding: pictures rounded to fewer bits are caught where they are smooth; 8-bit photographs are let pass.

No photograph here has a sky that is free of noise, so smooth ones are made by blurring. The limit (2 % of the
area, 1.5 counts) was taken from a first study and not fitted; the shape of the stairs was chosen on ramps.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

import cv2
import numpy as np

import printqueue
from printqueue.imaging.source import Samples
from printqueue.judging.checks.banding import BandingLimits
from printqueue.judging.measures.banding import Banding, measure_banding
from printqueue.studio.papers.loader import Shelf
from tests.calibration.pictures import Photograph
from tests.calibration.statistics import spearman, wilson
from tests.calibration.treatments import Codes, eight_bit, jpeg, noisy, resized
from tests.judging.measures.whole import tiles_of

_BITS = (8, 7, 6, 5)


def report(pieces: Sequence[Photograph]) -> str:
    """The table, tuned and held-out parts apart."""
    parts = [("tuned", [p for p in pieces if not p.held_out]), ("held-out", [p for p in pieces if p.held_out])]
    return "\n\n".join(_part(name, some) for name, some in parts if some)


def rounded(codes: Codes, bits: int) -> Codes:
    """Rounded to fewer levels, as an 8-bit file holds them."""
    most = 2**bits - 1
    return eight_bit(np.rint(codes / 255 * most) * 255 / most)


def _soft(codes: Codes, sigma: float) -> Codes:
    return np.asarray(cv2.GaussianBlur(codes, (0, 0), sigma), np.float32)


def _toned(codes: Codes) -> Codes:
    """A warm black-and-white picture in 8 bits, from 8 bits."""
    grey = eight_bit(codes.mean(axis=-1, keepdims=True)) / 255
    return eight_bit(255 * grey ** np.array([0.92, 1.0, 1.1]))


_GOOD: dict[str, Callable[[Photograph], Codes]] = {
    "untreated": lambda piece: piece.codes,
    "noise 2": lambda piece: noisy(piece.codes, piece.name, sigma=2),
    "enlarged 2": lambda piece: resized(piece.codes, factor=2),
    "blurred 3": lambda piece: eight_bit(_soft(piece.codes, 3)),
    "blurred 8": lambda piece: eight_bit(_soft(piece.codes, 8)),
    "quality 95": lambda piece: jpeg(piece.codes, quality=95),
    "quality 85": lambda piece: jpeg(piece.codes, quality=85),
    "toned black-and-white": lambda piece: _toned(piece.codes),
    "blurred 8, toned": lambda piece: _toned(_soft(piece.codes, 8)),
    "blurred 8, 6 bit, noise 2": lambda piece: noisy(rounded(_soft(piece.codes, 8), 6), piece.name, sigma=2),
}


def _few(bits: int, sigma: float = 0.0) -> Callable[[Photograph], Codes]:
    return lambda piece: rounded(_soft(piece.codes, sigma) if sigma else piece.codes, bits)


_BAD: dict[str, Callable[[Photograph], Codes]] = {
    **{f"{bits} bit": _few(bits) for bits in (6, 5)},
    **{f"blurred {sigma}, {bits} bit": _few(bits, sigma) for sigma in (3, 8) for bits in (7, 6, 5)},
    "blurred 8, contrast × 2 in 8 bit": lambda piece: eight_bit(2 * (eight_bit(_soft(piece.codes, 8)) - 64)),
}


def _part(name: str, pieces: Sequence[Photograph]) -> str:
    lines = [f"{name}: {len(pieces)} pieces of {len({piece.picture for piece in pieces})} photographs"]
    areas = np.array([[_measured(rounded(_soft(p.codes, 8), bits)).area_percent for bits in (8, 7, 6)] for p in pieces])
    follow = [spearman([8, 7, 6], -row) for row in areas]
    lines.append(f"area against falling bits (blurred 8; 8, 7, 6 bit): Spearman median {np.nanmedian(follow):.2f}")
    true = [measure_banding(tiles_of(_sixteen(p)), (p.codes.shape[1], p.codes.shape[0])) for p in pieces]
    lines.append(_row("good", "16 bit, blurred 8", [one.area_percent for one in true]))
    for title, cases in (("good", _GOOD), ("banded", _BAD)):
        for case, make in cases.items():
            lines.append(_row(title, case, [_measured(make(piece)).area_percent for piece in pieces]))
    return "\n".join(lines)


def _sixteen(piece: Photograph) -> Samples:
    return np.rint(_soft(piece.codes, 8) * 257).astype(np.uint16)


def _measured(codes: Codes) -> Banding:
    return measure_banding(tiles_of(codes.astype(np.uint8)), (codes.shape[1], codes.shape[0]))


def _row(title: str, case: str, areas: Sequence[float]) -> str:
    middle, high = np.percentile(areas, [50, 90])
    line = f"  {title:7} {case:34} area {middle:5.1f} % (90 %: {high:5.1f})"
    for limit in sorted({limits.area_above for limits in _shipped() if limits.area_above is not None}):
        over = sum(area > limit for area in areas)
        low, up = wilson(over, len(areas))
        line += f"; over {limit:g} %: {100 * over / len(areas):.0f} % ({100 * low:.0f} to {100 * up:.0f})"
    return line


def _shipped() -> list[BandingLimits]:
    papers = Shelf.load(Path(printqueue.__file__).parent / "rules").papers
    found = [paper.checks.get("banding") for paper in papers.values()]
    return [limits for limits in found if isinstance(limits, BandingLimits)]
