"""The chunks of a PNG, walked to its end chunk with bounds.

Source: PNG, third edition (W3C 2023 / ISO 15948).
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterator
from dataclasses import dataclass, field

from printqueue.decode._bounds import Bounds
from printqueue.decode._reader import CHUNK_BYTES, Reader
from printqueue.decode.errors import damaged, incomplete
from printqueue.errors import PictureError

SIGNATURE = b"\x89PNG\r\n\x1a\n"
MAX_CHUNKS = 2_000_000
_FREE_CHUNKS, _SMALL_CHUNK_BYTES = 10_000, 128  # so many may be empty; all others must be so large on average
MAX_TEXT_BYTES = 1 << 20
MOST_INFLATED = 1032  # bytes from one byte of Deflate data (zlib.net/zlib_tech.html, "Maximum Compression Factor")
MAX_NOTES, MAX_NOTES_BYTES = 256, 4 << 20  # of all text chunks together, as stored; what comes later is left out
GREY, RGB, PALETTE, GREY_ALPHA, RGB_ALPHA = 0, 2, 3, 4, 6
_CHANNELS = {GREY: 1, RGB: 3, PALETTE: 1, GREY_ALPHA: 2, RGB_ALPHA: 4}
_DEPTHS = {GREY: (1, 2, 4, 8, 16), RGB: (8, 16), PALETTE: (1, 2, 4, 8), GREY_ALPHA: (8, 16), RGB_ALPHA: (8, 16)}
_NOTED = frozenset((b"iCCP", b"sRGB", b"cICP", b"pHYs", b"eXIf", b"acTL", b"tEXt", b"zTXt", b"iTXt"))
_TEXTS = frozenset((b"tEXt", b"zTXt", b"iTXt"))
_NEEDED = (b"IHDR", b"PLTE", b"tRNS", b"IDAT")  # what a decoder needs, in the order of the file


@dataclass(frozen=True, slots=True)
class Chunk:
    """Name and place of a chunk's data; its checksum stands at `stop`."""

    name: bytes
    start: int
    stop: int

    @property
    def size(self) -> int:
        """Bytes of data."""
        return self.stop - self.start


@dataclass(frozen=True, slots=True)
class PngHeader:
    """The image header, the chunks a decoder needs, and the notes beside them."""

    width: int
    height: int
    depth: int
    colour_type: int
    needed: tuple[Chunk, ...]
    notes: dict[bytes, list[bytes]] = field(default_factory=dict)
    stop: int = 0  # behind the end chunk

    @property
    def has_alpha(self) -> bool:
        """Whether an alpha channel or transparent colours are present."""
        return self.colour_type in (GREY_ALPHA, RGB_ALPHA) or any(c.name == b"tRNS" for c in self.needed)

    @property
    def colours(self) -> int:
        """Colour channels as displayed, 1 or 3."""
        return 1 if self.colour_type in (GREY, GREY_ALPHA) else 3


