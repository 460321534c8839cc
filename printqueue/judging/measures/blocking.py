"""Traces of JPEG compression: visible steps at the edges of its 8 × 8 blocks, and how coarsely it rounded.

Both are read from the file's own pixels, whatever container they have passed through: the blocks stay where they
were through a TIFF, a crop, 16 bits or a curve. There are two lines of evidence:

- **Visible blocks.** In calm places, how much larger the step between neighbouring pixels is at block
  edges than beside them, relative to the picture's own activity there, because detail hides blocks.
- **Rounding.** The format divides each block's cosine coefficients by a table of whole numbers (ITU-T T.81,
  A.3.4). Unless the picture has been changed since, the coefficients still lie on multiples of those numbers,
  which give the quality setting on the usual scale of 1 to 100.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from printqueue.core.model.region import Region
from printqueue.judging.measures._tile_map import whole_map
from printqueue.judging.measures.regions import largest_regions
from printqueue.judging.measures.tiles import TILE_PX, Tile

BLOCK_PX = 8
_COUNTS = np.float32(255)  # steps are in counts of an 8-bit picture, whatever the file's depth

_MIN_SIDE_PX = 64  # a tile less than eight block edges wide says little
_CALM = np.float32(0.03 * 255)  # counts; beside a steeper step no block edge is visible
_CLIP = np.float32(0.02 * 255)  # counts; a larger step is not a block edge
_TRIM = 8  # of a tile's block edges, an eighth is dropped at each end: borders and lines in the picture
_UNSEEN = 1.0  # count; the smallest step in 8 bits, added to the activity
_MIN_CALM_SHARE = 0.02  # of all places; with fewer, the picture has no calm place in which to see blocks
_NEGLIGIBLE = 1.0  # %
_PATTERN = 0.5  # correlation over one or two blocks: the steps repeat as compression never makes them

_MANY_TILES = 32  # with more, every second line across the steps is enough, because neighbouring lines are alike

_MIN_BLOCKS = 30
_MAX_BLOCKS = 2000
_MIN_BEYOND = 40  # coefficients not rounded to zero
_COMB = 0.55  # mean of cos(2π c / q); 1 on an exact comb, 0.6 on one of step 2 after rounding to 8 bits
_COMB_SIGMAS = 6.0  # of the mean over random phases, 1 / √(2n)
_MIN_TABLE = 3  # table entries found
_MAX_TABLE_ERROR = 0.2  # natural logarithm; farther than this from every table on the scale, it is not one of them

_LUMA_601 = np.array([0.299, 0.587, 0.114], np.float32)  # ITU-T T.871 (JFIF): the luma that was compressed
# ITU-T T.81, table K.1, the ten lowest frequencies (down, across) after the mean
_FREQUENCIES = ((0, 1), (1, 0), (1, 1), (0, 2), (2, 0), (1, 2), (2, 1), (2, 2), (0, 3), (3, 0))
_TABLE_K1 = np.array([11, 12, 12, 10, 14, 14, 13, 16, 16, 14])

Plane = NDArray[np.float32]
Values = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Blocking:
    """Traces of compression in 8 × 8 blocks.

    score_percent: step at block edges beyond the steps beside them, in % of the activity there plus one
    count; the smaller of both directions; 0 without blocks; None if the picture has no calm place or is
    smaller than 64 px. step_counts: that step itself, in 8-bit counts.
    quality: approximate setting (1 to 100) of the last save; None if no rounding is left to see.
    where: where the blocks stand out most, worst first, with the local score; () without blocks.
    """

    score_percent: float | None
    step_counts: float | None
    quality: int | None
    where: tuple[Region, ...]


@dataclass(frozen=True, slots=True)
class _BlockEdges:
    """For one tile and direction, by phase of the 8-px grid (8,): mean extra step in calm places in counts, and the
    share of all places whose step is larger than both its neighbours; mean activity in counts."""

    extra: Values
    larger: Values
    activity: float
    calm: float  # places


def measure_blocking(tiles: Sequence[Tile]) -> Blocking:
    """Measure blocks in a sample of a picture; the tiles begin at multiples of 8 px."""
    large = [tile for tile in tiles if min(tile.codes.shape[:2]) >= _MIN_SIDE_PX]
    every = 2 if len(large) > _MANY_TILES else 1
    across = [_edges(_counts(tile)[::every], tile.x) for tile in large]
    down = [_edges(np.ascontiguousarray(_counts(tile)[:, ::every].T), tile.y) for tile in large]
    places = sum(tile.codes.shape[0] * tile.codes.shape[1] for tile in large) / every
    if not large or min(_calm(across), _calm(down)) < max(1.0, _MIN_CALM_SHARE * places):
        return Blocking(None, None, None, ())
    phase = _phase(across), _phase(down)
    step, score = min(_pooled(across), _pooled(down), key=lambda found: found[1])
    quality = _first_quality(large, (phase, (_busy_phase(across), _busy_phase(down)), (0, 0)))
    if (score > _NEGLIGIBLE or quality is not None) and _is_pattern(large, phase):
        return Blocking(0.0, 0.0, None, ())
    if score <= 0:
        return Blocking(0.0, 0.0, quality, ())
    local = [min(_local(a, phase[0]), _local(d, phase[1])) for a, d in zip(across, down, strict=True)]
    return Blocking(score, step, quality, _places(large, local))


def _counts(tile: Tile) -> Plane:
    """Encoded luma in 8-bit counts."""
    return tile.tone * _COUNTS


def _edges(plane: Plane, first: int) -> _BlockEdges:
    """Extra steps between columns, by the phase of the right one; `first` is the picture's column of column 0."""
    step = np.abs(np.diff(plane, axis=1))
    before, here, after = step[:, :-2], step[:, 1:-1], step[:, 2:]
    beside = np.maximum(before, after)
    calm = (beside < _CALM).astype(np.float32)
    extra = np.clip(here - np.float32(0.5) * (before + after), -_CLIP, _CLIP)
    places = calm.sum(axis=0, dtype=np.float64)
    column = np.einsum("ij,ij->j", extra, calm).astype(np.float64) / np.maximum(places, 1)
    activity = float(np.einsum("ij,ij->", np.minimum(here, _CALM), calm))
    larger = (here > beside).mean(axis=0)
    by_phase = [_by_phase(kind, first + 2) for kind in (column, larger)]
    return _BlockEdges(by_phase[0], by_phase[1], activity / max(float(places.sum()), 1.0), float(places.sum()))


