"""Distrust of our own print file: read back with the library before anyone sees it."""

from __future__ import annotations

import hashlib
from typing import BinaryIO

import numpy as np
import tifffile

from printqueue.errors import OwnError
from printqueue.render.engine import NO_INK, Renderer

# Two ways through the same arithmetic may round a source code differently; the paper profile may stretch that
# one code to a few (seen: 4). A wrong pixel differs by hundreds.
_TOLERANCE = 16  # of 65535


def verify(stream: BinaryIO, drawn: Renderer) -> None:
    """Compare size, bits, resolution, profile, border and a band of pixels with the plan.

    Raises `OwnError`: a file that differs must never be published.
    """
    stream.seek(0)
    with tifffile.TiffFile(stream, name="print.tif") as tiff:
        page = tiff.pages.first
        place = drawn.placement
        width, height = place.sheet_px
        if page.shape != (height, width, 3) or page.dtype != np.uint16:
            raise OwnError(
                f"The print file came out as {page.shape} {page.dtype}, not {height} × {width} × 3 at 16 bit."
            )
        if (
            page.tags[282].value != (place.ppi, 1)
            or page.tags[283].value != (place.ppi, 1)
            or page.tags[296].value != 2
        ):
            raise OwnError(f"The print file does not carry {place.ppi} ppi.")
        embedded = page.tags[34675].value
        if hashlib.sha256(embedded).digest() != hashlib.sha256(drawn.paper_profile).digest():
            raise OwnError("The print file does not carry the paper's profile byte for byte.")
        _verify_pixels(page, drawn)


def _verify_pixels(page: tifffile.TiffPage, drawn: Renderer) -> None:
    """One strip through the picture's middle, decoded again, against the same rows rendered again."""
    place = drawn.placement
    middle = place.top_px + place.picture_px[1] // 2
    strip = middle // page.rowsperstrip
    fh = page.parent.filehandle
    fh.seek(page.dataoffsets[strip])
    decoded, _, shape = page.decode(fh.read(page.databytecounts[strip]), strip)
    rows = np.asarray(decoded).reshape(-1, place.sheet_px[0], 3)[: shape[1]].astype(np.int64)
    start = strip * page.rowsperstrip
    expected = drawn.sheet_band(start, start + rows.shape[0]).astype(np.int64)
    inside = slice(place.left_px, place.left_px + place.picture_px[0])
    border = np.delete(rows, np.s_[inside], axis=1)
    if (border != NO_INK).any():
        raise OwnError("The border of the print file holds ink.")
    if np.abs(rows - expected).max() > _TOLERANCE:
        raise OwnError("The print file's pixels differ from those computed again.")
