"""The interface of an open picture: facts, profile, and pixels in bands."""

from __future__ import annotations

from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from printqueue.core.model.picture import PictureFacts

Samples = NDArray[np.uint8] | NDArray[np.uint16]


class Source(Protocol):
    """An open picture that gives its pixels in bands of rows, top to bottom as displayed."""

    facts: PictureFacts
    icc: bytes | None

    def rows(self, start: int, stop: int) -> Samples:
        """Rows `start` to `stop` as (stop - start, width, C), C = 1 or 3, in the file's own bits.

        May be called from two threads. Raises `PictureError` if the data are damaged.
        """

    def transparent(self) -> bool:
        """Whether any pixel is not fully opaque (reads the alpha channel; False without one)."""
