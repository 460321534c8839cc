"""Marks in the border: lines and letters in ink on bare paper, never on the picture. Pure."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from printqueue.core.model.request import FootLine, Placement
from printqueue.imaging.lettering import Lettering, fitted, lettering, settable

Codes = NDArray[np.uint16]


@dataclass(frozen=True, slots=True)
class InkMark:
    """Ink on bare paper: `coverage` (H, W) uint8, 0 bare to 255 full `ink`, with its corner at `left_px`, `top_px`.

    `ink` is device RGB, converted like the picture (one conversion, `manager.to_paper`).
    """

    left_px: int
    top_px: int
    coverage: NDArray[np.uint8]
    ink: tuple[int, int, int]

    def draw(self, band: Codes, start: int) -> None:
        """Draw the part that falls on `band`, (n, W, 3) device RGB, whose row 0 is sheet row `start`; clip the rest."""
        height, width = self.coverage.shape
        first, last = max(start, self.top_px), min(start + band.shape[0], self.top_px + height)
        left, right = max(0, self.left_px), min(band.shape[1], self.left_px + width)
        if first >= last or left >= right:
            return
        covered = self.coverage[first - self.top_px : last - self.top_px, left - self.left_px : right - self.left_px]
        share = covered[..., None] / 255
        below = band[first - start : last - start, left:right]
        below[...] = np.rint(below + share * (np.array(self.ink, np.float64) - below)).astype(np.uint16)


def hairline(place: Placement, ink: tuple[int, int, int]) -> tuple[InkMark, ...]:
    """The line around the picture, `place.hairline_px` wide, just outside it."""
    wide, (width, height) = place.hairline_px, place.picture_px
    if wide == 0:
        return ()
    left, top = place.left_px - wide, place.top_px - wide
    across = np.full((wide, width + 2 * wide), 255, np.uint8)
    down = np.full((height, wide), 255, np.uint8)
    return (
        InkMark(left, top, across, ink),
        InkMark(left, place.top_px + height, across, ink),
        InkMark(left, place.top_px, down, ink),
        InkMark(place.left_px + width, place.top_px, down, ink),
    )


def text_mark(letters: Lettering, left_px: int, baseline_px: int, ink: tuple[int, int, int]) -> InkMark:
    """One line of text that begins at `left_px` on the baseline `baseline_px`."""
    return InkMark(left_px, baseline_px - letters.baseline_px, letters.coverage, ink)


def foot_line(place: FootLine, text: str, ink: tuple[int, int, int]) -> tuple[str, InkMark | None]:
    """The text as set, shortened to fit, and its mark; "" and no mark if none of it can be set."""
    said = fitted(settable(text), place.height_px, place.width_px)
    if not said:
        return "", None
    return said, text_mark(lettering(said, place.height_px), place.left_px, place.baseline_px, ink)
