"""The oversharpening check: on and around its limits, its words, and what it does without a measurement."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from printqueue.core.model.finding import Finding, Level, Value
from printqueue.core.model.measures import Key, Measure, Where
from printqueue.core.model.paper import PaperFacts
from printqueue.core.model.picture import PictureFacts
from printqueue.core.model.region import Region
from printqueue.core.model.request import Request
from printqueue.core.model.subject import Subject
from printqueue.core.units import Size
from printqueue.imaging.render.plan import place
from printqueue.judging.checks.oversharpening import CHECK, OversharpeningLimits, judge
from printqueue.studio.papers.loader import Shelf

PAPERS = Shelf.load(Path(__file__).parents[3] / "printqueue/rules").papers
LIMITS = OversharpeningLimits.model_validate({"reject_above": "40 %", "warn_above": "20 %", "share": "50 %"})
PICTURE = PictureFacts("TIFF", 6000, 4000, 16, "rgb")
A3 = Size("A3", 297, 420)
RINGING: dict[Key, Value] = {
    Measure.HALO_SCORE_PERCENT: 46.0,
    Measure.HALO_SHARE_PERCENT: 81.0,
    Measure.HALO_EDGES: 240,
    Measure.HALO_WIDTH_MM: 0.21,
}


def found(
    measured: Mapping[Key, Value],
    limits: OversharpeningLimits = LIMITS,
    paper: str = "smooth-rag",
    *,
    marked: bool = False,
) -> Finding:
    """The finding on a picture with these numbers; `marked` gives it one place, top left."""
    shelf = PAPERS[paper]
    white, black = shelf.tone.white, shelf.tone.black
    assert white is not None
    assert black is not None
    facts = PaperFacts(
        paper, shelf.paper, shelf.surface, white, black, tuple(shelf.sizes), "mine.icc", profile_is_demonstration=False
    )
    request = Request(paper, A3)
    where = {Where.HALO: (Region(0.1, 0.1, 0.02, 0.02, 90.0),)} if marked else {}
    placed = place(request, PICTURE.width_px, PICTURE.height_px)
    return judge(Subject(PICTURE, facts, request, placed, dict(measured), where=where), limits)


@pytest.mark.parametrize(
    ("score", "share", "level"),
    [
        (20.0, 90.0, Level.PASS),
        (20.01, 0.0, Level.WARN),
        (40.0, 100.0, Level.WARN),
        (40.01, 49.9, Level.WARN),
        (40.01, 50.0, Level.REJECT),
        (-3.0, 0.0, Level.PASS),
    ],
)
def test_on_and_around_the_limits(score: float, share: float, level: Level) -> None:
    """A reject needs both: the height above its limit and the share of edges at its limit."""
    assert (
        found({Measure.HALO_SCORE_PERCENT: score, Measure.HALO_SHARE_PERCENT: share, Measure.HALO_EDGES: 60}).level
        is level
    )


def test_a_reject_says_all_that_helps() -> None:
    """Number and unit, limit, width on paper, share, place, why on this paper, what to do, and how to insist."""
    finding = found(RINGING, marked=True)
    assert finding.level is Level.REJECT
    assert (finding.measured, finding.limit, finding.unit) == (46.0, 40.0, "%")
    for part in ("46 %", "0.21 mm", "81 %", "240", "top left"):
        assert part in finding.says
    assert finding.why
    assert "sharpening" in finding.do
    assert "allow: [oversharpening]" in finding.instead
    assert [region.in_words() for region in finding.where] == ["top left"]


def test_the_reason_depends_on_the_surface() -> None:
    """Smooth and textured papers give different reasons for the same number."""
    assert found(RINGING).why != found(RINGING, paper="textured-rag").why


@pytest.mark.parametrize("level", [Level.NOTE, Level.WARN, Level.REJECT])
def test_not_measurable_is_never_a_silent_pass(level: Level) -> None:
    """Without edges it says so, with how many there were, at the level that the paper sets."""
    finding = found(
        {Measure.HALO_SCORE_PERCENT: None, Measure.HALO_SHARE_PERCENT: None, Measure.HALO_EDGES: 7},
        LIMITS.model_copy(update={"unmeasurable": level}),
    )
    assert finding.level is level
    assert "not measurable" in finding.says
    assert "7 clean edges" in finding.says
    assert finding.measured is None


def test_without_limits_nothing_is_held_against_it() -> None:
    """A paper that switches both limits off still hears the number."""
    finding = found(RINGING, OversharpeningLimits())
    assert finding.level is Level.PASS
    assert "46 %" in finding.says


ORDER = [Level.PASS, Level.NOTE, Level.WARN, Level.REJECT]


@settings(max_examples=60, deadline=None, derandomize=True)
@given(st.floats(-20, 300), st.floats(0, 100), st.floats(0, 100), st.floats(0, 100))
def test_a_higher_halo_is_never_judged_more_mildly(score: float, more: float, share: float, wider: float) -> None:
    """Nor a larger share of edges."""
    first = found({Measure.HALO_SCORE_PERCENT: score, Measure.HALO_SHARE_PERCENT: share, Measure.HALO_EDGES: 60})
    second = found(
        {
            Measure.HALO_SCORE_PERCENT: score + more,
            Measure.HALO_SHARE_PERCENT: min(100.0, share + wider),
            Measure.HALO_EDGES: 60,
        }
    )
    assert ORDER.index(second.level) >= ORDER.index(first.level)


def test_the_explanation_names_what_it_rests_on() -> None:
    """Definition, minimum of edges, scale, closed form and typical values stand in it."""
    text = f"{CHECK.explanation.measures} {CHECK.explanation.source} {CHECK.explanation.typical}"
    for part in (
        "both plateaus",
        "12 usable edges",
        "print's own pixel size",
        "closed form",
    ):
        assert part in text
