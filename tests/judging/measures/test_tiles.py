"""The sample of native pixels: bounded, even, on the grid of JPEG blocks."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from printqueue.judging.measures.tiles import MAX_TILES, TILE_PX, Tile, tile_grid
from tests.judging.measures.whole import tiles_of


@given(st.integers(1, 40_000), st.integers(1, 40_000))
def test_grid_is_bounded_and_inside(width: int, height: int) -> None:
    """At most 128 tiles, each beginning inside the picture at a multiple of 8 px, none over another."""
    lefts, tops = tile_grid(width, height)
    assert 1 <= len(lefts) * len(tops) <= MAX_TILES
    for starts, length in ((lefts, width), (tops, height)):
        assert all(0 <= start < length and start % 8 == 0 for start in starts)
        assert all(after - before >= TILE_PX for before, after in pairwise(starts))


@given(st.integers(1, 900), st.integers(1, 900))
def test_small_pictures_are_covered_whole(width: int, height: int) -> None:
    """Every pixel lies in exactly one tile while the tiles suffice."""
    tiles = tiles_of(np.arange(width * height, dtype=np.uint16).reshape(height, width, 1))
    assert sum(tile.codes.size for tile in tiles) == width * height


def test_large_picture_is_sampled_evenly() -> None:
    """8660 × 5774 px (50 MP): the gaps between tiles are alike across and down, within 30 %."""
    lefts, tops = tile_grid(8660, 5774)
    across, down = np.diff(lefts).mean(), np.diff(tops).mean()
    assert 0.77 < across / down < 1.3
    assert 100 <= len(lefts) * len(tops) <= MAX_TILES
    assert lefts[0] == pytest.approx(8660 - lefts[-1] - TILE_PX, abs=16)


def test_tone_is_encoded_luma() -> None:
    """BT.709-6 weights on encoded codes of either depth; grey as it is."""
    rgb = np.array([[[255, 0, 0], [0, 255, 0], [0, 0, 255]]], np.uint8)
    assert Tile(rgb, 0, 0).tone[0] == pytest.approx([0.2126, 0.7152, 0.0722], abs=1e-6)
    assert Tile(rgb.astype(np.uint16) * 257, 0, 0).tone[0] == pytest.approx([0.2126, 0.7152, 0.0722], abs=1e-6)
    assert Tile(np.full((1, 1, 1), 32768, np.uint16), 0, 0).tone[0, 0] == pytest.approx(32768 / 65535)
