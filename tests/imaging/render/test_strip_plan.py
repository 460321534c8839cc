"""Test strips: the smallest sheet that serves, nothing over anything, and pieces that are the print pixel for pixel."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from printqueue.core.units import Size
from printqueue.imaging.colour import spaces
from printqueue.imaging.colour.icc import read_profile
from printqueue.imaging.render.engine import renderer
from printqueue.imaging.render.plan import DoesNotFitError
from printqueue.imaging.render.strip_plan import (
    LETTER_MM,
    Part,
    StripPlan,
    Words,
    arrangements,
    part_of,
    shown_part,
    strip_plan,
)
from tests.imaging.render.support import PROFILES, job
from tests.imaging.render.test_verify import scene

A5, A4, A3 = Size("A5", 148, 210), Size("A4", 210, 297), Size("A3", 297, 420)
WORDS = Words(4, 1, 2)
SRGB = spaces.profile_bytes("srgb")


def plan(pieces: int = 4, **changes: Any) -> StripPlan:
    """Four pieces on whatever is in stock."""
    options: dict[str, Any] = {
        "picture_mm": (370.0, 247.0),
        "part_mm": None,
        "ppi": 360,
        "margin_mm": 3.0,
        "deckled": False,
        "pieces": pieces,
    }
    stocked = changes.pop("stocked", (A3, A5, A4))
    grids = changes.pop("grids", arrangements(pieces, 1))
    return strip_plan(stocked, grids, changes.pop("words", WORDS), **(options | changes))


def test_the_smallest_sheet_in_stock() -> None:
    """Of A3, A5, A4 in any order it is A5; a part that does not fit there takes the next."""
    assert plan().sheet.name == "A5"
    assert plan(part_mm=(80.0, 90.0)).sheet.name == "A4"
    assert plan(part_mm=(120.0, 150.0)).sheet.name == "A3"


def test_what_fits_nowhere_is_said_with_numbers() -> None:
    """How large the pieces were to be, and what the largest sheet has room for."""
    with pytest.raises(DoesNotFitError, match=r"4 pieces of 300 × 200 mm do not fit .* A3, has room for \d+ × \d+ mm"):
        plan(part_mm=(300.0, 200.0))
    with pytest.raises(DoesNotFitError, match="too many"):
        plan(25)


def test_intents_stand_in_rows() -> None:
    """Three lifts by two intents: three columns, the rows below each other."""
    found = plan(6, grids=arrangements(3, 2))
    assert len({left for left, _ in found.corners_px}) == 3
    assert len({top for _, top in found.corners_px}) == 2
    assert [top for _, top in found.corners_px[:3]] == [found.corners_px[0][1]] * 3


@settings(max_examples=80, deadline=None, derandomize=True, database=None)
@given(st.integers(1, 12), st.floats(0, 20), st.booleans(), st.floats(30, 500), st.floats(30, 500), st.integers(1, 2))
def test_nothing_lies_over_anything(
    pieces: int, margin: float, deckled: bool, width: float, height: float, labels: int
) -> None:
    """Pieces, their labels and the lines above and below keep apart, inside the printer's margin and the torn edge."""
    found = plan(
        pieces,
        margin_mm=margin,
        deckled=deckled,
        picture_mm=(width, height),
        words=Words(4, labels, 2),
        stocked=(A5, A4, A3),
    )
    used = np.zeros((found.sheet_px[1], found.sheet_px[0]), np.uint8)
    across, up = found.piece_px
    cap, below = LETTER_MM / 25.4 * 360, 0.4 * LETTER_MM / 25.4 * 360
    for left, top in found.corners_px:
        used[top : top + up, left : left + across] += 1
    lines = [(found.text_left_px, found.text_width_px, baseline) for baseline in (*found.head_px, *found.foot_px)]
    for (left, _), baselines in zip(found.corners_px, found.labels_px, strict=True):
        lines += [(left, across, baseline) for baseline in baselines]
    for left, room, baseline in lines:
        used[round(baseline - cap) : round(baseline + below), left : left + room] += 1
    assert used.max() == 1
    rim = max(0, round((20 if deckled else margin) / 25.4 * 360) - 1)
    inner = used[rim : used.shape[0] - rim, rim : used.shape[1] - rim]
    assert inner.sum() == used.sum()


def test_parts_are_given_in_pixels_of_the_picture() -> None:
    """At half size, 100 px of the picture are 50 of the print; what reaches over its rim is refused with its size."""
    place = job(scene(), SRGB, SRGB, scale=0.5).placement
    assert part_of(place, (20, 40, 100, 60)) == Part(10, 20, 50, 30)
    assert part_of(place, (0, 0, 330, 260)) == Part(0, 0, *place.picture_px)
    for wrong in ((300, 0, 100, 10), (0, 0, 0.5, 10), (0, 250, 10, 20)):
        with pytest.raises(DoesNotFitError, match="330 × 260 px"):
            part_of(place, wrong)


@pytest.mark.parametrize("scale", [0.5, 1.0, 1.7])
def test_a_piece_is_the_print_pixel_for_pixel(scale: float) -> None:
    """A part rendered alone has the pixels that it has in the whole print, its rim too (within 3 of 65,535)."""
    paper = (PROFILES / "smooth-rag.icc").read_bytes()
    whole = job(scene(), SRGB, paper, scale=scale, lift_stops=1 / 3)
    width, height = whole.placement.picture_px
    part = Part(width // 4, height // 3, width // 3, height // 4)
    placed = shown_part(whole.placement, part)
    alone = renderer(
        whole.source, SRGB, read_profile(SRGB), paper_profile=paper, request=whole.request, placement=placed
    )
    wanted = whole.delivered_band(0, height)[part.top : part.top + part.height, part.left : part.left + part.width]
    assert np.abs(alone.delivered_band(0, part.height).astype(int) - wanted).max() <= 3
