"""EXIF: orientation, resolution, declared colour space and text of a TIFF-structured block.

Source: EXIF 2.32 (CIPA DC-008) tags 270, 274, 282, 296, 306, 315, 33432, 34665,
36867, 40961, 40965 and the DCF interoperability index ('R03' with ColorSpace
65535 says adobe-rgb).
"""

from __future__ import annotations

import io
import struct
from dataclasses import dataclass, field
from typing import Literal

from printqueue.decode._facts import ppi
from printqueue.decode._ifd import Directory, directory, stream
from printqueue.decode._reader import Reader
from printqueue.decode._text import clean, exif_time
from printqueue.errors import PictureError
from printqueue.model.picture import Metadata

PREFIX = b"Exif\0\0"
MAX_TEXT_BYTES = 64 * 1024
_IGNORED = (PictureError, struct.error, ValueError, OverflowError)


@dataclass(frozen=True, slots=True)
class Exif:
    """What EXIF says; every part may be missing. `orientation`: None without the tag, 1 where it is absurd."""

    orientation: int | None = None
    ppi: float | None = None
    declared_space: Literal["srgb", "adobe-rgb"] | None = None
    metadata: Metadata = field(default_factory=Metadata)


def from_block(data: bytes | None) -> Exif:
    """Read an EXIF block, a TIFF stream; broken or missing ones say nothing. JPEG's prefix may stand before it: some
    writers leave it there in a PNG as well.
    """
    if not data:
        return Exif()
    reader = Reader(io.BytesIO(data.removeprefix(PREFIX)))
    try:
        shape, first = stream(reader)
        return from_directory(reader, directory(reader, shape, first))
    except _IGNORED:
        return Exif()


def from_directory(reader: Reader, main: Directory) -> Exif:
    """Read EXIF from a main directory and the ones it points to; never raises for a broken picture."""
    inner = _pointed(reader, main, 34665)
    return Exif(
        orientation=orientation(main),
        ppi=ppi(_ratio(main, 282), _integer(main, 296, 2)),
        declared_space=_declared(reader, inner),
        metadata=Metadata(
            creator=_text(main, 315),
            rights=_text(main, 33432),
            description=_text(main, 270),
            captured=exif_time(_text(inner, 36867)) or exif_time(_text(main, 36867)),
        ),
    )


def orientation(main: Directory) -> int | None:
    """Return the orientation, 1 to 8; 1 where it is absurd, None where it is absent."""
    if 274 not in main:
        return None
    found = _integer(main, 274, 1)
    return found if 1 <= found <= 8 else 1


def _declared(reader: Reader, inner: Directory | None) -> Literal["srgb", "adobe-rgb"] | None:
    if _integer(inner, 40961, 0) == 1:
        return "srgb"
    index = _text(_pointed(reader, inner, 40965), 1)
    return "adobe-rgb" if index == "R03" else None


def _pointed(reader: Reader, main: Directory | None, tag: int) -> Directory | None:
    offset = _integer(main, tag, 0)
    if main is None or offset <= 0:
        return None
    try:
        return directory(reader, main.shape, offset)
    except _IGNORED:
        return None


def _integer(main: Directory | None, tag: int, default: int) -> int:
    try:
        return default if main is None else main.integer(tag, default)
    except _IGNORED:
        return default


def _ratio(main: Directory, tag: int) -> float | None:
    try:
        return main.ratio(tag)
    except _IGNORED:
        return None


def _text(main: Directory | None, tag: int) -> str | None:
    try:
        return None if main is None else clean(main.raw(tag, MAX_TEXT_BYTES))
    except _IGNORED:
        return None
