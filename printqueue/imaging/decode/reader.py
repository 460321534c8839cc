"""How much one picture may claim, and positional reads of its file that never pass a bound."""

from __future__ import annotations

import io
import os
import threading
from dataclasses import dataclass
from typing import BinaryIO

from printqueue.core.errors import WorldError
from printqueue.imaging.decode.errors import damaged, incomplete, refused

CHUNK_BYTES = 1 << 20
MAX_SIDE_PX = 1_000_000
MAX_SAMPLES = 64  # per pixel: three colours and the extra channels of a large working file
MAX_ENTRIES = 50_000  # 64 pages with 16 thumbnails each use half as many


@dataclass(frozen=True, slots=True)
class Bounds:
    """Limits for one picture, judged from its header alone before any library sees it.

    `pixels` per picture, `samples_bytes` decoded bytes of all channels, `pages`
    image directories of a TIFF (including thumbnails), `icc_bytes` of a profile.
    """

    pixels: int = 1_000_000_000
    samples_bytes: int = 8_000_000_000
    pages: int = 64
    icc_bytes: int = 16 * 1024 * 1024

    def admit(self, width_px: int, height_px: int, samples: int, bits: int) -> None:
        """Raise `PictureError` unless a picture of these dimensions may be decoded."""
        size = f"{width_px} × {height_px} px"
        if width_px < 1 or height_px < 1:
            raise refused(f"The header says {size}, so there is no picture.", "Export it again.")
        if max(width_px, height_px) > MAX_SIDE_PX or width_px * height_px > self.pixels:
            raise refused(
                f"The header says {size}; the limit is {self.pixels / 1e6:g} MP and {MAX_SIDE_PX:,} px a side.",
                "Export it at its print size, or raise `limits: pixels` in studio.yaml.",
                measured=size,
            )
        if not 1 <= samples <= MAX_SAMPLES:
            raise refused(f"The header says {samples} channels; 1 to {MAX_SAMPLES} are read.")
        if width_px * height_px * samples * ((bits + 7) // 8) > self.samples_bytes:
            raise refused(
                f"Decoded, the picture needs more than {self.samples_bytes / 1e9:g} GB ({samples} channels).",
                "Export it without extra channels, or at its print size.",
            )


class FileReader:
    """Positional reads of one open file or buffer; thread-safe, and never moves a descriptor's file position."""

    def __init__(self, handle: BinaryIO) -> None:
        self._handle = handle
        self._lock = threading.Lock()
        self.entries_left = MAX_ENTRIES  # of image directories: each costs time, and they may point to each other
        try:
            self._fd: int | None = handle.fileno()
            self.size = os.fstat(self._fd).st_size
        except io.UnsupportedOperation:
            self._fd = None
            self.size = handle.seek(0, os.SEEK_END)

    def at(self, offset: int, count: int, what: str) -> bytes:
        """Return exactly `count` bytes from `offset`; `what` names them in the error if they are missing.

        Raises `IncompletePictureError` past the end of the file, `WorldError` if the disk or share fails.
        """
        if count < 0 or offset < 0:
            raise damaged(f"{what} lies at an impossible place")
        if offset + count > self.size:
            raise incomplete(f"{what} ends at byte {offset + count}, the file at byte {self.size}")
        data = self.some(offset, count)
        if len(data) != count:
            raise incomplete(f"{what} could not be read to its end, the file has shrunk")
        return data

    def some(self, offset: int, count: int) -> bytes:
        """Return up to `count` bytes from `offset`, fewer only at the end of the file."""
        try:
            return self._seek_read(offset, count) if self._fd is None else _pread(self._fd, offset, count)
        except OSError as error:
            raise WorldError(
                f"The picture could not be read from its disk or share ({error.strerror}).",
                do="Nothing is lost; it is tried again.",
            ) from error

    def _seek_read(self, offset: int, count: int) -> bytes:
        with self._lock:
            self._handle.seek(offset)
            return self._handle.read(count)

    def hole(self, start: int, stop: int) -> int | None:
        """Return the offset of the first range in [start, stop) that was never written, or None.

        Only a local file system knows (SEEK_HOLE, lseek(2)); elsewhere the answer is None.
        """
        if self._fd is None or start >= stop:
            return None
        before = os.lseek(self._fd, 0, os.SEEK_CUR)
        try:
            found = os.lseek(self._fd, start, os.SEEK_HOLE)
        except OSError:
            return None
        finally:
            os.lseek(self._fd, before, os.SEEK_SET)
        return found if found < stop else None

    def zero_tail(self, start: int, stop: int) -> int:
        """Return how many bytes at the end of [start, stop) are zero."""
        for end in range(stop, start, -CHUNK_BYTES):
            begin = max(start, end - CHUNK_BYTES)
            kept = len(self.some(begin, end - begin).rstrip(b"\0"))
            if kept:
                return stop - (begin + kept)
        return stop - start


def _pread(descriptor: int, offset: int, count: int) -> bytes:
    parts = []
    while count > 0 and (part := os.pread(descriptor, count, offset)):
        parts.append(part)
        offset += len(part)
        count -= len(part)
    return b"".join(parts)  # a single part is not copied
