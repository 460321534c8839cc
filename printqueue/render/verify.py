"""Distrust of our own print file: read back with the library before anyone sees it."""

from __future__ import annotations

import hashlib
import struct
from typing import BinaryIO

import numpy as np
import tifffile
from numpy.typing import NDArray

from printqueue.errors import OwnError
from printqueue.render.engine import NO_INK, Renderer

# Two ways through the same arithmetic may round a source code differently; the paper profile may stretch that
# one code to a few (seen: 4). A wrong pixel differs by hundreds.
_TOLERANCE = 16  # of 65535


def verify(stream: BinaryIO, drawn: Renderer) -> None:
    """Compare size, bits, resolution, profile, and the head, middle and foot of the pixels with the plan.

    Raises `OwnError`: a file that differs must never be published.
    """
    stream.seek(0)
    try:
        with tifffile.TiffFile(stream, name="print.tif") as tiff:
            page = tiff.pages.first
            _verify_header(page, drawn)
            _verify_length(page)
            for strip in sorted({0, _middle_strip(page, drawn), len(page.dataoffsets) - 1}):
                _verify_strip(page, drawn, strip)
    except (tifffile.TiffFileError, struct.error, LookupError, ValueError, TypeError) as error:
        raise OwnError("The print file cannot be read back.") from error


def _verify_header(page: tifffile.TiffPage, drawn: Renderer) -> None:
    place = drawn.placement
    width, height = place.sheet_px
    if page.shape != (height, width, 3) or page.dtype != np.uint16:
        raise OwnError(f"The print file came out as {page.shape} {page.dtype}, not {height} × {width} × 3 at 16 bit.")
    ppi = (place.ppi, 1)
    if (page.tags[282].value, page.tags[283].value, page.tags[296].value) != (ppi, ppi, 2):
        raise OwnError(f"The print file does not carry {place.ppi} ppi.")
    embedded = page.tags[34675].value
    if hashlib.sha256(embedded).digest() != hashlib.sha256(drawn.paper_profile).digest():
        raise OwnError("The print file does not carry the paper's profile byte for byte.")


def _verify_length(page: tifffile.TiffPage) -> None:
    end = max(offset + count for offset, count in zip(page.dataoffsets, page.databytecounts, strict=True))
    if end > page.parent.filehandle.size:
        raise OwnError("The print file ends before its pixels do.")


def _middle_strip(page: tifffile.TiffPage, drawn: Renderer) -> int:
    place = drawn.placement
    return int((place.top_px + place.picture_px[1] // 2) // page.rowsperstrip)


def _verify_strip(page: tifffile.TiffPage, drawn: Renderer, strip: int) -> None:
    """One strip, decoded again, against the same rows rendered again."""
    place, start = drawn.placement, strip * page.rowsperstrip
    rows = _decoded(page, strip, place.sheet_px[0])
    picture = np.zeros(rows.shape[:2], bool)
    first, last = (max(0, row - start) for row in (place.top_px, place.top_px + place.picture_px[1]))
    picture[first:last, place.left_px : place.left_px + place.picture_px[0]] = True
    if (rows[~picture] != NO_INK).any():
        raise OwnError("The border of the print file holds ink.")
    if np.abs(rows - drawn.sheet_band(start, start + rows.shape[0])).max() > _TOLERANCE:
        raise OwnError("The print file's pixels differ from those computed again.")


def _decoded(page: tifffile.TiffPage, strip: int, width_px: int) -> NDArray[np.int64]:
    handle = page.parent.filehandle
    handle.seek(page.dataoffsets[strip])
    decoded, _, shape = page.decode(handle.read(page.databytecounts[strip]), strip)
    return np.asarray(decoded).reshape(-1, width_px, 3)[: shape[1]].astype(np.int64)
