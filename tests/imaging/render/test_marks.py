"""Marks in the border: where they lie, and that the picture under a hairline keeps every pixel."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from printqueue.imaging.colour import spaces
from printqueue.imaging.render.marks import InkMark, hairline
from tests.imaging.render.support import PROFILES, job, seeded, whole_sheet

INK = (12000, 12100, 12200)


@settings(max_examples=80, deadline=None, derandomize=True, database=None)
@given(st.integers(-5, 30), st.integers(-5, 40), st.integers(1, 12), st.integers(1, 12), st.integers(1, 13))
def test_bands_draw_what_the_whole_draws(left: int, top: int, width: int, height: int, rows: int) -> None:
    """Cut into bands of any height, hanging over any rim: the same sheet."""
    coverage = np.random.default_rng(3).integers(0, 256, (height, width)).astype(np.uint8)
    mark = InkMark(left, top, coverage, INK)
    whole = np.full((36, 24, 3), 65535, np.uint16)
    banded = whole.copy()
    mark.draw(whole, 0)
    for start in range(0, 36, rows):
        mark.draw(banded[start : start + rows], start)
    np.testing.assert_array_equal(banded, whole)


def test_full_and_no_coverage() -> None:
    """255 is the ink itself, 0 bare paper, half of it half way."""
    band = np.full((1, 3, 3), 65535, np.uint16)
    InkMark(0, 0, np.array([[0, 51, 255]], np.uint8), (0, 0, 0)).draw(band, 0)
    assert band[0, :, 0].tolist() == [65535, 52428, 0]


def test_a_hairline_frames_the_picture_and_covers_none_of_it() -> None:
    """Its pixels are exactly the ring of its width around the picture."""
    drawn = job(seeded(60, 90), spaces.profile_bytes("srgb"), (PROFILES / "baryta.icc").read_bytes())
    place = replace(drawn.placement, hairline_px=3)
    framed = whole_sheet(replace(drawn, placement=place), hairline(place, INK))
    plain = whole_sheet(drawn)
    ring = np.zeros(framed.shape[:2], bool)
    top, left = place.top_px, place.left_px
    ring[top - 3 : top + 63, left - 3 : left + 93] = True
    ring[top : top + 60, left : left + 90] = False
    assert (framed[ring] == INK).all()
    np.testing.assert_array_equal(framed[~ring], plain[~ring])
    assert hairline(drawn.placement, INK) == ()
