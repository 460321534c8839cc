"""The small working copy: means of whole blocks, nothing invented."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from printqueue.imaging.reduce import WORKING_PIXELS, block_means, block_size, sixteen_bit


@pytest.mark.parametrize(
    ("width", "height", "side"),
    [
        (100, 100, 1),
        (1000, 1000, 1),
        (1001, 1000, 2),
        (6000, 4000, 5),
        (4000, 2000, 3),
        (30_000, 20_000, 25),
        (1, 1, 1),
    ],
)
def test_block_size(width: int, height: int, side: int) -> None:
    """The smallest whole block that brings a picture to one megapixel or less."""
    assert block_size(width, height) == side


@settings(max_examples=200, deadline=None, derandomize=True, database=None)
@given(st.integers(1, 60_000), st.integers(1, 60_000))
def test_working_copies_are_small_but_no_smaller(width: int, height: int) -> None:
    """At most one megapixel comes out, and a block one pixel smaller would have given more."""
    side = block_size(width, height)
    assert width * height / side**2 <= WORKING_PIXELS
    assert side == 1 or width * height / (side - 1) ** 2 > WORKING_PIXELS


def test_eight_bits_become_sixteen() -> None:
    """Code × 257: black stays 0, white becomes 65535, steps stay even; 16-bit codes stay as they are."""
    codes = np.arange(256, dtype=np.uint8)
    assert sixteen_bit(codes).tolist() == [code * 257 for code in range(256)]
    deep = np.arange(0, 65536, 255, dtype=np.uint16)
    np.testing.assert_array_equal(sixteen_bit(deep), deep)


@pytest.mark.parametrize("side", [1, 2, 3, 7])
def test_block_means_are_means(side: int) -> None:
    """Each pixel is the mean of its block, rounded down by less than a code, remainders left out."""
    codes = np.random.default_rng(51).integers(0, 65536, (40, 52, 3)).astype(np.uint16)
    rows, columns = 40 // side, 52 // side
    wanted = [
        [codes[r * side : (r + 1) * side, c * side : (c + 1) * side].mean(axis=(0, 1)) for c in range(columns)]
        for r in range(rows)
    ]
    got = block_means(codes, side)
    assert got.shape == (rows, columns, 3)
    off = np.array(wanted) - got
    assert off.min() >= 0
    assert off.max() < 1


@pytest.mark.parametrize("value", [0, 1, 254, 255])
def test_flat_pictures_stay_flat(value: int) -> None:
    """White does not overflow and black does not rise, even in large blocks."""
    flat = np.full((300, 300, 1), value, np.uint8)
    assert (block_means(flat, 150) == value * 257).all()
    assert (block_means(np.full((250, 250, 3), 65535, np.uint16), 250) == 65535).all()


def test_bands_add_up() -> None:
    """Bands of whole blocks, put together, are the copy of the whole picture."""
    codes = np.random.default_rng(52).integers(0, 256, (60, 30, 3)).astype(np.uint8)
    parts = [block_means(codes[start : start + 12], 4) for start in range(0, 60, 12)]
    np.testing.assert_array_equal(np.concatenate(parts), block_means(codes, 4))
