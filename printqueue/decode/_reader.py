"""Reading at offsets from a descriptor or a buffer, never past a bound."""

from __future__ import annotations

import io
import os
import threading
from typing import BinaryIO

from printqueue.decode.errors import damaged, incomplete
from printqueue.errors import WorldError

CHUNK_BYTES = 1 << 20
PAGE_BYTES = 4096
MAX_ENTRIES = 50_000  # 64 pages with 16 thumbnails each have half as many


class Reader:
    """Positional reads of one open file; safe from several threads, moves no file position of a descriptor."""

    def __init__(self, handle: BinaryIO) -> None:
        self._handle = handle
        self._lock = threading.Lock()
        self.entries_left = MAX_ENTRIES  # of image directories; each costs time, and they may point to each other
        try:
            self._fd: int | None = handle.fileno()
            self.size = os.fstat(self._fd).st_size
        except (AttributeError, io.UnsupportedOperation):
            self._fd = None
            self.size = handle.seek(0, os.SEEK_END)

    def at(self, offset: int, count: int, what: str) -> bytes:
        """Return exactly `count` bytes from `offset`; `what` names them if they are not there.

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
            parts = self._pread(offset, count) if self._fd is not None else [self._seek_read(offset, count)]
        except OSError as error:
            raise WorldError(
                f"The picture could not be read from its disk or share ({error.strerror}).",
                do="Nothing is lost; it is tried again.",
            ) from error
        return parts[0] if len(parts) == 1 else b"".join(parts)

    def _pread(self, offset: int, count: int) -> list[bytes]:
        assert self._fd is not None
        parts = []
        while count > 0:
            part = os.pread(self._fd, count, offset)
            if not part:
                break
            parts.append(part)
            offset += len(part)
            count -= len(part)
        return parts

    def _seek_read(self, offset: int, count: int) -> bytes:
        with self._lock:
            self._handle.seek(offset)
            return self._handle.read(count)

    def hole(self, start: int, stop: int) -> int | None:
        """Return the offset of the first range in [start, stop) that was never written, None without one.

        Only a local file system knows (SEEK_HOLE, lseek(2)); elsewhere None.
        """
        if self._fd is None or start >= stop or not hasattr(os, "SEEK_HOLE"):
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
        end = stop
        while end > start:
            begin = max(start, end - CHUNK_BYTES)
            kept = len(self.some(begin, end - begin).rstrip(b"\0"))
            if kept:
                return stop - (begin + kept)
            end = begin
        return stop - start
