"""A small working copy of a picture, by averaging whole blocks of pixels."""

from __future__ import annotations

from math import ceil, sqrt

import numpy as np
from numpy.typing import NDArray

from printqueue.imaging.source import Samples

WORKING_PIXELS = 1_000_000


def block_size(width_px: int, height_px: int) -> int:
    """Side of the square blocks that reduce a picture to about `WORKING_PIXELS`."""
    return max(1, ceil(sqrt(width_px * height_px / WORKING_PIXELS)))


def sixteen_bit(samples: Samples) -> NDArray[np.uint16]:
    """The same codes in 16 bits: 8-bit codes × 257, so that white stays white."""
    if samples.dtype == np.uint16:
        return np.asarray(samples, np.uint16)
    return np.asarray(samples.astype(np.uint16) * np.uint16(257), np.uint16)


def block_means(samples: Samples, side: int) -> NDArray[np.uint16]:
    """Means of whole `side` × `side` blocks of (n, W, C) codes, as 16-bit codes; drops the remainder.

    Averages encoded values: a perceptual average, right for tone statistics.
    """
    codes = sixteen_bit(samples)
    if side == 1:
        return codes
    rows, columns = codes.shape[0] // side, codes.shape[1] // side
    whole = codes[: rows * side, : columns * side].reshape(rows, side, columns, side, -1)
    sums = whole.sum(axis=1, dtype=np.uint32).sum(axis=2, dtype=np.uint32)
    return np.asarray(sums // np.uint32(side * side), np.uint16)
