"""Checks our own print file before anyone sees it: reads it back with the library and recomputes some of its pixels."""

from __future__ import annotations

import hashlib
import struct
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import BinaryIO

import numpy as np
import tifffile
from numpy.typing import NDArray

from printqueue.core.errors import OwnError
from printqueue.imaging.colour import manager
from printqueue.imaging.jobs import Verified
from printqueue.imaging.render.recompute import recomputed
from printqueue.imaging.render.sheet import NO_INK, Cell, Sheet

Codes = NDArray[np.uint16]
_ROWS, _COLUMNS = 10, 10  # where the sheet is cut; the sample lies at the crossings
_PER_CROSSING = 10
# ΔE76 on the paper. A correct print is off by 0.055 on average and 0.93 at the worst pixel, due to the engine's table
# (192 prints: four papers × four source spaces × random colours and a photograph × three scales × two intents).
_MEAN_LIMIT, _PIXEL_LIMIT = 0.15, 2.0


def verify(stream: BinaryIO, sheet: Sheet) -> Verified:
    """Compare size, bits, resolution, profile, border and about 1,000 pixels with the plan.

    The pixels are recomputed from the master along a separate path (`recompute`). A single wrong strip between those
    sampled goes unnoticed. Raises `OwnError`: a file that differs must never be published.
    """
    stream.seek(0)
    try:
        with tifffile.TiffFile(stream, name="print.tif") as tiff:
            page = tiff.pages.first
            _verify_header(page, sheet)
            _verify_length(page)
            return _verify_pixels(page, sheet)
    except (tifffile.TiffFileError, struct.error, LookupError, ValueError, TypeError) as error:
        raise OwnError("The print file cannot be read back.") from error


def _verify_header(page: tifffile.TiffPage, sheet: Sheet) -> None:
    width, height = sheet.file_px
    if page.shape != (height, width, 3) or page.dtype != np.uint16:
        raise OwnError(f"The print file came out as {page.shape} {page.dtype}, not {height} × {width} × 3 at 16 bit.")
    ppi = (sheet.ppi, 1)
    if (page.tags[282].value, page.tags[283].value, page.tags[296].value) != (ppi, ppi, 2):
        raise OwnError(f"The print file does not carry {sheet.ppi} ppi.")
    embedded = page.tags[34675].value
    if hashlib.sha256(embedded).digest() != hashlib.sha256(sheet.paper_profile).digest():
        raise OwnError("The print file does not carry the paper's profile byte for byte.")


def _verify_length(page: tifffile.TiffPage) -> None:
    end = max(offset + count for offset, count in zip(page.dataoffsets, page.databytecounts, strict=True))
    if end > page.parent.filehandle.size:
        raise OwnError("The print file ends before its pixels do.")


@dataclass(frozen=True, slots=True)
class _Cut:
    """A piece of the sheet as viewed, read back: its corner in sheet pixels and its codes (h, w, 3)."""

    left: int
    top: int
    codes: Codes

    def across(self, start: int, length: int) -> tuple[int, int]:
        """The first and last of the piece's columns among the `length` sheet columns from `start` on."""
        return _overlap(self.left, self.codes.shape[1], start, length)

    def down(self, start: int, length: int) -> tuple[int, int]:
        """The same for rows."""
        return _overlap(self.top, self.codes.shape[0], start, length)


def _overlap(low: int, size: int, start: int, length: int) -> tuple[int, int]:
    first, last = max(low, start), min(low + size, start + length)
    return first - low, max(first, last) - low


@dataclass(frozen=True, slots=True)
class _Sample:
    """The pixels of one picture to compare: where its `rows` and `columns` cross."""

    cell: Cell
    rows: list[int]
    columns: list[int]


def _verify_pixels(page: tifffile.TiffPage, sheet: Sheet) -> Verified:
    samples = [_sample(cell, turned=sheet.turned, share=len(sheet.cells)) for cell in sheet.cells]
    with ThreadPoolExecutor(1) as pool:  # read the master and the print in parallel
        ours = [pool.submit(recomputed, one.cell.picture, one.rows, one.columns) for one in samples]
        theirs = _read_back(page, sheet, samples)
        made = zip(samples, theirs, ours, strict=True)
        return _judged([_apart(sample, file, again.result()) for sample, file, again in made])


def _read_back(page: tifffile.TiffPage, sheet: Sheet, samples: list[_Sample]) -> list[dict[tuple[int, int], Codes]]:
    """The file's pixels at each picture's sampled places; also checks the border on the way."""
    strips = {strip for sample in samples for strip in _strips(page, sample, turned=sheet.turned)}
    found: list[dict[tuple[int, int], Codes]] = [{} for _ in samples]
    for cut in _cuts(page, sheet, sorted({0, len(page.dataoffsets) - 1} | strips)):
        _verify_border(cut, sheet)
        for sample, theirs in zip(samples, found, strict=True):
            _collect(cut, sample, theirs)
    return found


