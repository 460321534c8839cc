"""Executes a plan: source bands in, sheet bands out; bounded memory, two threads, one conversion.

Per band of sheet rows: read → lift in linear light → resample to the exact pixel
size → `manager.to_paper`, once → place between borders of no ink.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from printqueue.colour import manager
from printqueue.colour.curves import channel_curves
from printqueue.colour.icc import Profile
from printqueue.model.picture import Source
from printqueue.model.request import Placement, Request
from printqueue.render.light import Light, light_of
from printqueue.render.resample import Resampler

Codes = NDArray[np.uint16]
T = TypeVar("T")
NO_INK = 65535  # device white of an RGB printer space: the paper stays bare, whatever the intent
BAND_ROWS = 256  # fixed: the grid of bands, not the number of threads, decides the bytes
THREADS = 2
_SOURCE_PIXELS = 6_000_000  # read for one piece of a band, so that a strong reduction of a huge picture stays bounded


def rows_at_once(placement: Placement, source_width_px: int) -> int:
    """Print rows that are made from one piece of the source."""
    _, top, _, bottom = placement.crop_px
    per_row = source_width_px * (bottom - top) / placement.picture_px[1]
    return max(1, int(_SOURCE_PIXELS / per_row))


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

    def sheet_bands(self, finish: Callable[[Codes], T]) -> Iterator[T]:
        """`finish` of each band of at most `BAND_ROWS` sheet rows, in order, top to bottom.

        `finish` gets (n, sheet width, 3) uint16 device RGB and runs in the worker threads, so
        that encoding shares both cores with the rest.
        """
        height = self.placement.sheet_px[1]

        def job(start: int) -> T:
            return finish(self.sheet_band(start, min(start + BAND_ROWS, height)))

        with ThreadPoolExecutor(THREADS) as pool:
            pending: deque[Future[T]] = deque()
            for start in range(0, height, BAND_ROWS):
                pending.append(pool.submit(job, start))
                if len(pending) > THREADS:
                    yield pending.popleft().result()
            while pending:
                yield pending.popleft().result()

    def sheet_band(self, start: int, stop: int) -> Codes:
        """Sheet rows `start` to `stop`: bare paper with the picture's part placed in it."""
        place = self.placement
        width, height = place.picture_px
        band = np.full((stop - start, place.sheet_px[0], 3), NO_INK, np.uint16)
        first, last = max(start, place.top_px), min(stop, place.top_px + height)
        if first < last:
            inked = self.picture_band(first - place.top_px, last - place.top_px)
            band[first - start : last - start, place.left_px : place.left_px + width] = inked
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
        pieces = [self._piece(first, min(first + step, stop)) for first in range(start, stop, step)]
        return pieces[0] if len(pieces) == 1 else np.concatenate(pieces)

    def _piece(self, start: int, stop: int) -> Codes:
        first, last = self.resampler.rows_needed(start, stop)
        planes = self.light.planes(self.source.rows(first, last))
        return self.light.codes([self.resampler.band(plane, first, start, stop) for plane in planes])


def renderer(
    source: Source,
    source_profile: bytes,
    profile: Profile,
    paper_profile: bytes,
    request: Request,
    placement: Placement,
) -> Renderer:
    """Prepare a renderer. `profile` holds the facts of `source_profile`. Raises `ProfileError`."""
    resampler = Resampler(source.facts.height_px, placement.crop_px, *placement.picture_px)
    curves = channel_curves(source_profile, profile)
    light = light_of(curves, lift_stops=request.lift_stops, linear=resampler.shrinks)
    return Renderer(source, source_profile, paper_profile, request, placement, resampler, light)
