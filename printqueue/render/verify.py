"""Distrust of our own print file: read back with the library, and a sample computed again, before anyone sees it."""

from __future__ import annotations

import hashlib
import struct
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import BinaryIO

import numpy as np
import tifffile
from numpy.typing import NDArray

from printqueue.colour import manager
from printqueue.errors import OwnError
from printqueue.render.engine import NO_INK, Renderer
from printqueue.render.recompute import recomputed

Codes = NDArray[np.uint16]
_ROWS, _COLUMNS = 10, 10  # places where the sheet is cut: their crossings hold the sample
_PER_CROSSING = 10
# ΔE76 on the paper. What is right differs by 0.055 in the mean and 0.93 at the worst pixel, which is the engine's table
# (192 prints: four papers × four source spaces × random colours and a photograph × three scales × two intents).
_MEAN_LIMIT, _PIXEL_LIMIT = 0.15, 2.0


@dataclass(frozen=True, slots=True)
class Verified:
    """How many pixels were computed again, and how far the file's are from them (ΔE76 of what the paper shows)."""

    pixels: int
    mean: float
    worst: float


def verify(stream: BinaryIO, drawn: Renderer) -> Verified:
    """Compare size, bits, resolution, profile, border and about 1,000 pixels with the plan.

    The pixels are computed from the master by a way of their own (`recompute`). A single wrong strip between those that
    are read is not seen. Raises `OwnError`: a file that differs must never be published.
    """
    stream.seek(0)
    try:
        with tifffile.TiffFile(stream, name="print.tif") as tiff:
            page = tiff.pages.first
            _verify_header(page, drawn)
            _verify_length(page)
            return _verify_pixels(page, drawn)
    except (tifffile.TiffFileError, struct.error, LookupError, ValueError, TypeError) as error:
        raise OwnError("The print file cannot be read back.") from error


def _verify_header(page: tifffile.TiffPage, drawn: Renderer) -> None:
    place = drawn.placement
    width, height = place.file_px
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


@dataclass(frozen=True, slots=True)
class _Cut:
    """A piece of the sheet as looked at, read back: its corner in sheet pixels and its codes (h, w, 3)."""

    left: int
    top: int
    codes: Codes

    def across(self, start: int, length: int) -> tuple[int, int]:
        """First and last column of the piece that lie in `length` sheet columns from `start` on."""
        return _overlap(self.left, self.codes.shape[1], start, length)

    def down(self, start: int, length: int) -> tuple[int, int]:
        """The same for rows."""
        return _overlap(self.top, self.codes.shape[0], start, length)


def _overlap(low: int, size: int, start: int, length: int) -> tuple[int, int]:
    first, last = max(low, start), min(low + size, start + length)
    return first - low, max(first, last) - low


def _verify_pixels(page: tifffile.TiffPage, drawn: Renderer) -> Verified:
    place = drawn.placement
    width, height = place.picture_px
    rows, columns = _spread(height, _ROWS), _spread(width, _COLUMNS * _PER_CROSSING)
    if place.turned:  # strips of the file run from head to foot: few of them must serve all rows
        columns = [
            min(column + step, width - 1) for column in _spread(width, _COLUMNS) for step in range(_PER_CROSSING)
        ]
    wanted = sorted({0, len(page.dataoffsets) - 1} | _strips(page, drawn, rows, columns))
    theirs: dict[tuple[int, int], NDArray[np.uint16]] = {}
    for cut in _cuts(page, drawn, wanted):
        _verify_border(cut, drawn)
        _collect(cut, drawn, rows, columns, theirs)
    return _compared(drawn, rows, columns, theirs)


def _spread(length: int, count: int) -> list[int]:
    """`count` places spread evenly over `length`, all of them where there are fewer; never the same twice."""
    return sorted({min(length - 1, int((index + 0.5) * length / count)) for index in range(count)})


def _strips(page: tifffile.TiffPage, drawn: Renderer, rows: list[int], columns: list[int]) -> set[int]:
    place = drawn.placement
    if place.turned:
        return {(place.left_px + column) // page.rowsperstrip for column in columns}
    return {(place.top_px + row) // page.rowsperstrip for row in rows}


def _cuts(page: tifffile.TiffPage, drawn: Renderer, strips: list[int]) -> Iterator[_Cut]:
    place = drawn.placement
    for strip in strips:
        codes, start = _decoded(page, strip, place.file_px[0]), strip * page.rowsperstrip
        if place.turned:
            yield _Cut(start, 0, np.rot90(codes))
        else:
            yield _Cut(0, start, codes)


def _decoded(page: tifffile.TiffPage, strip: int, width_px: int) -> Codes:
    handle = page.parent.filehandle
    handle.seek(page.dataoffsets[strip])
    decoded, _, shape = page.decode(handle.read(page.databytecounts[strip]), strip)
    return np.asarray(decoded).reshape(-1, width_px, 3)[: shape[1]]


def _verify_border(cut: _Cut, drawn: Renderer) -> None:
    """Outside the picture lie the marks and nothing else."""
    place = drawn.placement
    wanted = np.full(cut.codes.shape, NO_INK, np.uint16)
    for mark in drawn.marks:
        replace(mark, left_px=mark.left_px - cut.left).draw(wanted, cut.top)
    rows, columns = cut.down(place.top_px, place.picture_px[1]), cut.across(place.left_px, place.picture_px[0])
    wanted[slice(*rows), slice(*columns)] = cut.codes[slice(*rows), slice(*columns)]
    if not np.array_equal(wanted, cut.codes):
        raise OwnError("The border of the print file holds ink.")


def _collect(
    cut: _Cut, drawn: Renderer, rows: list[int], columns: list[int], found: dict[tuple[int, int], Codes]
) -> None:
    """The file's pixels at those of the sampled places that lie in this piece."""
    place = drawn.placement
    height, width = cut.codes.shape[:2]
    for row in rows:
        y = place.top_px + row - cut.top
        if not 0 <= y < height:
            continue
        for column in columns:
            x = place.left_px + column - cut.left
            if 0 <= x < width:
                found[row, column] = cut.codes[y, x]


def _compared(drawn: Renderer, rows: list[int], columns: list[int], theirs: dict[tuple[int, int], Codes]) -> Verified:
    ours = recomputed(drawn, rows, columns)
    file = np.array([theirs[row, column] for row in rows for column in columns], np.uint16)
    lab = [manager.to_lab(codes[None], drawn.paper_profile)[0].astype(np.float64) for codes in (ours, file)]
    apart = np.sqrt(((lab[0] - lab[1]) ** 2).sum(axis=-1))
    found = Verified(len(file), round(float(apart.mean()), 3), round(float(apart.max()), 2))
    if found.mean > _MEAN_LIMIT or found.worst > _PIXEL_LIMIT:
        raise OwnError(
            f"The print file's pixels differ from those computed again: by ΔE76 {found.mean} in the mean of "
            f"{found.pixels}, {found.worst} at most."
        )
    return found
