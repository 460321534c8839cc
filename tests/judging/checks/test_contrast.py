"""The contrast check: its limit, and what it says of shadows that are lost."""

from __future__ import annotations

import pytest

from printqueue.core.model.finding import Level, Value
from printqueue.core.model.measures import Key, Measure, Where
from printqueue.core.model.paper import Surface
from printqueue.core.model.region import Region
from printqueue.judging.checks.contrast import ContrastLimits, judge
from tests.judging.checks.tone_support import subject

LIMITS = ContrastLimits.model_validate({"lost_above": "15 %"})
LOST: dict[Key, Value] = {
    Measure.TONE_SHADOW_LOST_PERCENT: 22.4,
    Measure.TONE_SHADOW_KEPT_PERCENT: 47.0,
    Measure.TONE_SHADOW_WORST_PERCENT: 31.0,
}


@pytest.mark.parametrize(("lost", "level"), [(15.0, Level.PASS), (15.1, Level.WARN)])
def test_on_and_around_the_limit(lost: float, level: Level) -> None:
    """The limit itself passes; the level is the paper's."""
    assert judge(subject({Measure.TONE_SHADOW_LOST_PERCENT: lost}), LIMITS).level is level
    note = ContrastLimits.model_validate({"lost_above": "15 %", "level": Level.NOTE})
    assert judge(subject({Measure.TONE_SHADOW_LOST_PERCENT: 15.1}), note).level is Level.NOTE


def test_what_it_says() -> None:
    """Value, place, what is kept, the paper's black, a remedy."""
    place = Region(0.7, 0.7, 0.2, 0.2, 30.0)
    found = judge(subject(LOST, where={Where.SHADOWS: (place,)}), LIMITS)
    assert found.says == (
        "Shadow detail on 22.4 % of the area keeps less than half of its separation, most of all bottom right; "
        "half of all shadow detail keeps 47 % or less, the worst twentieth 31 %."
    )
    assert (found.measured, found.limit, found.unit, found.where) == (22.4, 15.0, "%", (place,))
    assert "L* 17" in found.why
    assert "curve" in found.do


def test_no_baryta_for_baryta() -> None:
    """A paper with deep blacks is not told to be one."""
    assert judge(subject(LOST, surface=Surface.BARYTA, black=5), LIMITS).instead == ""


def test_not_measured() -> None:
    """Without the number there is no silent pass."""
    assert judge(subject({}), LIMITS).level is Level.NOTE
