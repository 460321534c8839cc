"""A PNG as a source of bands: decoded whole, once, keeping 16 bits."""

from __future__ import annotations

import threading
from typing import cast

import imagecodecs
import numpy as np
from numpy.typing import NDArray

from printqueue.core.model.picture import PictureFacts
from printqueue.imaging.decode.errors import damaged
from printqueue.imaging.decode.png_header import SIGNATURE, PngHeader, checked
from printqueue.imaging.decode.reader import FileReader
from printqueue.imaging.source import Samples

_END = bytes.fromhex("0000000049454e44ae426082")  # an empty IEND chunk


class PngSource:
    """A PNG's pixels as stored; decoded on the first call, then kept (all channels, 8 or 16 bits)."""

    def __init__(self, reader: FileReader, head: PngHeader, facts: PictureFacts, icc: bytes | None) -> None:
        self.facts = facts
        self.icc = icc
        self._reader = reader
        self.head = head
        self._lock = threading.Lock()
        self._pixels: NDArray[np.generic] | None = None

    def rows(self, start: int, stop: int) -> Samples:
        """Rows as (stop - start, width, C), uint8 or uint16. Raises `PictureError` if the data are damaged."""
        band = self._decoded()[start:stop, :, : self.head.colours]
        return cast(Samples, np.ascontiguousarray(band))

    def transparent(self) -> bool:
        """Whether the alpha channel or a transparent colour leaves any pixel not fully opaque."""
        if not self.head.has_alpha:
            return False
        pixels = self._decoded()
        opaque = np.iinfo(cast("np.dtype[np.uint16]", pixels.dtype)).max
        return pixels.shape[2] > self.head.colours and bool((pixels[:, :, -1] != opaque).any())

    def _decoded(self) -> NDArray[np.generic]:
        with self._lock:
            if self._pixels is None:
                self._pixels = _decode(self._reader, self.head)
                self._pixels.flags.writeable = False
            return self._pixels


def _decode(reader: FileReader, head: PngHeader) -> NDArray[np.generic]:
    """Decode only what the pixels need: the library never sees a profile, gamma or text."""
    data = bytearray(SIGNATURE)  # grown in place, so that the file's bytes are in memory only once
    for chunk in head.needed:
        data += chunk.size.to_bytes(4, "big")
        data += checked(reader, chunk)
    data += _END
    try:
        found: NDArray[np.generic] = imagecodecs.png_decode(data)
    except MemoryError:
        raise
    except Exception as error:
        raise damaged("its PNG data do not decode") from error
    if found.ndim == 2:
        found = found[:, :, np.newaxis]
    size, kind = (head.height, head.width), np.uint16 if head.depth == 16 else np.uint8
    if found.shape[:2] != size or found.shape[2] < head.colours or found.dtype != kind:
        raise damaged("its PNG data decode to another picture than the header says")
    return found
