"""The gamut check: limits, lines between the measured rungs, and what it says."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from printqueue.core.model.finding import Level, Value
from printqueue.core.model.measures import GAMUT_OVER, Key, Measure, Where, Word
from printqueue.core.model.paper import Surface
from printqueue.core.model.region import Region
from printqueue.judging.checks.gamut import GamutLimits, judge, share_over
from tests.judging.checks.tone_support import subject

SHARES = (90.0, 70.0, 50.0, 40.0, 24.0, 12.0, 6.0, 2.0, 0.0)
NUMBERS: dict[Key, Value] = dict(zip(GAMUT_OVER.values(), SHARES, strict=True))
LIMITS = GamutLimits.model_validate({"over": "6 dE00", "warn_above": "20 %"})


@pytest.mark.parametrize(("share", "level"), [(20.0, Level.PASS), (20.1, Level.WARN), (0.0, Level.PASS)])
def test_on_and_around_the_limit(share: float, level: Level) -> None:
    """The limit itself passes."""
    assert judge(subject(NUMBERS | {Measure.GAMUT_OVER_6_PERCENT: share}), LIMITS).level is level


def test_warning_before_note() -> None:
    """Between the two limits a note, over both a warning, and a pass names the nearest."""
    both = GamutLimits.model_validate({"over": "6 dE00", "warn_above": "30 %", "note_above": "10 %"})
    levels = [judge(subject(NUMBERS | {Measure.GAMUT_OVER_6_PERCENT: s}), both) for s in (10.0, 20.0, 31.0)]
    assert [(f.level, f.limit) for f in levels] == [(Level.PASS, 10.0), (Level.NOTE, 10.0), (Level.WARN, 30.0)]


@pytest.mark.parametrize(("over", "share"), [(1, 90), (6, 24), (7, 18), (5, 32), (13.5, 1), (15, 0), (1.25, 85)])
def test_straight_between_rungs(over: float, share: float) -> None:
    """A limit between two rungs reads the straight line between their shares."""
    assert share_over(subject(NUMBERS), over) == pytest.approx(share)


@settings(max_examples=60, deadline=None, derandomize=True, database=None)
@given(st.floats(1, 15), st.floats(1, 15))
def test_a_higher_limit_never_counts_more(one: float, two: float) -> None:
    """The share falls with the difference that is asked for."""
    low, high = sorted((one, two))
    assert (share_over(subject(NUMBERS), low) or 0) >= (share_over(subject(NUMBERS), high) or 0)


@pytest.mark.parametrize("over", [0.5, 15.5])
def test_limits_outside_the_ladder_are_refused(over: float) -> None:
    """What was not measured cannot be a limit."""
    with pytest.raises(ValidationError):
        GamutLimits.model_validate({"over": f"{over} dE00"})


def test_what_it_says() -> None:
    """Value, unit, limit, hues, chroma, place, one reason and one remedy."""
    told: dict[Key, Value] = {
        Word.GAMUT_HUES: "blue, violet",
        Measure.GAMUT_CHROMA_BEFORE: 61.2,
        Measure.GAMUT_CHROMA_AFTER: 40.4,
    }
    place = Region(0, 0.7, 0.2, 0.2, 9.0)
    found = judge(subject(NUMBERS | told, where={Where.GAMUT: (place,)}), LIMITS)
    assert found.says == (
        "Hue and chroma change by more than ΔE00 6 on 24 % of the area, mostly blue, violet "
        "(their mean chroma goes from 61 to 40), most of all bottom left."
    )
    assert (found.measured, found.limit, found.unit, found.where) == (24.0, 20.0, "%", (place,))
    assert "blue, violet" in found.do
    assert "Matte" in found.why
    glossy = judge(subject(NUMBERS, surface=Surface.BARYTA), LIMITS)
    assert "Matte" not in glossy.why
    assert "baryta" not in glossy.instead


def test_not_measured() -> None:
    """Without numbers there is no silent pass."""
    found = judge(subject({}), LIMITS)
    assert (found.level, found.measured) == (Level.NOTE, None)
