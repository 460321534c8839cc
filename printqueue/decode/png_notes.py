"""What a PNG's ancillary chunks say: profile, declared space, resolution and text."""

from __future__ import annotations

import struct
from collections.abc import Iterator
from typing import Literal

from printqueue.decode._bounds import Bounds
from printqueue.decode._facts import ppi
from printqueue.decode._text import bounded, clean
from printqueue.decode.png_header import MAX_TEXT_BYTES, PngHeader, inflated
from printqueue.model.picture import Metadata

_XMP = b"XML:com.adobe.xmp"  # the keyword that ISO 16684-3 registers
_RAW_EXIF = (b"Raw profile type exif", b"Raw profile type APP1")
_KEYWORDS = {b"Title": "title", b"Author": "creator", b"Copyright": "rights", b"Description": "description"}
_SRGB_CODE_POINTS = b"\x01\x0d\x00\x01"  # ITU-T H.273: BT.709 primaries, sRGB transfer, RGB, full range


def icc(head: PngHeader, bounds: Bounds) -> bytes | None:
    """Return the profile; None without one, b"" where it is broken (so that it is called unreadable, not missing)."""
    found = head.notes.get(b"iCCP")
    if not found:
        return None
    _, _, rest = found[0].partition(b"\0")
    return inflated(rest[1:], bounds.icc_bytes) or b""


def declared_space(head: PngHeader) -> Literal["srgb"] | None:
    """Return 'srgb' for an sRGB chunk or its coding-independent code points."""
    return "srgb" if b"sRGB" in head.notes or _SRGB_CODE_POINTS in head.notes.get(b"cICP", []) else None


def resolution(head: PngHeader) -> float | None:
    """Return pixels per inch, to 0.01 (a PNG counts whole pixels per metre: 300 ppi is stored as 299.9994)."""
    data = head.notes.get(b"pHYs", [b""])[0]
    if len(data) != 9 or data[8] != 1:
        return None
    found = ppi(int.from_bytes(data[:4], "big") / 100, 3)
    return None if found is None else round(found, 2)


def frames(head: PngHeader) -> int:
    """Return the number of frames: 1 for a still picture."""
    data = head.notes.get(b"acTL", [b""])[0]
    return max(1, struct.unpack(">I", data[:4])[0]) if len(data) == 8 else 1


def exif(head: PngHeader) -> bytes:
    """Return the EXIF block of its chunk, or of the text that held it before there was a chunk; b"" without one."""
    if block := head.notes.get(b"eXIf", [b""])[0]:
        return block
    for keyword, data, packed in _texts(head):
        if keyword in _RAW_EXIF:
            return _raw((inflated(data, MAX_TEXT_BYTES) or b"") if packed else data)
    return b""


def _raw(text: bytes) -> bytes:
    """Return the bytes of ImageMagick's "Raw profile type": an empty line, a name, a length, and hexadecimal digits."""
    try:
        return bytes.fromhex("".join(text.decode("ascii").split("\n")[3:]))
    except ValueError:
        return b""


def texts(head: PngHeader) -> tuple[bytes | None, Metadata]:
    """Return the XMP packet, if any, and the standard text keywords; the first of each counts."""
    found: dict[bytes, bytes] = {}
    for keyword, data, packed in _texts(head):
        if (keyword == _XMP or keyword in _KEYWORDS) and keyword not in found:
            found[keyword] = (inflated(data, MAX_TEXT_BYTES) or b"") if packed else data
    packet = found.pop(_XMP, None)
    return packet, Metadata(**{_KEYWORDS[keyword]: bounded(clean(data)) for keyword, data in found.items()})


def _texts(head: PngHeader) -> Iterator[tuple[bytes, bytes, bool]]:
    """Yield keyword, text, and whether the text is still packed."""
    for data in head.notes.get(b"tEXt", []):
        keyword, _, text = data.partition(b"\0")
        yield keyword, text, False
    for data in head.notes.get(b"zTXt", []):
        keyword, _, rest = data.partition(b"\0")
        yield keyword, rest[1:], True
    for data in head.notes.get(b"iTXt", []):
        keyword, _, rest = data.partition(b"\0")
        yield keyword, rest[2:].split(b"\0", 2)[-1], rest[:1] == b"\1"  # behind language tag and translated keyword
