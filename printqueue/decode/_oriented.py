"""Turning the stored picture as its orientation tag says (EXIF 2.32 and TIFF 6.0, tag 274).

One rule for all formats: EXIF counts (in a TIFF its own directory), whatever else is said; only where it has no such tag does
XMP's `tiff:Orientation`, which other readers obey as well (Pillow 13, ImageMagick 6; a test compares). A tag that
is there and absurd turns nothing.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import cast

import numpy as np

from printqueue.decode import _xmp
from printqueue.model.picture import PictureFacts, Samples, Source

# stored → displayed, for whole pictures (rows, columns, channels)
_TURNS: dict[int, Callable[[Samples], Samples]] = {
    2: lambda a: a[:, ::-1],
    3: lambda a: a[::-1, ::-1],
    4: lambda a: a[::-1],
    5: lambda a: a.transpose(1, 0, 2),
    6: lambda a: a[::-1].transpose(1, 0, 2),
    7: lambda a: a[::-1, ::-1].transpose(1, 0, 2),
    8: lambda a: a[:, ::-1].transpose(1, 0, 2),
}


def orientation(exif: int | None, xmp_packet: bytes | None) -> int:
    """Return how to turn the picture, 1 to 8; `exif`: None where EXIF has no such tag."""
    return _xmp.orientation(xmp_packet) if exif is None else exif


def is_turned(orientation: int) -> bool:
    """Whether width and height change places."""
    return orientation in (5, 6, 7, 8)


class OrientedSource:
    """A stored source as displayed. Orientations 2 to 4 stay banded; 5 to 8 hold the whole picture."""

    def __init__(self, stored: Source) -> None:
        self.facts: PictureFacts = stored.facts
        self.icc = stored.icc
        self.stored = stored
        facts = stored.facts
        self._height = facts.width_px if is_turned(facts.orientation) else facts.height_px  # as stored
        self._turn = _TURNS[stored.facts.orientation]
        self._whole: Samples | None = None
        self._lock = threading.Lock()

    def rows(self, start: int, stop: int) -> Samples:
        """Rows as displayed."""
        orientation = self.facts.orientation
        if is_turned(orientation):
            return _band(self._displayed()[start:stop])
        if orientation == 2:
            return _band(self._turn(self.stored.rows(start, stop)))
        return _band(self._turn(self.stored.rows(self._height - stop, self._height - start)))

    def transparent(self) -> bool:
        """Whether any pixel is not fully opaque."""
        return self.stored.transparent()

    def _displayed(self) -> Samples:
        with self._lock:
            if self._whole is None:
                self._whole = self._turn(self.stored.rows(0, self._height))
            return self._whole


def _band(turned: Samples) -> Samples:
    return cast(Samples, np.ascontiguousarray(turned))
