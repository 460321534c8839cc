"""The marks of a proof picture: distinguished by shape, in one of two inks, each with a light rim that shows anywhere.

Blue and orange stay distinct in every common kind of colour blindness; on a page printed in grey, the shapes do.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw

from printqueue.imaging.proof_page.page import Colour, ProofPage

Coverage = NDArray[np.uint8]
BLUE: Colour = (0, 62, 128)
ORANGE: Colour = (154, 53, 0)
_RIM: Colour = (212, 211, 208)  # darker than any paper: nothing outshines the white at the foot
_FINER = 4  # drawn this much larger, then reduced, for smooth edges
_LINE = 0.12  # of the mark's size
_CASING = 0.09


@dataclass(frozen=True, slots=True)
class Shape:
    """`outline`: the corners in a square of side 1; empty for a ring."""

    outline: tuple[tuple[float, float], ...]
    ink: Colour


RING = Shape((), ORANGE)
TRIANGLE = Shape(((0.08, 0.18), (0.92, 0.18), (0.5, 0.92)), BLUE)
DIAMOND = Shape(((0.5, 0.04), (0.96, 0.5), (0.5, 0.96), (0.04, 0.5)), ORANGE)
SQUARE = Shape(((0.1, 0.1), (0.9, 0.1), (0.9, 0.9), (0.1, 0.9)), BLUE)
CROSSED = Shape(((0.5, 0.0), (0.5, 1.0), (0.5, 0.5), (0.0, 0.5), (1.0, 0.5), (0.5, 0.5)), ORANGE)


def mark(page: ProofPage, shape: Shape, middle: tuple[int, int], size: int) -> None:
    """Draw the mark with its middle at (x, y)."""
    x, y = middle
    rim, line = _coverages(shape.outline, size)
    left, top = x - rim.shape[1] // 2, y - rim.shape[0] // 2
    page.ink(rim, left, top, _RIM)
    page.ink(line, left, top, shape.ink)


@lru_cache(maxsize=32)
def _coverages(outline: tuple[tuple[float, float], ...], size: int) -> tuple[Coverage, Coverage]:
    """Masks of the light rim and the line."""
    width = size * _LINE
    return _drawn(outline, size, width + 2 * size * _CASING), _drawn(outline, size, width)


def _drawn(outline: tuple[tuple[float, float], ...], size: int, width: float) -> Coverage:
    spare = size * (_LINE + 2 * _CASING)
    side = round(size + 2 * spare) * _FINER
    image = Image.new("L", (side, side), 0)
    draw, thick = ImageDraw.Draw(image), max(1, round(width * _FINER))
    place: Callable[[float], float] = lambda part: (part * size + spare) * _FINER  # noqa: E731 - one line, used thrice
    if outline:
        corners = [(place(x), place(y)) for x, y in (*outline, outline[0], outline[1])]
        draw.line(corners, fill=255, width=thick, joint="curve")
    else:
        half = thick / 2
        draw.ellipse((place(0) - half, place(0) - half, place(1) + half, place(1) + half), outline=255, width=thick)
    return np.asarray(image.reduce(_FINER), np.uint8)