def _sample(cell: Cell, *, turned: bool, share: int) -> _Sample:
    """About 1,000 pixels over all `share` pictures of a sheet."""
    width, height = cell.size_px
    rows, columns = _spread(height, _ROWS), _spread(width, max(_PER_CROSSING, _COLUMNS * _PER_CROSSING // share))
    if turned:  # the file's strips run from head to foot of the sheet, so a few strips must serve all rows
        columns = [
            min(column + step, width - 1) for column in _spread(width, _COLUMNS) for step in range(_PER_CROSSING)
        ]
    return _Sample(cell, rows, columns)


def _spread(length: int, count: int) -> list[int]:
    """`count` places spread evenly over `length`, or all places if there are fewer; no duplicates."""
    return sorted({min(length - 1, int((index + 0.5) * length / count)) for index in range(count)})


def _strips(page: tifffile.TiffPage, sample: _Sample, *, turned: bool) -> set[int]:
    cell = sample.cell
    if turned:
        return {(cell.left_px + column) // page.rowsperstrip for column in sample.columns}
    return {(cell.top_px + row) // page.rowsperstrip for row in sample.rows}


def _cuts(page: tifffile.TiffPage, sheet: Sheet, strips: list[int]) -> Iterator[_Cut]:
    for strip in strips:
        codes, start = _decoded(page, strip, sheet.file_px[0]), strip * page.rowsperstrip
        if sheet.turned:
            yield _Cut(start, 0, np.rot90(codes))
        else:
            yield _Cut(0, start, codes)


def _decoded(page: tifffile.TiffPage, strip: int, width_px: int) -> Codes:
    handle = page.parent.filehandle
    handle.seek(page.dataoffsets[strip])
    decoded, _, shape = page.decode(handle.read(page.databytecounts[strip]), strip)
    return np.asarray(decoded).reshape(-1, width_px, 3)[: shape[1]]


def _verify_border(cut: _Cut, sheet: Sheet) -> None:
    """Check that the marks, and nothing else, lie outside the pictures."""
    wanted = np.full(cut.codes.shape, NO_INK, np.uint16)
    for mark in sheet.marks:
        replace(mark, left_px=mark.left_px - cut.left).draw(wanted, cut.top)
    for cell in sheet.cells:
        width, height = cell.size_px
        rows, columns = slice(*cut.down(cell.top_px, height)), slice(*cut.across(cell.left_px, width))
        wanted[rows, columns] = cut.codes[rows, columns]
    if not np.array_equal(wanted, cut.codes):
        raise OwnError("The border of the print file holds ink.")


def _collect(cut: _Cut, sample: _Sample, found: dict[tuple[int, int], Codes]) -> None:
    """Collect the file's pixels at the sampled places that lie in this piece."""
    cell, (height, width) = sample.cell, cut.codes.shape[:2]
    for row in sample.rows:
        y = cell.top_px + row - cut.top
        if not 0 <= y < height:
            continue
        for column in sample.columns:
            x = cell.left_px + column - cut.left
            if 0 <= x < width:
                found[row, column] = cut.codes[y, x]


def _apart(sample: _Sample, theirs: dict[tuple[int, int], Codes], ours: Codes) -> NDArray[np.float64]:
    """ΔE76 on the paper between the file's pixels and `ours`, the recomputed ones, (n,)."""
    drawn = sample.cell.picture
    file = np.array([theirs[row, column] for row in sample.rows for column in sample.columns], np.uint16)
    lab = [manager.to_lab(codes[None], drawn.paper_profile)[0].astype(np.float64) for codes in (ours, file)]
    return np.asarray(np.sqrt(((lab[0] - lab[1]) ** 2).sum(axis=-1)))


def _judged(apart: list[NDArray[np.float64]]) -> Verified:
    every = np.concatenate(apart)
    found = Verified(len(every), round(float(every.mean()), 3), round(float(every.max()), 2))
    worst_mean = round(max(float(one.mean()) for one in apart), 3)  # a wrong picture must not hide among correct ones
    if worst_mean > _MEAN_LIMIT or found.worst > _PIXEL_LIMIT:
        raise OwnError(
            f"The print file's pixels differ from those computed again: by ΔE76 {worst_mean} in the mean of "
            f"{found.pixels}, {found.worst} at most."
        )
    return found
