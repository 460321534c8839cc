"""Places in the picture: connected pieces, largest first, in fractions; and their names."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from skimage import measure

from printqueue.core.model.region import Region, worst_place
from printqueue.judging.measures.regions import largest_regions

OUTSIDE: Any = measure  # carries no types


@given(st.integers(0, 2**32 - 1))
def test_pieces_agree_with_scikit_image(seed: int) -> None:
    """Bounding boxes of the five largest 8-connected pieces, as skimage.measure.regionprops finds them."""
    mask = np.random.default_rng(seed).random((24, 36)) < 0.3
    pieces = sorted(OUTSIDE.regionprops(OUTSIDE.label(mask, connectivity=2)), key=lambda piece: -piece.area)[:5]
    found = largest_regions(mask)
    assert len(found) == len(pieces)
    areas = [float(mask[_box(region)].sum()) for region in found]
    assert areas[0] >= pieces[0].area if pieces else True
    boxes = {(p.bbox[1], p.bbox[0], p.bbox[3] - p.bbox[1], p.bbox[2] - p.bbox[0]) for p in pieces}
    largest = pieces[0].area if pieces else 0
    if sum(p.area == largest for p in pieces) == 1:
        first = found[0]
        assert tuple(round(v) for v in (first.left * 36, first.top * 24, first.width * 36, first.height * 24)) in boxes


def _box(region: Region) -> tuple[slice, slice]:
    top, left = round(region.top * 24), round(region.left * 36)
    return slice(top, top + round(region.height * 24)), slice(left, left + round(region.width * 36))


def test_value_is_the_mean_over_the_piece() -> None:
    """Only the pixels of the piece count, not its bounding box."""
    mask = np.zeros((10, 10), bool)
    mask[2, 2:6] = mask[2:6, 2] = True
    values = np.where(mask, np.float32(3), np.float32(99))
    assert largest_regions(mask, values) == (Region(0.2, 0.2, 0.4, 0.4, 3.0),)


def test_empty_mask_has_no_place() -> None:
    """Nothing found, nothing to show."""
    assert largest_regions(np.zeros((3, 4), bool)) == ()


@pytest.mark.parametrize(
    ("left", "top", "words"),
    [(0, 0, "top left"), (0.45, 0.45, "centre"), (0.9, 0.45, "middle right"), (0.45, 0.9, "bottom centre")],
)
def test_names_of_the_nine_parts(left: float, top: float, words: str) -> None:
    """Thirds both ways, named as one points."""
    assert Region(left, top, 0.1, 0.1).in_words() == words


@given(st.floats(0, 1), st.floats(0, 1), st.floats(0, 1), st.floats(0, 1))
def test_any_region_has_a_name(left: float, top: float, width: float, height: float) -> None:
    """No fraction runs out of the nine parts."""
    assert Region(left, top, min(width, 1 - left), min(height, 1 - top)).in_words()


def test_the_worst_place_ends_a_clause() -> None:
    """The first place counts; without one there is nothing to say."""
    places = (Region(0.9, 0.0, 0.1, 0.1), Region(0.0, 0.9, 0.1, 0.1))
    assert worst_place(places, "most of all") == ", most of all top right"
    assert worst_place((), "most") == ""
