"""Image file directories of TIFF 6.0, BigTIFF and EXIF, read within bounds and without trusting their counts.

Source: TIFF 6.0 (1992) section 2 for layout and types; the BigTIFF layout is
the common extension (8-byte offsets, version 43).
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from printqueue.imaging.decode.errors import damaged, incomplete
from printqueue.imaging.decode.reader import FileReader

MAX_ENTRIES = 4096
MAX_TAG_BYTES = 64 * 1024 * 1024
MAX_NUMBERS_BYTES = 64 * 1024
# type code: (struct letter, bytes); RATIONALs are read as pairs
_TYPES: dict[int, tuple[str, int]] = {
    1: ("B", 1), 2: ("s", 1), 3: ("H", 2), 4: ("I", 4), 5: ("II", 8), 6: ("b", 1), 7: ("s", 1),
    8: ("h", 2), 9: ("i", 4), 10: ("ii", 8), 11: ("f", 4), 12: ("d", 8), 13: ("I", 4),
    16: ("Q", 8), 17: ("q", 8), 18: ("Q", 8),
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Entry:
    """One directory entry; its value is read only on request."""

    kind: int
    count: int
    offset: int  # of the value, in the file

    @property
    def letters(self) -> str:
        """Struct letters of one number; "s" if it holds none."""
        return _TYPES.get(self.kind, ("s", 1))[0]

    @property
    def bytes(self) -> int:
        """Size of the value in bytes, as claimed."""
        return self.count * _TYPES.get(self.kind, ("s", 1))[1]


@dataclass(frozen=True, slots=True)
class Layout:
    """Byte order and offset size of a TIFF stream."""

    order: Literal["<", ">"]
    big: bool

    def unpack(self, letters: str, data: bytes) -> tuple[int | float, ...]:
        """Unpack numbers in the stream's byte order."""
        return struct.unpack(self.order + letters, data)


@dataclass(frozen=True, slots=True, eq=False)
class Directory:
    """The entries of one IFD."""

    reader: FileReader
    layout: Layout
    entries: dict[int, Entry]
    following: int = 0  # offset of the next directory, 0 at the end

    def __contains__(self, tag: int) -> bool:
        return tag in self.entries

    def raw(self, tag: int, limit: int = MAX_TAG_BYTES) -> bytes | None:
        """Return the value's bytes, or None without the tag; raises `PictureError` if longer than `limit`."""
        entry = self.entries.get(tag)
        if entry is None:
            return None
        if entry.bytes > limit:
            raise damaged(f"tag {tag} claims {entry.bytes} bytes")
        return self.reader.at(entry.offset, entry.bytes, f"the value of tag {tag}")

    def numbers(self, tag: int, limit: int = MAX_NUMBERS_BYTES) -> tuple[int | float, ...]:
        """Return the tag's numbers, or () without the tag; a RATIONAL yields numerator and denominator."""
        entry = self.entries.get(tag)
        if entry is None:
            return ()
        if entry.letters == "s":
            raise damaged(f"tag {tag} holds no numbers (type {entry.kind})")
        data = self.raw(tag, limit) or b""
        pairs = len(entry.letters) == 2
        return self.layout.unpack(entry.letters * entry.count if pairs else f"{entry.count}{entry.letters}", data)

    def integer(self, tag: int, default: int | None = None) -> int:
        """Return the tag's first number; raises `PictureError` if it is missing and there is no default."""
        found = self.numbers(tag)
        if found and isinstance(found[0], int):
            return found[0]
        if default is None or found:
            raise damaged(f"tag {tag} is missing or holds no whole number")
        return default

    def integers(self, tag: int, limit: int = MAX_NUMBERS_BYTES) -> tuple[int, ...]:
        """Return the tag's numbers, which must be integers."""
        found = self.numbers(tag, limit)
        if any(not isinstance(n, int) for n in found):
            raise damaged(f"tag {tag} holds no whole numbers")
        return tuple(int(n) for n in found)

    def array(self, tag: int, limit: int = MAX_TAG_BYTES) -> NDArray[np.uint64]:
        """Return a long list of unsigned numbers (offsets, byte counts); [] without the tag."""
        entry = self.entries.get(tag)
        if entry is None:
            return np.empty(0, np.uint64)
        if entry.letters not in ("B", "H", "I", "Q"):
            raise damaged(f"tag {tag} holds no unsigned numbers (type {entry.kind})")
        return np.frombuffer(self.raw(tag, limit) or b"", self.layout.order + entry.letters).astype(np.uint64)

    def ratio(self, tag: int) -> float | None:
        """Return a RATIONAL as float; None if absent, of another type, or with denominator zero."""
        entry = self.entries.get(tag)
        if entry is None or entry.kind not in (5, 3, 4, 11, 12) or entry.count != 1:
            return None
        number, *below = self.numbers(tag)
        over = below[0] if below else 1
        return number / over if over else None


def file_header(reader: FileReader) -> tuple[Layout, int]:
    """Return the layout of the TIFF stream, and the offset of its first directory."""
    head = reader.some(0, 16)
    if len(head) < 8:
        raise incomplete(f"it ends after {len(head)} bytes")
    orders: dict[bytes, Literal["<", ">"]] = {b"II": "<", b"MM": ">"}
    order = orders.get(head[:2])
    version = struct.unpack((order or "<") + "H", head[2:4])[0]
    if order is None or version not in (42, 43):
        raise damaged("it has no TIFF header")
    if version == 42:
        return Layout(order, big=False), struct.unpack(order + "I", head[4:8])[0]
    if len(head) < 16:
        raise incomplete(f"it ends after {len(head)} bytes")
    width, zero, first = struct.unpack(order + "HHQ", head[4:16])
    if (width, zero) != (8, 0):
        raise damaged("its BigTIFF header is not one")
    return Layout(order, big=True), first


def read_directory(reader: FileReader, layout: Layout, offset: int) -> Directory:
    """Read the directory at `offset` of the file, but not its values yet.

    Raises `PictureError` for an impossible one, `IncompletePictureError` past the end of the file.
    """
    letter, head, size = ("Q", 8, 20) if layout.big else ("H", 2, 12)
    what = "the image directory"
    count = int(layout.unpack(letter, reader.at(offset, head, what))[0])
    if not 0 < count <= MAX_ENTRIES:
        raise damaged(f"an image directory claims {count} entries")
    if count > reader.entries_left:
        raise damaged("its image directories claim more entries than any picture has")
    reader.entries_left -= count
    start, tail = offset + head, 8 if layout.big else 4
    body = reader.at(start, count * size, what)
    last = reader.some(start + count * size, tail)  # EXIF writers often omit it; only the entries matter
    entries: dict[int, Entry] = {}
    for at in range(0, count * size, size):
        tag, entry = _entry(layout, body[at : at + size], start + at)
        entries.setdefault(tag, entry)
    following = int(layout.unpack("Q" if layout.big else "I", last)[0]) if len(last) == tail else 0
    return Directory(reader, layout, entries, following)


def _entry(layout: Layout, data: bytes, place: int) -> tuple[int, Entry]:
    letters, inline, head = ("HHQ", 8, 12) if layout.big else ("HHI", 4, 8)
    tag, kind, count = (int(n) for n in layout.unpack(letters, data[:head]))
    entry = Entry(kind, count, place + head)
    if entry.bytes > inline:
        entry = Entry(kind, count, int(layout.unpack("Q" if layout.big else "I", data[head:])[0]))
    return tag, entry
