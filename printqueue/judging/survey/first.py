"""The first pass: every row once, at full resolution; the same for every print of the picture.

It proves that the picture can be read to its end, counts the levels, and keeps the working copy and
the tiles for later measurements, which need not read the picture again.
"""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from printqueue.imaging import reduce
from printqueue.imaging.render.bands import FIRST_ROWS, THREADS
from printqueue.imaging.source import Samples, Source
from printqueue.judging.measures import levels
from printqueue.judging.measures.tiles import TILE_PX, Tile, tile_grid

Codes = NDArray[np.uint16]


@dataclass(frozen=True, slots=True)
class FirstPass:
    """The results of reading every row once."""

    rows: int
    levels: levels.Levels
    copy: Codes  # (h, w, C) block means
    tiles: tuple[Tile, ...]


@dataclass(frozen=True, slots=True)
class _Band:
    counts: levels.Histogram
    copy: Codes
    strips: list[Samples]  # the parts of the tiles that lie in these rows, in the order of `_strips`


def first_pass(source: Source) -> FirstPass:
    """Read the whole picture. Raises `PictureError` if the data are damaged."""
    facts = source.facts
    side = reduce.block_size(facts.width_px, facts.height_px)
    step = max(side, FIRST_ROWS // side * side)
    lefts, tops = tile_grid(facts.width_px, facts.height_px)

    def band(start: int) -> _Band:
        rows = source.rows(start, min(start + step, facts.height_px))
        return _Band(levels.histogram(rows), reduce.block_means(rows, side), _strips(rows, start, lefts, tops))

    counts: NDArray[np.int64] | int = 0
    copies, strips = [], []
    with ThreadPoolExecutor(THREADS) as pool:
        for one in pool.map(band, range(0, facts.height_px, step)):
            counts = counts + one.counts
            copies.append(one.copy)
            strips.append(one.strips)
    tiles = _tiles(strips, lefts, tops)
    return FirstPass(facts.height_px, levels.measure_levels(np.asarray(counts)), np.concatenate(copies), tiles)


def _strips(rows: Samples, start: int, lefts: Sequence[int], tops: Sequence[int]) -> list[Samples]:
    """Each tile's share of the rows from `start` on, row by row of tiles; copied, so that the band can be freed."""
    spans = [(max(top - start, 0), max(top + TILE_PX - start, 0)) for top in tops]
    return [rows[first:last, left : left + TILE_PX].copy() for first, last in spans for left in lefts]


def _tiles(strips: Sequence[Sequence[Samples]], lefts: Sequence[int], tops: Sequence[int]) -> tuple[Tile, ...]:
    places = [(left, top) for top in tops for left in lefts]
    parts = zip(*strips, strict=True)
    return tuple(Tile(np.concatenate(part), *place) for part, place in zip(parts, places, strict=True))
