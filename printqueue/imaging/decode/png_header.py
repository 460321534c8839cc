"""Walks the chunks of a PNG to its end chunk, within bounds, and reads the notes among them.

Source: PNG, third edition (W3C 2023 / ISO 15948).
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Literal, NamedTuple

from printqueue.core.errors import PictureError
from printqueue.core.model.picture import Metadata
from printqueue.imaging.decode.errors import damaged, incomplete
from printqueue.imaging.decode.exif import ppi
from printqueue.imaging.decode.metadata import clean
from printqueue.imaging.decode.reader import CHUNK_BYTES, Bounds, FileReader

SIGNATURE = b"\x89PNG\r\n\x1a\n"
MAX_CHUNKS = 2_000_000
_FREE_CHUNKS, _SMALL_CHUNK_BYTES = 10_000, 128  # this many chunks may be empty; the rest must average this size
MAX_TEXT_BYTES = 1 << 20
MAX_INFLATED = 1032  # bytes from one byte of Deflate data (zlib.net/zlib_tech.html, "Maximum Compression Factor")
MAX_NOTES, MAX_NOTES_BYTES = 256, 4 << 20  # all text chunks together, as stored; later ones are dropped
GREY, RGB, PALETTE, GREY_ALPHA, RGB_ALPHA = 0, 2, 3, 4, 6
_CHANNELS = {GREY: 1, RGB: 3, PALETTE: 1, GREY_ALPHA: 2, RGB_ALPHA: 4}
_DEPTHS = {GREY: (1, 2, 4, 8, 16), RGB: (8, 16), PALETTE: (1, 2, 4, 8), GREY_ALPHA: (8, 16), RGB_ALPHA: (8, 16)}
_TEXTS = frozenset((b"tEXt", b"zTXt", b"iTXt"))
_NOTED = _TEXTS | {b"iCCP", b"sRGB", b"cICP", b"pHYs", b"eXIf", b"acTL"}
_NEEDED = (b"IHDR", b"PLTE", b"tRNS", b"IDAT")  # what a decoder needs, in file order
_XMP = b"XML:com.adobe.xmp"  # the keyword registered in ISO 16684-3
_RAW_EXIF = (b"Raw profile type exif", b"Raw profile type APP1")
_KEYWORDS = {b"Title": "title", b"Author": "creator", b"Copyright": "rights", b"Description": "description"}
_SRGB_CODE_POINTS = b"\x01\x0d\x00\x01"  # ITU-T H.273: BT.709 primaries, sRGB transfer, RGB, full range


@dataclass(frozen=True, slots=True)
class Chunk:
    """A chunk's name and where its data lie; its checksum is at `stop`."""

    name: bytes
    start: int
    stop: int

    @property
    def size(self) -> int:
        """Bytes of data."""
        return self.stop - self.start


@dataclass(frozen=True, slots=True)
class PngHeader:
    """The image header, the chunks a decoder needs, and the notes."""

    width: int
    height: int
    depth: int
    colour_type: int
    needed: tuple[Chunk, ...]
    notes: dict[bytes, list[bytes]] = field(default_factory=dict)
    stop: int = 0  # just past the end chunk

    @property
    def has_alpha(self) -> bool:
        """Whether there is an alpha channel or a transparent colour."""
        return self.colour_type in (GREY_ALPHA, RGB_ALPHA) or any(c.name == b"tRNS" for c in self.needed)

    @property
    def colours(self) -> int:
        """Colour channels as displayed, 1 or 3."""
        return 1 if self.colour_type in (GREY, GREY_ALPHA) else 3

    def note(self, name: bytes) -> bytes:
        """Return the first note of that name, or b"" without one."""
        return self.notes.get(name, [b""])[0]


# -- the chunks --------------------------------------------------------------------------


