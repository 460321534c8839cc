"""Decodes a JPEG stream so that truncated data are noticed, and serves a JPEG as a source of bands."""

from __future__ import annotations

import threading
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

import imagecodecs
import numpy as np
from numpy.typing import NDArray

from printqueue.core.model.picture import PictureFacts
from printqueue.imaging.decode.errors import damaged
from printqueue.imaging.decode.jpeg_header import JpegHeader
from printqueue.imaging.decode.reader import FileReader
from printqueue.imaging.source import Samples

SECOND_LOOK_PIXELS = 150_000_000
_OTHER_END = b"\x5a\xa5" * 32 + b"\xff\xd9"  # filler and an end marker


@dataclass(frozen=True, slots=True)
class Stream:
    """A JPEG stream whose last scan ends at `scan_stop`, and what else is needed to decode it."""

    data: bytes
    scan_stop: int
    name: str  # in errors
    grey: bool
    tables: bytes | None = None
    stored: str | None = None  # its colour coding, if the stream itself does not say


class JpegSource:
    """A JPEG's pixels as stored; decoded on the first call to `rows`, then kept (width × height × C bytes)."""

    def __init__(self, reader: FileReader, head: JpegHeader, facts: PictureFacts, icc: bytes | None) -> None:
        self.facts = facts
        self.icc = icc
        self._reader = reader
        self.head = head
        self._lock = threading.Lock()
        self._pixels: NDArray[np.uint8] | None = None

    def rows(self, start: int, stop: int) -> Samples:
        """Rows as (stop - start, width, C) uint8. Raises `PictureError` if the data are damaged."""
        with self._lock:
            if self._pixels is None:
                self._pixels = self._decode()
        return self._pixels[start:stop]

    def transparent(self) -> bool:
        """False: JPEG has no transparency."""
        return False

    def _decode(self) -> NDArray[np.uint8]:
        head, frame, name = self.head, self.head.frame, "its JPEG data"
        stream = Stream(self._reader.at(0, head.stop, name), head.scan_stop, name, grey=frame.components == 1)
        at_once = head.scans == 1 and frame.width * frame.height <= SECOND_LOOK_PIXELS
        found = decoded(stream, at_once=at_once)
        if found.shape != (frame.height, frame.width, frame.components):
            raise damaged("its JPEG data decode to another size than the header says")
        found.flags.writeable = False
        return found


def decoded(stream: Stream, *, at_once: bool = False) -> NDArray[np.uint8]:
    """Return (rows, width, 1 or 3) samples. Raises `PictureError`.

    When data run out, the library fills the picture with grey and does not say
    so. With other bytes appended after the last scan, a whole picture decodes to
    the same pixels and a truncated one does not. Above 150 MP this second decode
    is skipped, because it takes too much memory. `at_once`: do it on another core
    in parallel; only for a single scan, which needs no memory beyond its samples.
    """
    with ThreadPoolExecutor(1) as beside:
        meanwhile = beside.submit(_second_look, stream) if at_once else None
        found = _decode(stream)
        if found.size > SECOND_LOOK_PIXELS * (1 if stream.grey else 3):
            return found
        second = meanwhile.result() if meanwhile else _second_look(stream)
    if not np.array_equal(second, found):
        raise damaged(f"{stream.name} ends before the picture does")
    return found


def _second_look(stream: Stream) -> NDArray[np.uint8]:
    return _decode(replace(stream, data=stream.data[: stream.scan_stop] + _OTHER_END))


def _decode(stream: Stream) -> NDArray[np.uint8]:
    colour = "GRAYSCALE" if stream.grey else "RGB"
    try:
        found: NDArray[np.uint8] = imagecodecs.jpeg8_decode(
            stream.data, tables=stream.tables, colorspace=stream.stored, outcolorspace=colour
        )
    except MemoryError:
        raise
    except Exception as error:
        raise damaged(f"{stream.name} cannot be decoded") from error
    return found.reshape(*found.shape[:2], 1 if stream.grey else 3)
