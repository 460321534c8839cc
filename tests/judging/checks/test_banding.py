"""Banding: the area against the limit, and the words."""

from __future__ import annotations

from dataclasses import replace

import pytest

from printqueue.core.model.finding import Finding, Level, Value
from printqueue.core.model.measures import Key, Measure, Where
from printqueue.core.model.paper import PaperFacts, Surface
from printqueue.core.model.picture import PictureFacts
from printqueue.core.model.region import Region
from printqueue.core.model.request import Request
from printqueue.core.model.subject import Subject
from printqueue.core.units import Size
from printqueue.judging.checks.banding import BandingLimits, judge

LIMITS = BandingLimits.model_validate({"area_above": "2 %"})
NOTES = BandingLimits.model_validate({"area_above": "2 %", "level": "note"})


def subject(area: Value, step: Value = 2.0, surface: Surface = Surface.BARYTA) -> Subject:
    """A picture with this much of it in steps."""
    paper = PaperFacts("p", "Paper", surface, (96, 0, 0), (5, 0, 0), (), "p.icc", profile_is_demonstration=False)
    numbers: dict[Key, Value] = {Measure.BANDING_AREA_PERCENT: area, Measure.BANDING_STEP_COUNTS: step}
    picture, request = PictureFacts("TIFF", 6000, 4000, 16, "rgb"), Request("p", Size("A3", 297, 420))
    return Subject(picture, paper, request, None, numbers, {Where.BANDING: (Region(0.7, 0.0, 0.3, 0.2, 2.0),)})


def found(area: Value, limits: BandingLimits = LIMITS) -> Finding:
    """The finding for an area in percent."""
    return judge(subject(area), limits)


@pytest.mark.parametrize(
    ("area", "level"), [(0.0, Level.PASS), (2.0, Level.PASS), (2.01, Level.WARN), (100.0, Level.WARN)]
)
def test_on_and_around_the_limit(area: float, level: Level) -> None:
    """The limit included; never more than the level that the paper gives it."""
    finding = found(area)
    assert (finding.level, finding.limit, finding.unit) == (level, 2, "% of area")
    assert found(area, NOTES).level is (Level.PASS if level is Level.PASS else Level.NOTE)


def test_the_words() -> None:
    """How much, how high in both units, where, why on this paper, and what to do."""
    finding = found(30.0)
    assert finding.says == (
        "30 % of the picture climbs in steps of 2/255 of the tone scale (about 0.8 L*) instead of evenly, most top right."
    )
    assert "16-bit original" in finding.do
    assert "grain" in finding.instead
    assert finding.where
    assert "smooth sheet" in finding.why
    assert "texture" in judge(subject(30.0, surface=Surface.WASHI), NOTES).why


def test_a_pass_says_what_was_seen() -> None:
    """None at all, or a little."""
    assert judge(subject(0.0, None), LIMITS).says == "No coarse steps in smooth areas."
    assert found(1.2).says == "Coarse steps in 1.2 % of the picture."


def test_without_numbers_or_limits() -> None:
    """Not measured is said; without a limit nothing is held against it."""
    assert "other findings" in judge(replace(subject(1.0), measured={}), LIMITS).says
    assert found(90.0, BandingLimits()).level is Level.PASS
