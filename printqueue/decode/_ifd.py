"""Image file directories of TIFF 6.0, BigTIFF and EXIF, read with bounds and no trust in counts.

Source: TIFF 6.0 (1992) section 2 for layout and types; the BigTIFF layout is
the common extension (offsets of 8 bytes, version 43).
"""

from __future__ import annotations

import struct
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from printqueue.decode._reader import Reader
from printqueue.decode.errors import damaged, incomplete

MAX_ENTRIES = 4096
MAX_TAG_BYTES = 64 * 1024 * 1024
MAX_NUMBERS_BYTES = 64 * 1024
# type code: (struct letter, bytes); RATIONALs are read as pairs
_TYPES: dict[int, tuple[str, int]] = {
    1: ("B", 1), 2: ("s", 1), 3: ("H", 2), 4: ("I", 4), 5: ("II", 8), 6: ("b", 1), 7: ("s", 1),
    8: ("h", 2), 9: ("i", 4), 10: ("ii", 8), 11: ("f", 4), 12: ("d", 8), 13: ("I", 4),
    16: ("Q", 8), 17: ("q", 8), 18: ("Q", 8),
}  # fmt: skip

Number = int | float


@dataclass(frozen=True, slots=True)
class Entry:
    """One directory entry; its value is only read when asked for."""

    kind: int
    count: int
    offset: int  # of the value in the file

    @property
    def bytes(self) -> int:
        """Size of the value in bytes, as claimed."""
        return self.count * _TYPES.get(self.kind, ("", 1))[1]


@dataclass(frozen=True, slots=True)
class Shape:
    """Byte order and offset size of a TIFF stream that begins at `base` in the file."""

    order: Literal["<", ">"]
    big: bool
    base: int = 0

    def unpack(self, letters: str, data: bytes) -> tuple[Number, ...]:
        """Unpack numbers in the stream's byte order."""
        return struct.unpack(self.order + letters, data)


class Directory:
    """The entries of one IFD."""

    def __init__(self, reader: Reader, shape: Shape, entries: dict[int, Entry], following: int) -> None:
        self._reader = reader
        self.shape = shape
        self.entries = entries
        self.following = following  # offset of the next directory, 0 at the end

    def __contains__(self, tag: int) -> bool:
        return tag in self.entries

    def raw(self, tag: int, limit: int = MAX_TAG_BYTES) -> bytes | None:
        """Return the value's bytes, None without the tag; raises `PictureError` if longer than `limit`."""
        entry = self.entries.get(tag)
        if entry is None:
            return None
        if entry.bytes > limit:
            raise damaged(f"tag {tag} claims {entry.bytes} bytes")
        return self._reader.at(entry.offset, entry.bytes, f"the value of tag {tag}")

    def numbers(self, tag: int, limit: int = MAX_NUMBERS_BYTES) -> tuple[Number, ...]:
        """Return the tag's numbers, () without the tag; a RATIONAL gives numerator and denominator."""
        entry = self.entries.get(tag)
        if entry is None:
            return ()
        letters, _ = _TYPES.get(entry.kind, ("s", 1))
        if letters == "s":
            raise damaged(f"tag {tag} holds no numbers (type {entry.kind})")
        data = self.raw(tag, limit) or b""
        return self.shape.unpack(letters * entry.count if len(letters) == 2 else f"{entry.count}{letters}", data)

    def integer(self, tag: int, default: int | None = None) -> int:
        """Return the tag's first number; raises `PictureError` where it is missing without a default."""
        found = self.numbers(tag)
        if found and isinstance(found[0], int):
            return found[0]
        if default is None or found:
            raise damaged(f"tag {tag} is missing or holds no whole number")
        return default

    def integers(self, tag: int, limit: int = MAX_NUMBERS_BYTES) -> tuple[int, ...]:
        """Return the tag's numbers, which must be whole."""
        found = self.numbers(tag, limit)
        if any(not isinstance(n, int) for n in found):
            raise damaged(f"tag {tag} holds no whole numbers")
        return tuple(int(n) for n in found)

    def array(self, tag: int, limit: int = MAX_TAG_BYTES) -> NDArray[np.uint64]:
        """Return a long list of unsigned numbers (offsets, byte counts); [] without the tag."""
        entry = self.entries.get(tag)
        if entry is None:
            return np.empty(0, np.uint64)
        letters, _ = _TYPES.get(entry.kind, ("s", 1))
        if letters not in ("B", "H", "I", "Q"):
            raise damaged(f"tag {tag} holds no unsigned numbers (type {entry.kind})")
        return np.frombuffer(self.raw(tag, limit) or b"", self.shape.order + letters).astype(np.uint64)

    def ratio(self, tag: int) -> float | None:
        """Return a RATIONAL as float; None where absent, of another type, or over zero."""
        entry = self.entries.get(tag)
        if entry is None or entry.kind not in (5, 3, 4, 11, 12) or entry.count != 1:
            return None
        pair = self.numbers(tag)
        if entry.kind != 5:
            return float(pair[0])
        return float(pair[0]) / float(pair[1]) if pair[1] else None


