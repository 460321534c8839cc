"""Identifies a file by its content, never by its name.

Sources: the magic numbers of each open standard (TIFF 6.0, JFIF / ISO 10918-1,
PNG / ISO 15948, ISO 14496-12 `ftyp` brands, ISO 18181, ISO 15444, RFC 9649 ...);
raw headers from memory.
"""

from __future__ import annotations

from typing import Literal

from printqueue.imaging.decode.errors import EXPORT, damaged, incomplete, refused
from printqueue.imaging.decode.reader import FileReader

Kind = Literal["TIFF", "JPEG", "PNG"]
HEAD_BYTES = 512
_UNWRITTEN = 4  # leading zeros: no format identified here begins with them
_DEVELOP = "Develop it, then export a flattened 16-bit TIFF with its profile."
_FILM = "Export the one frame to print as a 16-bit TIFF with its profile."
_UNPACK = "Take the picture out of it and drop the picture."
_RAW = "a camera raw file"
_RAW_MARK = b"CR\x02\0"  # follows the TIFF header in one raw format

_PICTURES: dict[Kind, tuple[bytes, ...]] = {
    "PNG": (b"\x89PNG\r\n\x1a\n",),
    "JPEG": (b"\xff\xd8\xff",),
    "TIFF": (b"II\x2a\0", b"MM\0\x2a", b"II\x2b\0", b"MM\0\x2b"),
}

# leading bytes, what it is, what to do; the first match wins
_Table = tuple[tuple[tuple[bytes, ...], str, str], ...]
_OTHERS: _Table = (
    # one raw format begins with its maker's name, which we do not spell out
    ((b"IIRO", b"IIRS", b"MMOR", b"IIU\0", b"\0MRM", b"FOVb", b"II\x1a\0\0\0HEAPCCDR",
      bytes.fromhex("46554a4946494c4d4343442d524157")), _RAW, _DEVELOP),
    ((b"8BPS", bytes.fromhex("67696d702078636620")), "a layered editor document", EXPORT),
    ((b"\0\x05\x16\x07",), "a desktop's companion file with notes about a picture (RFC 1740)",
     "Drop the picture itself; this file may be deleted."),
    ((b"\0\x05\x16\0",), "a picture wrapped together with a desktop's notes (RFC 1740)", EXPORT),
    ((b"\0\0\0\x0cJXL \r\n\x87\n", b"\xff\x0a"), "a JPEG XL picture", EXPORT),
    ((b"\0\0\0\x0cjP  \r\n\x87\n", b"\xff\x4f\xff\x51"), "a JPEG 2000 picture", EXPORT),
    ((b"II\xbc",), "a JPEG XR picture", EXPORT),
    ((b"\xff\xd8",), "not quite a JPEG picture", EXPORT),
    ((b"GIF87a", b"GIF89a"), "a GIF picture", EXPORT),
    ((b"BM",), "a BMP picture", EXPORT),
    ((b"\x76\x2f\x31\x01",), "an OpenEXR picture (scene light in floating point)", EXPORT),
    ((b"#?RADIANCE", b"#?RGBE"), "an RGBE picture (scene light)", EXPORT),
    ((b"SIMPLE  =",), "a FITS picture", EXPORT),
    ((b"qoif",), "a QOI picture", EXPORT),
    ((b"%PDF-",), "a PDF document", EXPORT),
    ((b"%!PS",), "a PostScript document", EXPORT),
    ((b"\xc5\xd0\xd3\xc6",), "an EPS document", EXPORT),
    ((b"PK\x03\x04",), "a ZIP archive or office document", _UNPACK),
    ((b"PK\x05\x06",), "a ZIP archive", _UNPACK),
    ((b"\x1f\x8b",), "a gzip archive", _UNPACK),
    ((b"BZh",), "a bzip2 archive", _UNPACK),
    ((b"\xfd7zXZ\0",), "an xz archive", _UNPACK),
    ((b"7z\xbc\xaf\x27\x1c",), "a 7z archive", _UNPACK),
    ((b"Rar!\x1a\x07",), "a RAR archive", _UNPACK),
    ((b"\x28\xb5\x2f\xfd",), "a Zstandard archive", _UNPACK),
    ((b"\x1aE\xdf\xa3",), "a film", _FILM),
    ((b"SQLite format 3\0",), "a database", _UNPACK),
    ((b"\x7fELF", b"MZ"), "a program", "Drop a picture."),
    ((b"\0\0\x01\0",), "an icon", EXPORT),
    ((b"P1\n", b"P2\n", b"P3\n", b"P4\n", b"P5\n", b"P6\n", b"P7\n"), "a PNM picture", EXPORT),
    ((b"PF\n",), "a PFM picture (floating point)", EXPORT),
)  # fmt: skip

