"""A page of sRGB pixels that takes pictures, words and lines."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from printqueue.imaging.lettering import fitted, lettering, settable, width_px, wrapped

Pixels = NDArray[np.uint8]
Coverage = NDArray[np.uint8]
Colour = tuple[int, int, int]


@dataclass(frozen=True, slots=True)
class Box:
    """A rectangle of the page in pixels."""

    left: int
    top: int
    width: int
    height: int

    @property
    def foot(self) -> int:
        """The first row below it."""
        return self.top + self.height

    @property
    def right(self) -> int:
        """The first column to its right."""
        return self.left + self.width

    def inside(self, by: int) -> Box:
        """The same box, smaller by `by` pixels on each side."""
        return Box(self.left + by, self.top + by, self.width - 2 * by, self.height - 2 * by)

    def centred(self, width: int, height: int) -> Box:
        """A box of that size in the middle of this one."""
        return Box(self.left + (self.width - width) // 2, self.top + (self.height - height) // 2, width, height)


class ProofPage:
    """`pixels` (H, W, 3) uint8 sRGB, blank at first."""

    def __init__(self, width: int, height: int, ground: Colour) -> None:
        self.pixels: Pixels = np.full((height, width, 3), ground, np.uint8)

    def fill(self, box: Box, colour: Colour) -> None:
        """Fill a box with one colour, clipped to the page."""
        self.pixels[max(0, box.top) : max(0, box.foot), max(0, box.left) : max(0, box.right)] = colour

    def put(self, picture: Pixels, left: int, top: int) -> Box:
        """Place a picture (h, w, 3) with its corner there; it must lie on the page."""
        height, width = picture.shape[:2]
        self.pixels[top : top + height, left : left + width] = picture
        return Box(left, top, width, height)

    def frame(self, box: Box, colour: Colour, width: int = 1) -> None:
        """Draw a line just outside the box."""
        across = Box(box.left - width, box.top - width, box.width + 2 * width, width)
        for one in (across, Box(across.left, box.foot, across.width, width)):
            self.fill(one, colour)
        for left in (box.left - width, box.right):
            self.fill(Box(left, box.top, width, box.height), colour)

    def ink(self, coverage: Coverage, left: int, top: int, colour: Colour) -> None:
        """Lay `colour` through a mask (h, w), 255 for full coverage; clipped to the page."""
        rows, columns = (
            slice(max(0, start), min(limit, start + size))
            for start, size, limit in zip((top, left), coverage.shape, self.pixels.shape[:2], strict=True)
        )
        if rows.start >= rows.stop or columns.start >= columns.stop:
            return
        mask = coverage[rows.start - top : rows.stop - top, columns.start - left : columns.stop - left, None]
        under = self.pixels[rows, columns].astype(np.uint32)
        over = np.asarray(colour, np.uint32)
        self.pixels[rows, columns] = (under * (255 - mask.astype(np.uint32)) + over * mask + 127) // 255

    def words(self, text: str, left: int, baseline: int, *, height: int, colour: Colour, room: int) -> int:
        """Set one line of text of that cap height, shortened to `room` pixels; return the column after it."""
        said = fitted(settable(text), height, room)
        if not said:
            return left
        drawn = lettering(said, height)
        self.ink(drawn.coverage, left, baseline - drawn.baseline_px, colour)
        return left + round(width_px(said, height))

    def paragraph(
        self, text: str, left: int, baseline: int, *, height: int, colour: Colour, room: int, max_lines: int
    ) -> int:
        """Set at most `max_lines` lines of text, shortening the last; return the baseline for what follows."""
        for line in wrapped(settable(text), height, room, max_lines):
            self.words(line, left, baseline, height=height, colour=colour, room=room)
            baseline += line_px(height)
        return baseline


def line_px(height: int) -> int:
    """Distance between baselines for that cap height."""
    return round(height * 1.75)


def mixed(picture: Pixels, towards: Colour, share: float) -> Pixels:
    """The picture, moved `share` (0..1) of the way to one colour."""
    mixture = picture.astype(np.float32) * (1 - share) + np.asarray(towards, np.float32) * share
    return np.asarray(np.rint(mixture), np.uint8)
