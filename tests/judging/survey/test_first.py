"""The first pass hands on what lies in the picture, however its rows are cut into bands."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from printqueue.core.model.picture import PictureFacts
from printqueue.imaging.reduce import block_means, block_size
from printqueue.judging.survey import first
from tests.judging.measures.whole import tiles_of


class Held:
    """A picture in memory, read in bands."""

    icc: bytes | None = None

    def __init__(self, pixels: np.ndarray[Any, Any]) -> None:
        self.pixels = pixels
        height, width, channels = pixels.shape
        bits: Any = 8 * pixels.itemsize
        self.facts = PictureFacts("TIFF", width, height, bits, "grey" if channels == 1 else "rgb")

    def rows(self, start: int, stop: int) -> np.ndarray[Any, Any]:
        """Its rows, never beyond the end."""
        assert 0 <= start < stop <= self.pixels.shape[0]
        return self.pixels[start:stop]

    def transparent(self) -> bool:
        """It is opaque."""
        return False


@settings(max_examples=15)
@given(st.integers(1, 1500), st.integers(1, 1300), st.sampled_from([1, 3]), st.sampled_from([np.uint8, np.uint16]))
def test_tiles_and_copy_are_those_of_the_whole_picture(width: int, height: int, channels: int, dtype: Any) -> None:
    """Cut from bands of 512 rows or from the whole picture at once: the same tiles, places and block means."""
    top = np.iinfo(dtype).max
    pixels = np.random.default_rng(width * height).integers(0, top, (height, width, channels), dtype, endpoint=True)
    found = first.first_pass(Held(pixels))
    whole = tiles_of(pixels)
    assert [(tile.x, tile.y) for tile in found.tiles] == [(tile.x, tile.y) for tile in whole]
    for one, other in zip(found.tiles, whole, strict=True):
        np.testing.assert_array_equal(one.codes, other.codes)
    np.testing.assert_array_equal(found.copy, block_means(pixels, block_size(width, height)))
    assert found.rows == height


def test_a_large_picture_keeps_only_its_sample(monkeypatch: pytest.MonkeyPatch) -> None:
    """Tiles of a picture beyond the sample, cut from bands whose height is no multiple of the tile's."""
    monkeypatch.setattr(first, "FIRST_ROWS", 100)
    pixels = np.random.default_rng(8).integers(0, 65536, (3700, 3500, 1)).astype(np.uint16)
    found = first.first_pass(Held(pixels))
    assert sum(tile.codes.size for tile in found.tiles) < pixels.size
    for one, other in zip(found.tiles, tiles_of(pixels), strict=True):
        np.testing.assert_array_equal(one.codes, other.codes)
