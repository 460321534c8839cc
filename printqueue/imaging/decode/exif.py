"""EXIF: orientation, resolution, declared colour space and text from a TIFF-structured block.

Source: EXIF 2.32 (CIPA DC-008) tags 270, 274, 282, 296, 306, 315, 33432, 34665,
36867, 40961, 40965 and the DCF interoperability index ('R03' with ColorSpace
65535 says adobe-rgb).
"""

from __future__ import annotations

import io
import math
import re
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Literal, TypeVar

from printqueue.core.errors import PictureError
from printqueue.core.model.picture import Metadata
from printqueue.imaging.decode.metadata import clean
from printqueue.imaging.decode.reader import FileReader
from printqueue.imaging.decode.tiff_ifd import Directory, file_header, read_directory

PREFIX = b"Exif\0\0"
MAX_TEXT_BYTES = 64 * 1024
MAX_PPI = 100_000.0
_T = TypeVar("_T")
_TIME = re.compile(r"(?!0000)\d{4}:\d\d:\d\d \d\d:\d\d:\d\d")


@dataclass(frozen=True, slots=True)
class Exif:
    """What EXIF says; any part may be missing. `orientation`: None without the tag, 1 if its value is absurd."""

    orientation: int | None = None
    ppi: float | None = None
    declared_space: Literal["srgb", "adobe-rgb"] | None = None
    metadata: Metadata = field(default_factory=Metadata)


def from_block(data: bytes | None) -> Exif:
    """Read an EXIF block, a TIFF stream; a broken or missing one yields nothing.

    It may start with JPEG's prefix: some writers leave that in a PNG as well.
    """
    if not data:
        return Exif()
    reader = FileReader(io.BytesIO(data.removeprefix(PREFIX)))
    try:
        return from_directory(reader, read_directory(reader, *file_header(reader)))
    except PictureError:
        return Exif()


def from_directory(reader: FileReader, main: Directory) -> Exif:
    """Read EXIF from a main directory and the ones it points to; never raises on a broken picture."""
    inner = _pointed(reader, main, 34665)
    return Exif(
        orientation=_orientation(main),
        ppi=ppi(_quiet(lambda: main.ratio(282), None), _integer(main, 296, 2)),
        declared_space=_declared(reader, inner),
        metadata=Metadata(
            creator=_text(main, 315),
            rights=_text(main, 33432),
            description=_text(main, 270),
            captured=_time(_text(inner, 36867)) or _time(_text(main, 36867)),
        ),
    )


def ppi(value: float | None, unit: int) -> float | None:
    """Return pixels per inch from a TIFF or EXIF resolution (unit 2 inch, 3 cm).

    None for an absent, zero, absurd or unitless value, which says nothing about size.
    """
    factor = {2: 1.0, 3: 2.54}.get(unit)
    if value is None or factor is None or not math.isfinite(value) or not 0 < value * factor <= MAX_PPI:
        return None
    return value * factor


def _orientation(main: Directory) -> int | None:
    if 274 not in main:
        return None
    found = _integer(main, 274, 1)
    return found if 1 <= found <= 8 else 1


def _declared(reader: FileReader, inner: Directory) -> Literal["srgb", "adobe-rgb"] | None:
    if _integer(inner, 40961, 0) == 1:
        return "srgb"
    return "adobe-rgb" if _text(_pointed(reader, inner, 40965), 1) == "R03" else None


def _time(text: str | None) -> str | None:
    """Return the text if it is a time 'YYYY:MM:DD HH:MM:SS', else None."""
    found = _TIME.match(text or "")
    return found.group() if found else None


def _pointed(reader: FileReader, main: Directory, tag: int) -> Directory:
    """Return the directory that the tag points to, or an empty one if there is none to read."""
    nothing = Directory(reader, main.layout, {})
    offset = _integer(main, tag, 0)
    return _quiet(lambda: read_directory(reader, main.layout, offset), nothing) if offset > 0 else nothing


def _integer(main: Directory, tag: int, default: int) -> int:
    return _quiet(lambda: main.integer(tag, default), default)


def _text(main: Directory, tag: int) -> str | None:
    return _quiet(lambda: clean(main.raw(tag, MAX_TEXT_BYTES)), None)


def _quiet(read: Callable[[], _T], otherwise: _T) -> _T:
    try:
        return read()
    except PictureError:
        return otherwise
