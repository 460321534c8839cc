"""Steps in smooth areas: gradients that climb like stairs, as skies and fog do after strong edits in 8 bits.

Stairs are flat treads separated by rises that all go one way. They are looked for in square cells of
32 × 32 pixels, and again in cells of 64, 128 and 256 px using every second, fourth and eighth pixel, where wider
treads fit. Noise, grain and dithering leave no flat treads; an edge in the picture is one rise, not several
alike; a true 16-bit gradient has no rises.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from printqueue.core.model.region import Region
from printqueue.judging.measures._tile_map import whole_map
from printqueue.judging.measures.regions import largest_regions
from printqueue.judging.measures.tiles import Tile

CELL_PX = 32
COARSE_COUNTS = 1.5  # 8 bits alone produce rises of one count; coarser ones come from an edit or a conversion

_SCALES = (1, 2, 4, 8)
_ENDS = (0.5, 254.5)  # counts; beyond lie pure black and white, which have no treads
_MAX_AT_ENDS = 0.25  # of a cell
_FLAT = 0.25  # count; a smaller step is not a rise
_MIN_FLAT_SHARE = 0.8  # of neighbours in a cell
_MAX_RANGE = 40.0  # counts in a cell; a steeper gradient hides its rises
_ONE_WAY = 0.75  # of all variation goes in one direction
_MIN_IN_RISES = 0.5  # of the variation lies in single rises between treads
_MIN_RISES = 1.5  # along a line through the cell, on average
_ALIKE = 0.6  # squared mean of the rises over their mean square; 1 if all are equal

Cells = NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Banding:
    """Steps in smooth areas, over the sampled area; counts are 8-bit counts, in one channel.

    area_percent: share with rises of at least 1.5 counts. step_counts: their median, None if there are none.
    stepped_percent: share with rises of any height; a clean 8-bit gradient has those too, one count high.
    where: the largest coarse areas, largest first, with the median rise there.
    """

    area_percent: float
    step_counts: float | None
    stepped_percent: float
    where: tuple[Region, ...]


def measure_banding(tiles: Sequence[Tile], picture_px: tuple[int, int]) -> Banding:
    """Measure banding in a sample of a picture of `picture_px` (width, height)."""
    whole = [tile for tile in tiles if min(tile.codes.shape[:2]) >= CELL_PX]
    if not whole:
        return Banding(0.0, None, 0.0, ())
    rises = [_tile_rises(tile) for tile in whole]
    values = np.concatenate([one.ravel() for one in rises])
    coarse = values >= COARSE_COUNTS
    if not coarse.any():
        return Banding(0.0, None, 100 * float((values > 0).mean()), ())
    marked = [np.where(one >= COARSE_COUNTS, one, np.float32(0)) for one in rises]
    map_ = whole_map(whole, marked, CELL_PX, picture_px)
    return Banding(
        area_percent=100 * float(coarse.mean()),
        step_counts=float(np.median(values[coarse])),
        stepped_percent=100 * float((values > 0).mean()),
        where=largest_regions(map_ > 0, map_),
    )


def _tile_rises(tile: Tile) -> Cells:
    """Median rise in counts in each cell (h // 32, w // 32) of a tile, 0 without stairs; for the worst channel."""
    height, width = (side // CELL_PX for side in tile.codes.shape[:2])
    worst = np.zeros((height, width), np.float32)
    scale = np.float32(255 / np.iinfo(tile.codes.dtype).max)
    for channel in range(tile.codes.shape[-1]):
        plane = tile.codes[: height * CELL_PX, : width * CELL_PX, channel].astype(np.float32) * scale
        for every in _SCALES:
            found = _plane_rises(plane[::every, ::every])
            back = found.repeat(every, axis=0).repeat(every, axis=1)
            part = worst[: back.shape[0], : back.shape[1]]
            np.maximum(part, back[: part.shape[0], : part.shape[1]], out=part)
    return worst


def _plane_rises(plane: Cells) -> Cells:
    """Median rise in each cell of 32 × 32 samples; 0 if there are no stairs."""
    down, across = (side // CELL_PX for side in plane.shape)
    rises = np.zeros((down, across), np.float32)
    cells = plane[: down * CELL_PX, : across * CELL_PX].reshape(down, CELL_PX, across, CELL_PX)
    smooth = np.nonzero(_smooth(cells))
    if smooth[0].size:
        rises[smooth] = _stairs(cells.transpose(0, 2, 1, 3)[smooth])
    return rises


def _smooth(cells: Cells) -> NDArray[np.bool_]:
    """Cells (down, across) with a small range, not constant, in which most neighbours are equal."""
    span = cells.max(axis=(1, 3), initial=-np.inf) - cells.min(axis=(1, 3), initial=np.inf)
    candidates = (span >= _FLAT) & (span <= _MAX_RANGE)
    if not candidates.any():
        return np.asarray(candidates)
    flat_across = (np.abs(np.diff(cells, axis=3)) < _FLAT).mean(axis=(1, 3))
    flat_down = (np.abs(np.diff(cells, axis=1)) < _FLAT).mean(axis=(1, 3))
    return np.asarray(candidates & (np.minimum(flat_across, flat_down) >= _MIN_FLAT_SHARE))


def _stairs(cells: Cells) -> Cells:
    """Median rise (n,) of cells (n, 32, 32), each along the direction in which it changes more."""
    rows, columns = np.diff(cells, axis=1).transpose(0, 2, 1), np.diff(cells, axis=2)
    steeper = np.abs(rows).sum(axis=(1, 2)) > np.abs(columns).sum(axis=(1, 2))
    steps = np.where(steeper[:, None, None], rows, columns)
    height = np.abs(steps)
    total = height.sum(axis=(1, 2))
    flat = np.pad(height < _FLAT, ((0, 0), (0, 0), (1, 1)), constant_values=True)
    single = (height >= _FLAT) & flat[..., :-2] & flat[..., 2:]
    count = np.maximum(single.sum(axis=(1, 2)), 1)
    rises = np.where(single, height, 0)
    sum_, squares = rises.sum(axis=(1, 2)), (rises**2).sum(axis=(1, 2))
    ends = ((cells < _ENDS[0]) | (cells > _ENDS[1])).mean(axis=(1, 2))
    good = ends <= _MAX_AT_ENDS
    good &= np.abs(steps.sum(axis=(1, 2))) > _ONE_WAY * total
    good &= sum_ > _MIN_IN_RISES * total
    good &= count >= _MIN_RISES * CELL_PX
    good &= sum_**2 > _ALIKE * count * squares
    medians = [float(np.median(h[s])) if ok else 0.0 for h, s, ok in zip(height, single, good, strict=True)]
    return np.array(medians, np.float32)
