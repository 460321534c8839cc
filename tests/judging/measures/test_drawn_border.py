"""A border drawn into the file is found; a motif on an empty ground is not taken for one."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from printqueue.judging.measures.drawn_border import inside_border
from printqueue.judging.measures.tone import measure_tones

Codes = NDArray[np.uint16]


def picture(seed: int = 1, shape: tuple[int, int, int] = (60, 90, 3)) -> Codes:
    """Mid-tone noise: nowhere near white or black."""
    return np.random.default_rng(seed).integers(20_000, 45_000, shape).astype(np.uint16)


@settings(max_examples=40, deadline=None, derandomize=True, database=None)
@given(st.sampled_from([0, 12_000, 65_535]), st.tuples(*[st.integers(1, 20)] * 4), st.sampled_from([1, 3]))
def test_a_border_is_found(code: int, sides: tuple[int, int, int, int], channels: int) -> None:
    """Whatever its tone and widths, the picture inside is found to the pixel, and its tones are those without border."""
    inner = picture(shape=(60, 90, channels))
    top, right, bottom, left = sides
    framed = np.pad(inner, ((top, bottom), (left, right), (0, 0)), constant_values=code)
    rows, columns = inside_border(framed)
    np.testing.assert_array_equal(framed[rows, columns], inner)
    plane = framed[rows, columns, 0].astype(np.float32) / 655.35
    assert measure_tones(plane) == measure_tones(inner[..., 0].astype(np.float32) / 655.35)


def test_an_uneven_border_within_two_percent() -> None:
    """What JPEG does to a white border leaves it one."""
    framed = np.pad(picture(), ((8, 8), (8, 8), (0, 0)), constant_values=65_535)
    framed[:8] -= np.random.default_rng(2).integers(0, 1200, framed[:8].shape).astype(np.uint16)
    assert inside_border(framed) == (slice(8, 68), slice(8, 98))


def test_no_border() -> None:
    """A picture that fills its file, one with bands at two sides only, an even plane, one pixel: the whole of it."""
    for codes in (
        picture(),
        np.pad(picture(), ((9, 9), (0, 0), (0, 0)), constant_values=0),
        np.full((40, 40, 3), 65_535, np.uint16),
        np.zeros((1, 1, 1), np.uint16),
    ):
        assert inside_border(codes) == (slice(0, codes.shape[0]), slice(0, codes.shape[1]))


def test_a_motif_on_white_is_no_border() -> None:
    """A round thing on a white ground touches its box in a few pixels: the ground is part of the picture."""
    y, x = np.mgrid[:200, :200]
    codes = np.full((200, 200, 3), 65_535, np.uint16)
    codes[(y - 100) ** 2 + (x - 100) ** 2 < 70**2] = 20_000
    assert inside_border(codes) == (slice(0, 200), slice(0, 200))


@pytest.mark.parametrize("width", [20, 29])
def test_a_wide_ground_is_no_border(width: int) -> None:
    """More than three tenths of a side on each side is a small picture on a large ground: judged as it is."""
    framed = np.pad(picture(), ((80, 80), (width, width), (0, 0)), constant_values=65_535)
    assert inside_border(framed) == (slice(0, framed.shape[0]), slice(0, framed.shape[1]))
