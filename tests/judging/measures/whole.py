"""Whole pictures in memory, measured in one go; the survey takes them in bands."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from printqueue.imaging.source import Samples
from printqueue.judging.measures.halo import LEVELS, MIN_EDGES, Halo, find_edges, score
from printqueue.judging.measures.tiles import TILE_PX, Tile, tile_grid


def tiles_of(codes: Samples) -> list[Tile]:
    """The tiles of a picture (H, W, C)."""
    height, width = codes.shape[:2]
    lefts, tops = tile_grid(width, height)
    return [Tile(codes[y : y + TILE_PX, x : x + TILE_PX], x, y) for y in tops for x in lefts]


def measure_halo(tone: NDArray[np.float32], *, min_edges: int = MIN_EDGES) -> Halo:
    """Halo of a plane (H, W) of perceptual tone, L* / 100 in 0..1; linear light gives a wrong score."""
    return score({level: [find_edges(tone, level=level)] for level in LEVELS}, min_edges=min_edges)
