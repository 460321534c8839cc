"""A bounded sample of a picture at full resolution: square tiles on an even grid.

A working copy loses what lies in the pixel grid itself (true detail, JPEG blocks, steps in smooth areas), and reading
every pixel would gain nothing: 128 tiles of 256 × 256 px (8.4 MP) hold enough of it. Pictures up to 8.4 MP are covered
whole; a 50-megapixel picture gets a tile every 610 px or so.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from math import ceil, floor, sqrt

import numpy as np
from numpy.typing import NDArray

from printqueue.imaging.source import Samples

TILE_PX = 256
MAX_TILES = 128
_GRID_PX = 8  # tiles begin at multiples of the JPEG block, so that blocks keep their phase
_LUMA = np.array([0.2126, 0.7152, 0.0722], np.float32)  # ITU-R BT.709-6, on encoded values


@dataclass(frozen=True)
class Tile:
    """Codes (h, w, C), uint8 or uint16, C = 1 or 3; x, y: position of the top left pixel in the picture."""

    codes: Samples
    x: int
    y: int

    @cached_property
    def tone(self) -> NDArray[np.float32]:
        """Encoded luma, 0..1, (h, w) float32: perceptually even, the way edges and grain are seen."""
        white = np.float32(np.iinfo(self.codes.dtype).max)
        codes = self.codes.astype(np.float32)
        plane = codes[..., 0] if codes.shape[-1] == 1 else codes @ _LUMA
        return np.asarray(plane / white, np.float32)


def tile_starts(length_px: int, count: int) -> list[int]:
    """First pixels of at most `count` tiles, evenly spaced over `length_px`, at multiples of 8 px.

    Covers the whole length without overlap if there are enough tiles; the last of them may then be narrower.
    """
    if count * TILE_PX >= length_px:
        return list(range(0, length_px, TILE_PX))
    step = length_px / count
    first = (step - TILE_PX) / 2
    return [floor((first + step * index) / _GRID_PX) * _GRID_PX for index in range(count)]


def tile_grid(width_px: int, height_px: int) -> tuple[list[int], list[int]]:
    """Lefts and tops of a picture's tiles: at most `MAX_TILES`, with about square spacing."""
    across, down = ceil(width_px / TILE_PX), ceil(height_px / TILE_PX)
    if across * down > MAX_TILES:
        across = min(across, max(1, round(sqrt(MAX_TILES * width_px / height_px))))
        across = min(across, MAX_TILES)
        down = min(down, max(1, MAX_TILES // across))
    return tile_starts(width_px, across), tile_starts(height_px, down)