def read(reader: FileReader, bounds: Bounds) -> PngHeader:
    """Walk the chunks. Raises `IncompletePictureError` if the end chunk (IEND) is missing."""
    walk = _chunks(reader)
    first = next(walk)
    if first.name != b"IHDR" or first.size != 13:
        raise damaged("its PNG header is missing")
    width, height, depth, colour_type, *methods = struct.unpack(">IIBBBBB", checked(reader, first)[4:17])
    if depth not in _DEPTHS.get(colour_type, ()) or methods[:2] != [0, 0] or methods[2] > 1:
        raise damaged("its PNG header says what no PNG may say")
    # a palette or transparent colour decodes to four channels
    bounds.admit(width, height, max(_CHANNELS[colour_type], 4 if colour_type == PALETTE else 2), max(depth, 8))
    needed, notes, stop = [first], dict[bytes, list[bytes]](), 0
    for chunk in walk:
        if chunk.name in _NEEDED:
            needed.append(chunk)
        elif chunk.name in _NOTED and _has_room(chunk, notes):
            notes.setdefault(chunk.name, []).append(_note(reader, chunk, bounds))
        stop = chunk.stop + 4
    if not any(chunk.name == b"IDAT" for chunk in needed):
        raise damaged("it holds no pixel data")
    packed = sum(chunk.size for chunk in needed if chunk.name == b"IDAT")
    if packed * MAX_INFLATED < height * (width * _CHANNELS[colour_type] * depth // 8):
        raise damaged("it holds fewer bytes than so many pixels need")
    return PngHeader(width, height, depth, colour_type, tuple(needed), notes, stop)


def _chunks(reader: FileReader) -> Iterator[Chunk]:
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


def checked(reader: FileReader, chunk: Chunk) -> bytes:
    """Verify a chunk's checksum and return its name, data and checksum."""
    data = reader.at(chunk.start - 4, chunk.size + 8, "a PNG chunk")
    _hold_against(zlib.crc32(memoryview(data)[:-4]), data[-4:], chunk)
    return data


def check_sum(reader: FileReader, chunk: Chunk) -> None:
    """Check a chunk's checksum in bounded memory."""
    found = 0
    for place in range(chunk.start - 4, chunk.stop, CHUNK_BYTES):
        found = zlib.crc32(reader.at(place, min(CHUNK_BYTES, chunk.stop - place), "a PNG chunk"), found)
    _hold_against(found, reader.at(chunk.stop, 4, "a PNG checksum"), chunk)


def _hold_against(found: int, stored: bytes, chunk: Chunk) -> None:
    if found != int.from_bytes(stored, "big"):
        raise damaged(f"a PNG chunk ({chunk.name.decode('ascii')}) does not match its checksum")


def _has_room(chunk: Chunk, notes: dict[bytes, list[bytes]]) -> bool:
    """Whether the note is the first of its kind, or a text that still fits."""
    if chunk.name not in _TEXTS:
        return chunk.name not in notes
    kept = [notes.get(kind, []) for kind in _TEXTS]
    return (
        sum(map(len, kept)) < MAX_NOTES
        and sum(len(data) for found in kept for data in found) + chunk.size <= MAX_NOTES_BYTES
    )


def _note(reader: FileReader, chunk: Chunk, bounds: Bounds) -> bytes:
    """Return the chunk's data; b"" if broken or too long: notes never fail a picture."""
    if chunk.size > {b"iCCP": bounds.icc_bytes, b"eXIf": MAX_NOTES_BYTES}.get(chunk.name, MAX_TEXT_BYTES):
        return b""
    try:
        return checked(reader, chunk)[4:-4]
    except PictureError:
        return b""


# -- what the notes say ------------------------------------------------------------------


def icc(head: PngHeader, bounds: Bounds) -> bytes | None:
    """Return the profile; None without one, b"" if it is broken (so that it is reported as unreadable, not missing)."""
    if b"iCCP" not in head.notes:
        return None
    _, _, rest = head.note(b"iCCP").partition(b"\0")
    return _inflated(rest[1:], bounds.icc_bytes)


def declared_space(head: PngHeader) -> Literal["srgb"] | None:
    """Return 'srgb' for an sRGB chunk or its coding-independent code points."""
    return "srgb" if b"sRGB" in head.notes or head.note(b"cICP") == _SRGB_CODE_POINTS else None


def resolution(head: PngHeader) -> float | None:
    """Return pixels per inch, to 0.01 (a PNG counts whole pixels per metre: 300 ppi is stored as 299.9994)."""
    data = head.note(b"pHYs")
    if len(data) != 9 or data[8] != 1:
        return None
    found = ppi(int.from_bytes(data[:4], "big") / 100, 3)
    return None if found is None else round(found, 2)


def frames(head: PngHeader) -> int:
    """Return the number of frames: 1 for a still picture."""
    data = head.note(b"acTL")
    return max(1, int.from_bytes(data[:4], "big")) if len(data) == 8 else 1


def exif_block(head: PngHeader) -> bytes:
    """Return the EXIF block from its chunk, or from the text that held it before the chunk existed; b"" without one."""
    raw = (text.unpacked() for text in _texts(head) if text.keyword in _RAW_EXIF)
    return head.note(b"eXIf") or _raw_profile(next(raw, b""))


def _raw_profile(text: bytes) -> bytes:
    """Return the bytes in ImageMagick's "Raw profile type": an empty line, a name, a length, and hexadecimal digits."""
    try:
        return bytes.fromhex("".join(text.decode("ascii").split("\n")[3:]))
    except ValueError:
        return b""


def texts(head: PngHeader) -> tuple[bytes | None, Metadata]:
    """Return the XMP packet, if any, and the standard text keywords; the first of each wins."""
    found: dict[bytes, bytes] = {}
    for text in _texts(head):
        if (text.keyword == _XMP or text.keyword in _KEYWORDS) and text.keyword not in found:
            found[text.keyword] = text.unpacked()
    packet = found.pop(_XMP, None)
    return packet, Metadata(**{_KEYWORDS[keyword]: clean(data) for keyword, data in found.items()})


class _Text(NamedTuple):
    keyword: bytes
    stored: bytes
    packed: bool

    def unpacked(self) -> bytes:
        """Return the text; texts that nobody wants are never unpacked."""
        return _inflated(self.stored, MAX_TEXT_BYTES) if self.packed else self.stored


def _texts(head: PngHeader) -> Iterator[_Text]:
    for kind in (b"tEXt", b"zTXt", b"iTXt"):
        for data in head.notes.get(kind, []):
            keyword, _, rest = data.partition(b"\0")
            if kind == b"iTXt":  # the text follows the language tag and the translated keyword
                yield _Text(keyword, rest[2:].split(b"\0", 2)[-1], rest[:1] == b"\1")
            else:
                yield _Text(keyword, rest[1:] if kind == b"zTXt" else rest, kind == b"zTXt")


def _inflated(data: bytes, limit: int) -> bytes:
    """Inflate at most `limit` bytes; b"" if broken, longer, or truncated."""
    inflater = zlib.decompressobj()
    try:
        found = inflater.decompress(data, limit)
    except zlib.error:
        return b""
    return found if inflater.eof else b""
