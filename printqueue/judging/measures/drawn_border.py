"""Finds the picture inside a border drawn into the file, so that the border's tones are not judged as the picture's."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

Codes = NDArray[np.uint16]

_EVEN = 1300  # codes of 65535, 2 %: a border that went through JPEG is still even
_MAX_WIDTH = 0.3  # of the side; a wider "border" is a subject on an empty ground
_FULL = 0.6  # of the line next to a border must differ from it; a subject on an empty ground meets little of it


def inside_border(codes: Codes) -> tuple[slice, slice]:
    """Rows and columns of (H, W, C) codes that lie inside an even, single-coloured border on all four sides.

    Without such a border, the whole picture. A night sky or a studio background is not a border: the picture inside
    must begin along most of each side.
    """
    whole = slice(0, codes.shape[0]), slice(0, codes.shape[1])
    corner = codes[0, 0].astype(np.int32)
    differs = cv2.inRange(codes, np.maximum(corner - _EVEN, 0), np.minimum(corner + _EVEN, 65535)) == 0
    rows, columns = np.flatnonzero(differs.any(axis=1)), np.flatnonzero(differs.any(axis=0))
    if rows.size == 0:
        return whole
    inner = slice(int(rows[0]), int(rows[-1]) + 1), slice(int(columns[0]), int(columns[-1]) + 1)
    widths = [(inner[i].start, size - inner[i].stop) for i, size in enumerate(differs.shape)]
    narrow = all(
        0 < side <= _MAX_WIDTH * size for pair, size in zip(widths, differs.shape, strict=True) for side in pair
    )
    picture = differs[inner]
    rim = (picture[0], picture[-1], picture[:, 0], picture[:, -1])
    return inner if narrow and all(line.mean() >= _FULL for line in rim) else whole
