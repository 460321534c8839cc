"""The print file's pixels: pictures placed between bare paper and marks, in bands; two threads, bounded memory."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from typing import BinaryIO, TypeVar

import numpy as np
from numpy.typing import NDArray

from printqueue.imaging.render.bands import SHEET_ROWS, THREADS
from printqueue.imaging.render.engine import Renderer
from printqueue.imaging.render.marks import InkMark
from printqueue.imaging.render.turning import turned

Codes = NDArray[np.uint16]
S = TypeVar("S")
T = TypeVar("T")
NO_INK = 65535  # device white of an RGB printer space: the paper stays bare, whatever the intent


@dataclass(frozen=True, slots=True)
class Cell:
    """One picture on a sheet, with its top left corner in sheet pixels."""

    left_px: int
    top_px: int
    picture: Renderer

    @property
    def size_px(self) -> tuple[int, int]:
        """Width and height of the picture on the sheet."""
        return self.picture.placement.picture_px

    def rows(self, start: int, stop: int) -> Codes | None:
        """Its pixels in sheet rows `start` to `stop`, None if it has none there."""
        first, last = max(start, self.top_px), min(stop, self.top_px + self.size_px[1])
        return self.picture.picture_band(first - self.top_px, last - self.top_px) if first < last else None


@dataclass(frozen=True, slots=True)
class Sheet:
    """A sheet of paper: `size_px` as viewed; `turned`: the file's pixels are a quarter turn clockwise from that."""

    size_px: tuple[int, int]
    ppi: int
    paper_profile: bytes
    cells: tuple[Cell, ...]
    marks: tuple[InkMark, ...] = ()  # lines and letters outside the pictures
    turned: bool = False

    @property
    def file_px(self) -> tuple[int, int]:
        """Width and height of the print file."""
        return (self.size_px[1], self.size_px[0]) if self.turned else self.size_px

    def file_bands(self, finish: Callable[[Codes], T], scratch: BinaryIO | None = None) -> Iterator[T]:
        """Yield `finish` of each band of at most `SHEET_ROWS` rows of the print file, top to bottom.

        `finish` gets (n, file width, 3) uint16 device RGB and runs in the worker threads, so that encoding shares
        both cores with everything else. A turned sheet needs an empty `scratch` file.
        """
        if not self.turned:
            return _in_threads(lambda start: finish(self._from(start)), self._starts())
        assert scratch is not None
        upright = _in_threads(self._from, self._starts())
        return _in_threads(finish, turned(upright, self.size_px, SHEET_ROWS, scratch))

    def _starts(self) -> range:
        return range(0, self.size_px[1], SHEET_ROWS)

    def _from(self, start: int) -> Codes:
        return self.band(start, min(start + SHEET_ROWS, self.size_px[1]))

    def band(self, start: int, stop: int) -> Codes:
        """Sheet rows `start` to `stop`, as viewed: bare paper, the parts of pictures on it, and the marks."""
        inked = [
            (cell, cell.rows(start, stop)) for cell in self.cells
        ]  # before allocating the band: converting takes twice the memory
        band = np.full((stop - start, self.size_px[0], 3), NO_INK, np.uint16)
        for cell, rows in inked:
            if rows is not None:
                top = max(start, cell.top_px) - start
                band[top : top + rows.shape[0], cell.left_px : cell.left_px + rows.shape[1]] = rows
        for mark in self.marks:
            mark.draw(band, start)
        return band


def sheet_of(drawn: Renderer, marks: tuple[InkMark, ...] = ()) -> Sheet:
    """The sheet of one print, with its picture where its placement says."""
    place = drawn.placement
    cell = Cell(place.left_px, place.top_px, drawn)
    return Sheet(place.sheet_px, place.ppi, drawn.paper_profile, (cell,), marks, place.turned)


def _in_threads(task: Callable[[S], T], items: Iterable[S]) -> Iterator[T]:
    """Yield `task` of each item, in order, from `THREADS` threads; never more than one finished result waits."""
    with ThreadPoolExecutor(THREADS) as pool:
        pending: deque[Future[T]] = deque()
        for item in items:
            pending.append(pool.submit(task, item))
            if len(pending) > THREADS:
                yield pending.popleft().result()
        while pending:
            yield pending.popleft().result()
