"""Separable windowed-sinc resampling in horizontal bands (Lanczos, three lobes, antialiased).

Pillow's `F` mode does the arithmetic: 32-bit float, the filter widened when shrinking.
Bands read as many source rows as the filter reaches, so that a banded result equals the whole one.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil, floor

import numpy as np
from numpy.typing import NDArray
from PIL import Image

Plane = NDArray[np.float32]
_LOBES = 3.0


@dataclass(frozen=True, slots=True)
class Resampler:
    """Maps the part `crop` (left, top, right, bottom in source px) of a source onto `width` × `height` px."""

    source_height: int
    crop: tuple[float, float, float, float]
    width: int
    height: int

    @property
    def scale(self) -> tuple[float, float]:
        """Source pixels per target pixel, across and down; above 1 the picture shrinks."""
        left, top, right, bottom = self.crop
        return (right - left) / self.width, (bottom - top) / self.height

    @property
    def shrinks(self) -> bool:
        """Whether detail must be averaged, in which case the planes should be linear light."""
        return max(self.scale) > 1.0

    def rows_needed(self, start: int, stop: int) -> tuple[int, int]:
        """The source rows that target rows `start` to `stop` read."""
        down = self.scale[1]
        reach = _LOBES * max(down, 1.0) + 1
        first = floor(self.crop[1] + start * down - reach)
        last = ceil(self.crop[1] + stop * down + reach)
        return max(0, first), min(self.source_height, last)

    def band(self, plane: Plane, first_row: int, start: int, stop: int) -> Plane:
        """Target rows `start` to `stop` of one plane, whose row 0 is source row `first_row`."""
        left, _, right, _ = self.crop
        down = self.scale[1]
        top = self.crop[1] + start * down - first_row
        box = (left, top, right, min(top + (stop - start) * down, float(plane.shape[0])))
        if box == (0.0, 0.0, plane.shape[1], plane.shape[0]) and (self.width, stop - start) == plane.shape[::-1]:
            return plane
        image = Image.fromarray(np.ascontiguousarray(plane))
        return np.asarray(image.resize((self.width, stop - start), Image.Resampling.LANCZOS, box=box))
