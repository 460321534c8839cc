"""Lightness of a picture and of its print, with the paper's black and white."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from printqueue.imaging.lettering import width_px
from printqueue.imaging.proof_page.page import Box, Colour, ProofPage
from printqueue.imaging.proof_page.shapes import BLUE, ORANGE

Lightness = NDArray[np.float32]
BINS = 100
_HIGH_SHARE = 0.985  # taller bins may be cut off: one even sky must not flatten everything else
_FILL: Colour = (110, 110, 110)
_AXIS: Colour = (40, 40, 40)
_FIELD: Colour = (206, 205, 201)
_LINE_PX = 5
_FOOT_LETTERS = 20


@dataclass(frozen=True, slots=True)
class Lights:
    """L* (0..100) of the delivered picture (H, W), and of its print and the paper's black and white as metered.

    The print's is None if the conversion is unknown.
    """

    delivered: Lightness
    printed: Lightness | None
    paper_black: float
    paper_white: float


def shares(lightness: Lightness) -> NDArray[np.float64]:
    """Share of the pixels in each of `BINS` steps of one L*; NaN and infinity are left out."""
    finite = lightness[np.isfinite(lightness)]
    counts, _ = np.histogram(np.clip(finite, 0, 100), bins=BINS, range=(0, 100))
    return np.asarray(counts / max(1, counts.sum()), np.float64)


def draw(page: ProofPage, box: Box, lights: Lights) -> None:
    """Draw into `box`: delivered picture as a grey area, print as a blue line, paper's black and white in orange."""
    page.fill(box, _FIELD)
    foot = 2 * _FOOT_LETTERS
    plot = Box(box.left + 24, box.top + 24, box.width - 48, box.height - 48 - foot)
    before = shares(lights.delivered)
    after = shares(lights.printed) if lights.printed is not None else np.zeros(BINS)
    full = max(_tall(before), _tall(after), 1e-9)
    for step, share in enumerate(before):
        left, height = _at(plot, step), round(plot.height * min(1.0, share / full))
        page.fill(Box(left, plot.foot - height, _at(plot, step + 1) - left, height), _FILL)
    if lights.printed is not None:
        _outline(page, plot, np.minimum(1.0, after / full))
    page.fill(Box(plot.left, plot.foot, plot.width, 2), _AXIS)
    _paper_lines(page, plot, lights)


def _tall(found: NDArray[np.float64]) -> float:
    return float(np.quantile(found, _HIGH_SHARE))


def _at(plot: Box, lightness: float) -> int:
    return plot.left + round(plot.width * min(100.0, max(0.0, lightness)) / 100)


def _outline(page: ProofPage, plot: Box, parts: NDArray[np.float64]) -> None:
    level = plot.foot
    for step, part in enumerate(parts):
        left, right = _at(plot, step), _at(plot, step + 1)
        top = plot.foot - round(plot.height * float(part))
        first, last = min(level, top), max(level, top)
        page.fill(Box(left, first, _LINE_PX, last - first + _LINE_PX), BLUE)
        page.fill(Box(left, top, right - left + 1, _LINE_PX), BLUE)
        level = top


def _paper_lines(page: ProofPage, plot: Box, lights: Lights) -> None:
    for lightness, word in ((lights.paper_black, "black"), (lights.paper_white, "white")):
        x = _at(plot, lightness)
        page.fill(Box(x - 2, plot.top - 12, 4, plot.height + 24), ORANGE)
        said = f"{word} L* {lightness:.0f}"
        wide = round(width_px(said, _FOOT_LETTERS))
        left = min(max(plot.left, x - wide // 2), plot.right - wide)
        page.words(said, left, plot.foot + 12 + _FOOT_LETTERS + 6, height=_FOOT_LETTERS, colour=ORANGE, room=wide + 1)