def stream(reader: Reader, base: int = 0) -> tuple[Shape, int]:
    """Return byte order, offset size and the first directory's offset of the TIFF stream at `base`."""
    head = reader.some(base, 16)
    if len(head) < 8:
        raise incomplete(f"it ends after {len(head)} bytes")
    orders: dict[bytes, Literal["<", ">"]] = {b"II": "<", b"MM": ">"}
    order = orders.get(head[:2])
    version = struct.unpack((order or "<") + "H", head[2:4])[0]
    if order is None or version not in (42, 43):
        raise damaged("it has no TIFF header")
    if version == 42:
        return Shape(order, big=False, base=base), struct.unpack(order + "I", head[4:8])[0]
    if len(head) < 16:
        raise incomplete(f"it ends after {len(head)} bytes")
    width, zero, first = struct.unpack(order + "HHQ", head[4:16])
    if (width, zero) != (8, 0):
        raise damaged("its BigTIFF header is not one")
    return Shape(order, big=True, base=base), first


def directory(reader: Reader, shape: Shape, offset: int) -> Directory:
    """Read the directory at `offset` of the stream (values are not read yet).

    Raises `PictureError` for an impossible one, `IncompletePictureError` past the end of the file.
    """
    letter, head, size = ("Q", 8, 20) if shape.big else ("H", 2, 12)
    place = shape.base + offset
    what = "the image directory"
    count = int(shape.unpack(letter, reader.at(place, head, what))[0])
    if not 0 < count <= MAX_ENTRIES:
        raise damaged(f"an image directory claims {count} entries")
    if count > reader.entries_left:
        raise damaged("its image directories claim more entries than any picture has")
    reader.entries_left -= count
    tail = 8 if shape.big else 4
    # EXIF writers often leave out the last pointer; the entries are what matters
    body = reader.at(place + head, count * size, what) + reader.some(place + head + count * size, tail)
    entries: dict[int, Entry] = {}
    for index in range(count):
        tag, entry = _entry(shape, body[index * size : (index + 1) * size], place + head + index * size)
        entries.setdefault(tag, entry)
    last = body[count * size :]
    following = int(shape.unpack("Q" if shape.big else "I", last)[0]) if len(last) == tail else 0
    return Directory(reader, shape, entries, following)


def _entry(shape: Shape, data: bytes, place: int) -> tuple[int, Entry]:
    letters, inline, head = ("HHQ", 8, 12) if shape.big else ("HHI", 4, 8)
    tag, kind, count = (int(n) for n in shape.unpack(letters, data[:head]))
    entry = Entry(kind, count, place + head)
    if entry.bytes > inline:
        pointer = int(shape.unpack("Q" if shape.big else "I", data[head:])[0])
        entry = Entry(kind, count, shape.base + pointer)
    return tag, entry


def chain(reader: Reader, shape: Shape, first: int, most: int, too_many: Callable[[], Exception]) -> list[Directory]:
    """Walk the chain of directories; raises for a loop, and `too_many()` beyond `most`."""
    found: list[Directory] = []
    seen: set[int] = set()
    offset = first
    while offset:
        if offset in seen:
            raise damaged("its image directories form a loop")
        if len(found) >= most:
            raise too_many()
        seen.add(offset)
        found.append(directory(reader, shape, offset))
        offset = found[-1].following
    return found
