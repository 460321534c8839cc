"""The table of formats, and the three questions asked of a file."""

from __future__ import annotations

from collections.abc import Callable
from typing import BinaryIO, NamedTuple

from printqueue.decode._bounds import Bounds
from printqueue.decode._oriented import OrientedSource
from printqueue.decode._reader import Reader
from printqueue.decode.jpeg_open import open_jpeg, probe_jpeg
from printqueue.decode.png_open import open_png, probe_png
from printqueue.decode.sniff import Kind, recognise
from printqueue.decode.tiff_open import open_tiff
from printqueue.decode.tiff_whole import probe_tiff, tail_share
from printqueue.model.picture import Source


class _Format(NamedTuple):
    open: Callable[[Reader, Bounds], Source]
    probe: Callable[[Reader, Bounds], None]


_FORMATS: dict[Kind, _Format] = {
    "TIFF": _Format(open_tiff, probe_tiff),
    "JPEG": _Format(open_jpeg, probe_jpeg),
    "PNG": _Format(open_png, probe_png),
}


def open_picture(handle: BinaryIO, bounds: Bounds) -> Source:
    """Return the picture behind an open, seekable handle, which must stay open while the source is used.

    The header is judged against `bounds` before any library sees the file.
    `icc` is None without a profile, b"" where one is announced but broken or
    too long, so that it is called unreadable and not missing. Bands may be
    read-only. Raises `PictureError` (`IncompletePictureError` where the end is
    missing), `WorldError` if the disk or share fails.
    """
    reader = Reader(handle)
    stored = _FORMATS[recognise(reader)].open(reader, bounds)
    if stored.facts.orientation == 1:
        return stored
    return OrientedSource(stored)


def probe(handle: BinaryIO, bounds: Bounds) -> None:
    """Prove, without decoding, that the file has arrived whole.

    Raises `IncompletePictureError` when its end or a part is missing (as
    `EmptyTailError` when that may be the picture's own black), `PictureError`
    when it cannot be used otherwise. Damage inside compressed data shows only
    when the rows are read.
    """
    reader = Reader(handle)
    _FORMATS[recognise(reader)].probe(reader, bounds)


def empty_tail(handle: BinaryIO, bounds: Bounds | None = None) -> float:
    """Return the share (0 to 1) of an uncompressed TIFF's pixel data that looks never written; 0 for other files."""
    reader = Reader(handle)
    return tail_share(reader, bounds or Bounds()) if recognise(reader) == "TIFF" else 0.0
