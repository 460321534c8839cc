"""The clipping check: bare paper, melting edges, solid ink, in the order of their weight."""

from __future__ import annotations

import pytest

from printqueue.core.model.finding import Level, Value
from printqueue.core.model.measures import Key, Measure, Where, Word
from printqueue.core.model.paper import Surface
from printqueue.core.model.region import Region
from printqueue.judging.checks.clipping import ClippingLimits, judge
from tests.judging.checks.tone_support import subject

MATTE = ClippingLimits.model_validate(
    {"paper_note_above": "5 %", "edge_note_above": "10 %", "black_note_above": "10 %"}
)
GLOSSY = ClippingLimits.model_validate(
    {"paper_warn_above": "0.5 %", "edge_note_above": "10 %", "black_note_above": "10 %"}
)
PLACE = Region(0.4, 0.4, 0.2, 0.2, 6.0)


def numbers(bare: float = 0.0, edge: float = 0.0, solid: float = 0.0, light: float = 99.0) -> dict[Key, Value]:
    """Shares in percent; lights in L*."""
    return {
        Measure.TONE_BARE_LARGEST_PERCENT: bare,
        Measure.TONE_BARE_EDGE_PERCENT: edge,
        Measure.TONE_SOLID_PERCENT: solid,
        Measure.TONE_P99_5_L: light,
    }


@pytest.mark.parametrize(
    ("limits", "found", "level"),
    [
        (MATTE, numbers(bare=5.0), Level.PASS),
        (MATTE, numbers(bare=5.1), Level.NOTE),
        (GLOSSY, numbers(bare=0.5), Level.PASS),
        (GLOSSY, numbers(bare=0.51), Level.WARN),
        (MATTE, numbers(edge=9.9), Level.PASS),
        (MATTE, numbers(edge=10.0), Level.NOTE),
        (MATTE, numbers(solid=10.0), Level.PASS),
        (MATTE, numbers(solid=10.1), Level.NOTE),
    ],
)
def test_on_and_around_each_limit(limits: ClippingLimits, found: dict[Key, Value], level: Level) -> None:
    """Each limit means what it says."""
    assert judge(subject(found), limits).level is level


def test_the_worst_goes_first() -> None:
    """A warning about bare paper is told before notes about edge and solid."""
    found = judge(subject(numbers(1.0, 50.0, 50.0), surface=Surface.BARYTA), GLOSSY)
    assert (found.level, found.measured) == (Level.WARN, 1.0)
    assert "gloss" in found.why


def test_bare_paper_says_where_and_after_which_lift() -> None:
    """The lift is named where there is one, and lowering it offered only then."""
    lifted = judge(subject(numbers(bare=6.2), lift=1 / 3, where={Where.BARE: (PLACE,)}), MATTE)
    assert lifted.says == "One piece of 6.2 % of the picture is bare paper after the lift of 1/3 stop (centre)."
    assert "lower the lift" in lifted.do
    assert lifted.where == (PLACE,)
    assert "lift" not in judge(subject(numbers(bare=6.2)), MATTE).do


def test_the_edge_says_which_sides() -> None:
    """The sides that melt are named."""
    found = judge(subject(numbers(edge=31.0) | {Word.TONE_BARE_SIDES: "top, right"}), MATTE)
    assert found.says == "31 % of the picture's edge is bare paper (at the top, right): it melts into the border."


def test_solid_says_where() -> None:
    """The largest piece is placed; the reason is that of the surface."""
    found = judge(subject(numbers(solid=30.0), where={Where.SOLID: (PLACE,)}), MATTE)
    assert found.says == "30 % of the picture is solid black (centre)."
    assert "cockle" in found.why
    assert "bronzing" in judge(subject(numbers(solid=30.0), surface=Surface.GLOSSY), GLOSSY).why


@pytest.mark.parametrize(("light", "said"), [(80.0, True), (91.3, True), (92.0, False), (100.0, False)])
def test_unused_headroom_is_said(light: float, said: bool) -> None:
    """From a third of a stop on (L* 91.4) the room above the lights stands in the pass."""
    found = judge(subject(numbers(light=light)), MATTE)
    assert found.level is Level.PASS
    assert ("unused at the light end" in found.says) is said


def test_not_measured() -> None:
    """Without its numbers there is no silent pass."""
    assert judge(subject({}), MATTE).level is Level.NOTE