def _by_phase(values: Values, first: int) -> Values:
    """Means (8,) by phase of values (n,) of columns `first`, `first` + 1, …, without the highest and lowest
    eighth of each: a straight line in the picture is not a block edge."""
    periods = np.sort(values[: values.size // BLOCK_PX * BLOCK_PX].reshape(-1, BLOCK_PX), axis=0)
    cut = max(1, len(periods) // _TRIM)
    return np.roll(periods[cut:-cut].mean(axis=0), first % BLOCK_PX)


def _calm(edges: Sequence[_BlockEdges]) -> float:
    return sum(one.calm for one in edges)


def _mean(edges: Sequence[_BlockEdges]) -> Values:
    weights = np.array([one.calm for one in edges])
    return np.asarray(np.average([one.extra for one in edges], axis=0, weights=weights))


def _phase(edges: Sequence[_BlockEdges]) -> int:
    return int(np.argmax(_mean(edges)))


def _busy_phase(edges: Sequence[_BlockEdges]) -> int:
    """The phase according to detail, if no place is calm enough: where steps exceed their neighbours."""
    return int(np.argmax(sum(one.larger for one in edges)))


def _pooled(edges: Sequence[_BlockEdges]) -> tuple[float, float]:
    """Extra step (counts) of the strongest phase over the second strongest, and the score in %.

    The second, not the mean of the others: an enlargement by 2 or 4 has two or four strong phases.
    """
    second, first = np.sort(_mean(edges))[-2:]
    activity = float(np.average([one.activity for one in edges], weights=[one.calm for one in edges]))
    step = max(0.0, float(first - second))
    return step, 100 * step / (activity + _UNSEEN)


def _local(edges: _BlockEdges, phase: int) -> float:
    """One tile's score at the picture's phase, %; 0 if it has hardly any calm place."""
    if edges.calm < _MIN_CALM_SHARE * TILE_PX**2 / 2:
        return 0.0
    others = np.delete(edges.extra, phase).max()
    return max(0.0, 100 * float(edges.extra[phase] - others) / (edges.activity + _UNSEEN))


def _is_pattern(tiles: Sequence[Tile], phase: tuple[int, int]) -> bool:
    """Whether the steps at the block edges repeat from block to block in both directions.

    Rounding leaves steps of any sign and size; a chequered cloth or a screen of 8 px repeats them.
    """
    across = _repeats([(_counts(tile), tile.x) for tile in tiles], phase[0])
    down = _repeats([(np.ascontiguousarray(_counts(tile).T), tile.y) for tile in tiles], phase[1])
    return min(across, down) > _PATTERN


def _repeats(planes: Sequence[tuple[Plane, int]], phase: int) -> float:
    """The stronger correlation of steps one or two blocks apart, ignoring its sign; 0..1.

    Taken about the tile's mean: in a clear sky all blocks climb alike, which is not a pattern.
    """
    together, alone = np.zeros(2), np.zeros(2)
    for plane, first in planes:
        start = (phase - first) % BLOCK_PX + BLOCK_PX - 2
        edges = (plane.shape[1] - start) // BLOCK_PX
        before, left, here, right = (plane[:, start + n :: BLOCK_PX][:, :edges] for n in range(4))
        jump = np.clip((here - left) - np.float32(0.5) * ((left - before) + (right - here)), -_CLIP, _CLIP)
        jump -= jump.mean()
        for index, apart in enumerate((1, 2)):
            together[index] += float(np.einsum("ij,ij->", jump[:, :-apart], jump[:, apart:]))
            alone[index] += float(np.einsum("ij,ij->", jump[:, :-apart], jump[:, :-apart]))
    return float((np.abs(together) / np.maximum(alone, 1e-6)).max())


def _places(tiles: Sequence[Tile], local: Sequence[float]) -> tuple[Region, ...]:
    """The quarter of the tiles where blocks stand out most, as connected pieces."""
    values = np.array(local, np.float32)
    quarter = float(np.percentile(values, 75))
    cells = [np.array([[value if value >= quarter else 0.0]], np.float32) for value in values]
    lefts, tops = [tile.x for tile in tiles], [tile.y for tile in tiles]
    # the grid is centred, so as much is left out on the right as on the left
    width = min(lefts) + max(tile.x + tile.codes.shape[1] for tile in tiles)
    height = min(tops) + max(tile.y + tile.codes.shape[0] for tile in tiles)
    map_ = whole_map(tiles, cells, TILE_PX, (width, height))
    found = largest_regions(map_ > 0, map_)
    return tuple(sorted(found, key=lambda region: -(region.value or 0.0)))


# --- rounding of the cosine coefficients ---------------------------------------------------------------


def _cosines() -> Plane:
    """The orthonormal cosine transform of 8 values (ITU-T T.81, A.3.3), (8, 8)."""
    k, n = np.indices((BLOCK_PX, BLOCK_PX))
    scale = np.where(k == 0, np.sqrt(1 / BLOCK_PX), np.sqrt(2 / BLOCK_PX))
    return np.asarray(scale * np.cos((2 * n + 1) * k * np.pi / (2 * BLOCK_PX)), np.float32)


_COSINES = _cosines()


def _tables() -> Values:
    """Table entries at `_FREQUENCIES` for quality 1 to 100, (100, 10).

    The scale of the format's reference library: table K.1 × (5000 / q below 50, else 200 − 2 q) %.
    """
    quality = np.arange(1, 101)[:, None]
    percent = np.where(quality < 50, 5000 // quality, 200 - 2 * quality)
    return np.asarray(np.clip((_TABLE_K1 * percent + 50) // 100, 1, 255), np.float64)


_TABLES = _tables()


def _first_quality(tiles: Sequence[Tile], phases: Sequence[tuple[int, int]]) -> int | None:
    """The quality at the first of these phases that yields one; a picture that was never cropped has phase 0."""
    for phase in dict.fromkeys(phases):
        quality = _quality(tiles, phase)
        if quality is not None:
            return quality
    return None


def _quality(tiles: Sequence[Tile], phase: tuple[int, int]) -> int | None:
    """The quality whose table fits the steps of the coefficients; None if they are not rounded."""
    max_blocks = -(-_MAX_BLOCKS // len(tiles))
    blocks = np.concatenate([_blocks(tile, phase, max_blocks) for tile in tiles])
    if len(blocks) < _MIN_BLOCKS:
        return None
    spectra = _COSINES @ blocks @ _COSINES.T
    steps = np.array([_rounding_step(spectra[:, v, u]) for v, u in _FREQUENCIES])
    known = np.isfinite(steps)
    if np.count_nonzero(known) < _MIN_TABLE:
        return None
    error = np.median(np.abs(np.log(steps[known] / _TABLES[:, known])), axis=1)
    mean = np.abs(np.log(steps[known] / _TABLES[:, known])).mean(axis=1)
    best = int(np.argmin(error + 0.1 * mean))  # the mean breaks ties
    return best + 1 if error[best] < _MAX_TABLE_ERROR else None


def _blocks(tile: Tile, phase: tuple[int, int], max_blocks: int) -> Plane:
    """About `max_blocks` blocks (n, 8, 8) of a tile's luma at most, as compressed, in counts; none that clip."""
    left, top = ((p - first) % BLOCK_PX for p, first in zip(phase, (tile.x, tile.y), strict=True))
    codes = tile.codes[top:, left:]
    rows, columns = codes.shape[0] // BLOCK_PX, codes.shape[1] // BLOCK_PX
    codes = codes[: rows * BLOCK_PX, : columns * BLOCK_PX].reshape(rows, BLOCK_PX, columns, BLOCK_PX, -1)
    every = max(1, rows * columns // max(1, 2 * max_blocks))  # some will clip
    row, column = np.divmod(np.arange(0, rows * columns, every), columns)
    taken = codes.transpose(0, 2, 1, 3, 4)[row, column]
    scale = _COUNTS / np.float32(np.iinfo(codes.dtype).max)
    values = taken.astype(np.float32) * scale
    luma = values[..., 0] if values.shape[-1] == 1 else values @ _LUMA_601
    inside = (luma.min(axis=(1, 2)) >= 1) & (luma.max(axis=(1, 2)) <= 254)
    return np.asarray(luma[inside][:max_blocks], np.float32)


def _rounding_step(coefficients: Plane) -> float:
    """The largest whole step of which the coefficients (n,) are multiples; NaN if there is none.

    Only those not rounded to zero count: a smooth picture's small coefficients fit every large step. They must
    also differ, which those of an 8-px screen do not.
    """
    size = np.abs(coefficients)
    found, best = np.nan, 0.0
    for step in range(2, 100):
        far = size > 0.6 * step
        beyond = size[far]
        if beyond.size < _MIN_BEYOND:
            break
        comb = float(np.cos(beyond * np.float32(2 * np.pi / step)).mean())
        if comb < _COMB or comb * np.sqrt(2 * beyond.size) < _COMB_SIGMAS:
            continue
        if float(coefficients[far].std()) < 0.5 * step:
            continue
        if not found * 1.2 >= step or comb > best:  # a multiple of the last step, or a better fit next to it
            found, best = float(step), comb
    return found
