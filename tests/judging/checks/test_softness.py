"""Softness: limits, the trace of an enlargement, and the words."""

from __future__ import annotations

from dataclasses import replace

import pytest

from printqueue.core.model.finding import Finding, Level, Value
from printqueue.core.model.measures import Key, Measure, Where, YesNo
from printqueue.core.model.paper import PaperFacts, Surface
from printqueue.core.model.picture import PictureFacts
from printqueue.core.model.region import Region
from printqueue.core.model.request import Request
from printqueue.core.model.subject import Subject
from printqueue.core.units import Size
from printqueue.imaging.render.plan import place
from printqueue.judging.checks.softness import CHECK, SoftnessLimits, judge

PICTURE = PictureFacts("TIFF", 6000, 4000, 16, "rgb")
REQUEST = Request("p", Size("A3", 297, 420))
LIMITS = SoftnessLimits.model_validate({"warn_below": "60 %", "note_below": "75 %", "enlarged": "note"})


def subject(detail: Value, *, tail: Value = -25.0, enlarged: str = "no", surface: Surface = Surface.BARYTA) -> Subject:
    """A picture with so much true detail."""
    paper = PaperFacts("p", "Paper", surface, (96, 0, 0), (5, 0, 0), (), "p.icc", profile_is_demonstration=False)
    numbers: dict[Key, Value] = {
        Measure.SOFTNESS_DETAIL_PERCENT: detail,
        Measure.SOFTNESS_TAIL_DB: tail,
        YesNo.SOFTNESS_ENLARGED: enlarged,
    }
    where = {Where.SOFTNESS: (Region(0.4, 0.4, 0.1, 0.1),)}
    return Subject(PICTURE, paper, REQUEST, place(REQUEST, 6000, 4000), numbers, where)


def found(detail: Value, limits: SoftnessLimits = LIMITS, *, tail: Value = -25.0, enlarged: str = "no") -> Finding:
    """The finding for so much true detail."""
    return judge(subject(detail, tail=tail, enlarged=enlarged), limits)


@pytest.mark.parametrize(
    ("detail", "level", "limit"),
    [
        (100.0, Level.PASS, 75),
        (75.0, Level.PASS, 75),
        (74.9, Level.NOTE, 75),
        (60.0, Level.NOTE, 75),
        (59.9, Level.WARN, 60),
        (1.0, Level.WARN, 60),
    ],
)
def test_on_and_around_the_limits(detail: float, level: Level, limit: float) -> None:
    """Each limit included; evidence, so never turned back."""
    finding = found(detail)
    assert (finding.level, finding.limit, finding.unit) == (level, limit, "%")


def test_a_slow_fall_is_no_evidence() -> None:
    """Few fine structures in the scene make the number small too; then the tail does not fall steeply."""
    assert found(50.0, tail=-12.0).level is Level.PASS
    assert found(50.0, tail=-12.0, enlarged="yes").level is Level.WARN
    assert found(50.0, tail=None).level is Level.PASS


def test_a_trace_alone_weighs_what_the_paper_says() -> None:
    """Enlarged a little, with much detail left; the heavier answer counts."""
    assert found(90.0, enlarged="yes").level is Level.NOTE
    assert found(90.0, SoftnessLimits(), enlarged="yes").level is Level.PASS
    assert found(50.0, enlarged="yes").level is Level.WARN


@pytest.mark.parametrize("traces", [{Measure.COMPRESSION_QUALITY: 50}, {Measure.COMPRESSION_SCORE_PERCENT: 60.0}])
def test_a_coarse_jpeg_makes_traces_itself(traces: dict[Key, Value]) -> None:
    """There a trace proves nothing; a steep fall still does."""
    case = subject(50.0, tail=-12.0, enlarged="yes")
    assert judge(case, LIMITS).level is Level.WARN
    assert judge(replace(case, measured={**case.measured, **traces}), LIMITS).level is Level.PASS
    steep = subject(50.0, enlarged="yes")
    assert judge(replace(steep, measured={**steep.measured, **traces}), LIMITS).says.startswith("Soft")


def test_the_words() -> None:
    """What it means in ppi, where it was judged, the remedy for each cause."""
    case = subject(50.0, enlarged="yes")
    assert case.placement is not None
    finding = judge(replace(case, placement=replace(case.placement, source_ppi=290.0)), LIMITS)
    assert "about 145 of 290 ppi" in finding.says
    assert "centre" in finding.says
    assert "±25 %" in finding.says
    assert finding.says.startswith("Enlarged")
    assert "without enlarging" in finding.do
    assert finding.where
    assert found(50.0).says.startswith("Soft throughout")
    assert "texture" in judge(subject(50.0, surface=Surface.WASHI), LIMITS).why


def test_a_picture_that_cannot_be_placed_has_no_ppi() -> None:
    """The size check turns it back; this one still speaks."""
    finding = judge(replace(subject(50.0), placement=None), LIMITS)
    assert finding.level is Level.WARN
    assert "ppi" not in finding.says


def test_fog_is_said_and_let_pass() -> None:
    """Not measurable is the paper's to weigh; not measured points to the other findings."""
    fog = found(None, tail=None)
    assert (fog.level, fog.measured, fog.do) == (Level.PASS, None, "")
    assert "cannot be measured" in fog.says
    noted = found(None, SoftnessLimits.model_validate({"unmeasurable": "note"}), tail=None)
    assert noted.level is Level.NOTE
    assert noted.do
    assert "other findings" in judge(replace(subject(1.0), measured={}), LIMITS).says


def test_without_limits_it_only_says_the_number() -> None:
    """Nothing is in force unless the paper sets it."""
    assert found(10.0, SoftnessLimits()).level is Level.PASS
    assert "10 %" in found(10.0, SoftnessLimits()).says
    assert CHECK.explanation.question.endswith("?")