_RIFF: _Table = (
    ((b"WEBP",), "a WebP picture", EXPORT),
    ((b"AVI ",), "a film", _FILM),
    ((b"WAVE",), "a sound file", _UNPACK),
)

# ISO base media: how the brand after `ftyp` begins
_BRANDS: _Table = (
    ((b"crx ",), _RAW, _DEVELOP),
    ((b"avi",), "an AVIF picture", EXPORT),
    ((b"hei", b"hev", b"mif", b"msf"), "a HEIF picture", EXPORT),
    ((b"jxl",), "a JPEG XL picture", EXPORT),
    ((b"jp2",), "a JPEG 2000 picture", EXPORT),
)


def recognise(reader: FileReader) -> Kind:
    """Return which of the readable formats the file holds.

    Raises `PictureError` naming what it is instead, `IncompletePictureError` for an
    empty file or one whose beginning was never written: many programs write it last.
    """
    head = reader.some(0, HEAD_BYTES)
    if not head:
        raise incomplete("it is empty")
    if not head[:_UNWRITTEN].strip(b"\0"):
        raise incomplete(f"its first {len(head) - len(head.lstrip(bytes(1)))} bytes are zero")
    kind = next((kind for kind, magics in _PICTURES.items() if head.startswith(magics)), None)
    if kind is not None and not head.startswith(_RAW_MARK, 8):
        return kind
    if any(magic.startswith(head) for magics in _PICTURES.values() for magic in magics):
        raise incomplete(f"it ends after {len(head)} bytes")
    other = _other(head)
    if other is None:
        raise damaged("it begins like no picture format that is read here (TIFF, JPEG, PNG)")
    raise refused(f"This is {other[0]}, not a TIFF, JPEG or PNG picture.", other[1], measured=other[0])


def _other(head: bytes) -> tuple[str, str] | None:
    """Return what the file is instead, and what to do."""
    if head[4:8] == b"ftyp":
        return _first(_BRANDS, head[8:12]) or ("a film", _FILM)
    if head[4:8] in (b"moov", b"mdat", b"wide"):  # films from before brands existed
        return "a film", _FILM
    if head[:4] == b"RIFF":
        return _first(_RIFF, head[8:12]) or _writing(head)
    if head.startswith(_RAW_MARK, 8):
        return _RAW, _DEVELOP
    return _first(_OTHERS, head) or (("a tar archive", _UNPACK) if head[257:262] == b"ustar" else _writing(head))


def _first(table: _Table, head: bytes) -> tuple[str, str] | None:
    return next(((what, do) for magics, what, do in table if head.startswith(magics)), None)


def _writing(head: bytes) -> tuple[str, str] | None:
    start = head.lstrip(b"\xef\xbb\xbf \t\r\n")[:256].lower()
    if start.startswith((b"<svg", b"<?xml", b"<!doctype", b"<html")):
        return ("an SVG drawing" if b"<svg" in head.lower() else "an XML or HTML document"), EXPORT
    return ("a text file", "Drop a picture.") if _is_text(head) else None


def _is_text(head: bytes) -> bool:
    """Whether it is UTF-8 (perhaps cut off mid-character) without control characters."""
    try:
        text = head.decode("utf-8")
    except UnicodeDecodeError as error:
        if error.start < len(head) - 4:
            return False
        text = head[: error.start].decode("utf-8")
    return all(char.isprintable() or char in "\t\r\n\f" for char in text)