def read(reader: Reader, bounds: Bounds) -> PngHeader:
    """Walk the chunks. Raises `IncompletePictureError` when the end chunk (IEND) is missing."""
    walk = _chunks(reader)
    first = next(walk)
    if first.name != b"IHDR" or first.stop - first.start != 13:
        raise damaged("its PNG header is missing")
    width, height, depth, colour_type, *methods = struct.unpack(">IIBBBBB", checked(reader, first)[4:17])
    if depth not in _DEPTHS.get(colour_type, ()) or methods[:2] != [0, 0] or methods[2] > 1:
        raise damaged("its PNG header says what no PNG may say")
    # a palette or transparent colours are decoded into four channels
    bounds.admit(width, height, max(_CHANNELS[colour_type], 4 if colour_type == PALETTE else 2), max(depth, 8))
    needed, notes, stop = [first], dict[bytes, list[bytes]](), 0
    for chunk in walk:
        if chunk.name in _NEEDED:
            needed.append(chunk)
        elif chunk.name in _NOTED:
            _take_note(reader, chunk, bounds, notes)
        stop = chunk.stop + 4
    if not any(chunk.name == b"IDAT" for chunk in needed):
        raise damaged("it holds no pixel data")
    packed = sum(chunk.stop - chunk.start for chunk in needed if chunk.name == b"IDAT")
    if packed * MOST_INFLATED < height * (width * _CHANNELS[colour_type] * depth // 8):
        raise damaged("it holds fewer bytes than so many pixels need")
    return PngHeader(width, height, depth, colour_type, tuple(needed), notes, stop)


def _chunks(reader: Reader) -> Iterator[Chunk]:
    place = len(SIGNATURE)
    for number in range(MAX_CHUNKS):
        if (number - _FREE_CHUNKS) * _SMALL_CHUNK_BYTES > place:
            break
        head = reader.some(place, 8)
        if len(head) < 8:
            raise incomplete("the PNG data end without their end chunk (IEND)")
        size, name = struct.unpack(">I4s", head)
        if not any(head):
            raise incomplete("the PNG data go on with bytes that were never written")
        if not name.isalpha() or size >= 1 << 31:
            raise damaged(f"no PNG chunk stands at byte {place}")
        chunk = Chunk(name, place + 8, place + 8 + size)
        if chunk.stop + 4 > reader.size:
            raise incomplete("a PNG chunk goes on past the end of the file")
        yield chunk
        if name == b"IEND":
            return
        place = chunk.stop + 4
    raise damaged("it claims too many PNG chunks")


def checked(reader: Reader, chunk: Chunk) -> bytes:
    """Return name, data and checksum of a chunk whose checksum holds."""
    data = reader.at(chunk.start - 4, chunk.stop - chunk.start + 8, "a PNG chunk")
    if zlib.crc32(memoryview(data)[:-4]) != int.from_bytes(data[-4:], "big"):
        raise damaged(f"a PNG chunk ({chunk.name.decode('ascii')}) does not match its checksum")
    return data


def check_sum(reader: Reader, chunk: Chunk) -> None:
    """Check a chunk's checksum in bounded memory."""
    found, place = 0, chunk.start - 4
    while place < chunk.stop:
        part = reader.some(place, min(CHUNK_BYTES, chunk.stop - place))
        if not part:
            raise incomplete("the file has shrunk")
        found = zlib.crc32(part, found)
        place += len(part)
    if found != int.from_bytes(reader.at(chunk.stop, 4, "a PNG checksum"), "big"):
        raise damaged(f"a PNG chunk ({chunk.name.decode('ascii')}) does not match its checksum")


def _take_note(reader: Reader, chunk: Chunk, bounds: Bounds, notes: dict[bytes, list[bytes]]) -> None:
    """Keep the first of a kind, and of text as much as there is room for."""
    if chunk.name not in _TEXTS:
        if chunk.name not in notes:
            notes[chunk.name] = _note(reader, chunk, bounds)
        return
    kept = [notes.get(kind, []) for kind in _TEXTS]
    if (
        sum(map(len, kept)) < MAX_NOTES
        and sum(len(data) for found in kept for data in found) + chunk.size <= MAX_NOTES_BYTES
    ):
        notes.setdefault(chunk.name, []).extend(_note(reader, chunk, bounds))


def _note(reader: Reader, chunk: Chunk, bounds: Bounds) -> list[bytes]:
    """Return the chunk's data as a list of one; b"" if broken or too long: notes never fail a picture."""
    most = {b"iCCP": bounds.icc_bytes, b"eXIf": MAX_NOTES_BYTES}.get(chunk.name, MAX_TEXT_BYTES)
    if chunk.stop - chunk.start > most:
        return [b""]
    try:
        return [checked(reader, chunk)[4:-4]]
    except PictureError:
        return [b""]


def inflated(data: bytes, limit: int) -> bytes | None:
    """Inflate at most `limit` bytes; None if broken, longer, or cut short."""
    inflater = zlib.decompressobj()
    try:
        found = inflater.decompress(data, limit)
    except zlib.error:
        return None
    return found if inflater.eof else None
