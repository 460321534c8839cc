"""Executes a plan: source bands in, sheet bands out; bounded memory, two threads, one conversion.

Per band of sheet rows: read → lift in linear light → resample to the exact pixel size → sharpen, if asked for →
`manager.to_paper`, once → place between borders of no ink → turn by a quarter, if the printer needs it.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from typing import BinaryIO, TypeVar

import numpy as np
from numpy.typing import NDArray

from printqueue.colour import manager
from printqueue.colour.curves import channel_curves
from printqueue.colour.icc import Profile
from printqueue.model.picture import Source
from printqueue.model.request import Placement, Request
from printqueue.render.light import Light, light_of
from printqueue.render.marks import Mark
from printqueue.render.resample import Resampler, resampler
from printqueue.render.turning import turned

Codes = NDArray[np.uint16]
S = TypeVar("S")
T = TypeVar("T")
NO_INK = 65535  # device white of an RGB printer space: the paper stays bare, whatever the intent
BAND_ROWS = 256  # fixed: the grid of bands, not the number of threads, decides the bytes. The engine of colours takes
# 35 ms to prepare each call, fewer rows would cost time; more would cost memory (512: 5 % less time, 80 MB more)
PIECE_ROWS = 64  # resampled at once, in floating point
THREADS = 2
_SOURCE_PIXELS = 6_000_000  # read for one piece of a band, so that a strong reduction of a huge picture stays bounded


def rows_at_once(placement: Placement, source_width_px: int) -> int:
    """Print rows that are made from one piece of the source."""
    _, top, _, bottom = placement.crop_px
    per_row = source_width_px * (bottom - top) / placement.picture_px[1]
    return max(1, min(PIECE_ROWS, int(_SOURCE_PIXELS / per_row)))


@dataclass(frozen=True, slots=True)
class Renderer:
    """One picture on its way to one sheet; build with `renderer`."""

    source: Source
    source_profile: bytes
    paper_profile: bytes
    request: Request
    placement: Placement
    resampler: Resampler
    light: Light
    marks: tuple[Mark, ...] = ()  # lines and letters in the border

    def file_bands(self, finish: Callable[[Codes], T], scratch: BinaryIO | None = None) -> Iterator[T]:
        """`finish` of each band of at most `BAND_ROWS` rows of the print file, in order, top to bottom.

        `finish` gets (n, file width, 3) uint16 device RGB and runs in the worker threads, so that encoding shares
        both cores with the rest. A turned print needs an empty `scratch` file.
        """
        if not self.placement.turned:
            return _in_threads(lambda start: finish(self._from(start)), self._starts())
        assert scratch is not None
        upright = _in_threads(self._from, self._starts())
        return _in_threads(finish, turned(upright, self.placement.sheet_px, BAND_ROWS, scratch))

    def _starts(self) -> range:
        return range(0, self.placement.sheet_px[1], BAND_ROWS)

    def _from(self, start: int) -> Codes:
        return self.sheet_band(start, min(start + BAND_ROWS, self.placement.sheet_px[1]))

    def sheet_band(self, start: int, stop: int) -> Codes:
        """Sheet rows `start` to `stop`, as looked at: bare paper, the picture's part placed in it, and the marks."""
        place = self.placement
        width, height = place.picture_px
        band = np.full((stop - start, place.sheet_px[0], 3), NO_INK, np.uint16)
        first, last = max(start, place.top_px), min(stop, place.top_px + height)
        if first < last:
            inked = self.picture_band(first - place.top_px, last - place.top_px)
            band[first - start : last - start, place.left_px : place.left_px + width] = inked
        for mark in self.marks:
            mark.draw(band, start)
        return band

    def picture_band(self, start: int, stop: int) -> Codes:
        """Picture rows `start` to `stop` in the paper's device RGB."""
        return manager.to_paper(
            self.delivered_band(start, stop),
            self.source_profile,
            self.paper_profile,
            intent=self.request.intent,
            black_point_compensation=self.request.black_point_compensation,
        )

    def delivered_band(self, start: int, stop: int) -> Codes:
        """The same rows, lifted and at print size, still in the source's own space."""
        step = rows_at_once(self.placement, self.source.facts.width_px)
        channels = () if self.source.facts.colour == "grey" else (3,)
        found = np.empty((stop - start, self.placement.picture_px[0], *channels), np.uint16)
        for first in range(start, stop, step):
            self._piece(first, min(first + step, stop), found[first - start : first - start + step])
        return found

    def _piece(self, start: int, stop: int, out: Codes) -> None:
        first, last = self.resampler.rows_needed(start, stop)
        planes = self.light.planes(self.source.rows(first, last))
        self.light.codes([self.resampler.band(plane, first, start, stop) for plane in planes], out)


def _in_threads(task: Callable[[S], T], items: Iterable[S]) -> Iterator[T]:
    """`task` of each item, in order, in `THREADS` threads; never more than one finished result waits."""
    with ThreadPoolExecutor(THREADS) as pool:
        pending: deque[Future[T]] = deque()
        for item in items:
            pending.append(pool.submit(task, item))
            if len(pending) > THREADS:
                yield pending.popleft().result()
        while pending:
            yield pending.popleft().result()


def renderer(
    source: Source,
    source_profile: bytes,
    profile: Profile,
    paper_profile: bytes,
    request: Request,
    placement: Placement,
) -> Renderer:
    """Prepare a renderer. `profile` holds the facts of `source_profile`. Raises `ProfileError`."""
    facts = source.facts
    resizing = resampler(facts.width_px, facts.height_px, placement.crop_px, placement.picture_px)
    curves = channel_curves(source_profile, profile)
    light = light_of(curves, lift_stops=request.lift_stops, linear=resizing.shrinks)
    return Renderer(source, source_profile, paper_profile, request, placement, resizing, light)
