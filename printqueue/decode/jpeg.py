"""A JPEG as a source of bands: decoded whole once, at 8 bits."""

from __future__ import annotations

import threading

import numpy as np
from numpy.typing import NDArray

from printqueue.decode import _libjpeg
from printqueue.decode._reader import Reader
from printqueue.decode.errors import damaged
from printqueue.decode.jpeg_header import JpegHeader
from printqueue.model.picture import PictureFacts, Samples


class JpegSource:
    """A JPEG's pixels; decoded at the first call of `rows`, then kept (width × height × C bytes)."""

    def __init__(self, reader: Reader, head: JpegHeader, facts: PictureFacts, icc: bytes | None) -> None:
        self.facts = facts
        self.icc = icc
        self._reader = reader
        self.head = head
        self._lock = threading.Lock()
        self._pixels: NDArray[np.uint8] | None = None

    def rows(self, start: int, stop: int) -> Samples:
        """Rows as (stop - start, width, C) uint8. Raises `PictureError` where the data are damaged."""
        with self._lock:
            if self._pixels is None:
                self._pixels = self._decode()
        return self._pixels[start:stop]

    def transparent(self) -> bool:
        """False: JPEG has no transparency."""
        return False

    def _decode(self) -> NDArray[np.uint8]:
        head, name = self.head, "its JPEG data"
        data = self._reader.at(0, head.stop, name)
        small = head.frame.width * head.frame.height <= _libjpeg.SECOND_LOOK_PIXELS
        at_once = head.scans == 1 and small
        found = _libjpeg.pixels(data, head.scan_stop, name, grey=head.frame.components == 1, at_once=at_once)
        if found.shape != (head.frame.height, head.frame.width, head.frame.components):
            raise damaged("its JPEG data decode to another size than the header says")
        found.flags.writeable = False
        return found
