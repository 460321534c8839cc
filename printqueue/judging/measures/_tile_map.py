"""From values per cell of the sampled tiles to a coarse map of the whole picture."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from printqueue.judging.measures.tiles import TILE_PX, Tile

Cells = NDArray[np.float32]
_MAX_ACROSS = 400  # cells of the map per side; locating a region needs no more


def whole_map(tiles: Sequence[Tile], cells: Sequence[Cells], cell_px: int, picture_px: tuple[int, int]) -> Cells:
    """Map (H, W) of a picture of `picture_px` (width, height), with the value of the nearest cell at each place.

    `cells` has an array (h // cell_px, w // cell_px) for each tile; `cell_px` divides the tile's side.
    Places between two tiles get the value of the nearer; a narrow tile without a whole cell gives 0.
    """
    lefts, tops = sorted({tile.x for tile in tiles}), sorted({tile.y for tile in tiles})
    per_tile = TILE_PX // cell_px
    grid = np.zeros((len(tops) * per_tile, len(lefts) * per_tile), np.float32)
    for tile, values in zip(tiles, cells, strict=True):
        top, left = tops.index(tile.y) * per_tile, lefts.index(tile.x) * per_tile
        grid[top : top + values.shape[0], left : left + values.shape[1]] = values
    rows, columns = _nearest(tops, cell_px, picture_px[1]), _nearest(lefts, cell_px, picture_px[0])
    return np.asarray(grid[np.ix_(rows, columns)])


def _nearest(starts: Sequence[int], cell_px: int, length_px: int) -> NDArray[np.intp]:
    """For each place of the map along one side, the index of the cell with the nearest centre."""
    centres = np.array([start + first + cell_px / 2 for start in starts for first in range(0, TILE_PX, cell_px)])
    count = max(1, min(_MAX_ACROSS, length_px // cell_px))
    places = (np.arange(count) + 0.5) * length_px / count
    return np.asarray(np.searchsorted((centres[1:] + centres[:-1]) / 2, places), np.intp)
