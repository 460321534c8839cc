"""Compression: visible blocks first, then a coarse rounding; what the words say."""

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
from printqueue.imaging.render.plan import place
from printqueue.judging.checks.compression import CHECK, CompressionLimits, judge

PICTURE = PictureFacts("TIFF", 6000, 4000, 8, "rgb")
REQUEST = Request("p", Size("A3", 297, 420))
LIMITS = CompressionLimits.model_validate({"note_above": "18 %", "warn_above": "35 %", "coarse_quality": "65"})
TEXTURED = CompressionLimits.model_validate({"note_above": "35 %"})


def subject(score: Value, quality: Value = None, surface: Surface = Surface.BARYTA) -> Subject:
    """A picture with these traces."""
    paper = PaperFacts("p", "Paper", surface, (96, 0, 0), (5, 0, 0), (), "p.icc", profile_is_demonstration=False)
    numbers: dict[Key, Value] = {Measure.COMPRESSION_SCORE_PERCENT: score, Measure.COMPRESSION_QUALITY: quality}
    where = {Where.COMPRESSION: (Region(0.1, 0.0, 0.5, 0.2, 40.0),)}
    return Subject(PICTURE, paper, REQUEST, place(REQUEST, 6000, 4000), numbers, where)


def found(score: Value, quality: Value = None, limits: CompressionLimits = LIMITS) -> Finding:
    """The finding for a score and a quality."""
    return judge(subject(score, quality), limits)


@pytest.mark.parametrize(
    ("score", "quality", "level", "limit", "unit"),
    [
        (0.0, None, Level.PASS, 18, "%"),
        (18.0, None, Level.PASS, 18, "%"),
        (18.1, None, Level.NOTE, 18, "%"),
        (35.0, 30, Level.NOTE, 18, "%"),
        (35.1, 90, Level.WARN, 35, "%"),
        (2.0, 66, Level.PASS, 18, "%"),
        (2.0, 65, Level.NOTE, 65, "of 100"),
        (None, 40, Level.NOTE, 65, "of 100"),
    ],
)
def test_on_and_around_the_limits(score: Value, quality: Value, level: Level, limit: float, unit: str) -> None:
    """Visible blocks weigh before the rounding; the finding names the limit that was crossed."""
    finding = found(score, quality)
    assert (finding.level, finding.limit, finding.unit) == (level, limit, unit)


@pytest.mark.parametrize("limits", [LIMITS, TEXTURED])
def test_never_turned_back(limits: CompressionLimits) -> None:
    """Archives are JPEG: the worst there can be is a warning."""
    assert found(400.0, 1, limits).level.weight <= Level.WARN.weight


def test_texture_notes_only_what_stands_out() -> None:
    """No warning, and no word about a rounding that nobody sees."""
    assert found(35.0, 30, TEXTURED).level is Level.PASS
    assert found(90.0, 30, TEXTURED).level is Level.NOTE


def test_the_words() -> None:
    """Where, how wide a block is on paper, what it was saved with, and one remedy."""
    case = subject(60.0, 55)
    assert case.placement is not None
    finding = judge(replace(case, placement=replace(case.placement, source_ppi=360.0)), LIMITS)
    assert "top centre" in finding.says or "top left" in finding.says
    assert "0.56 mm" in finding.says  # 8 × 25.4 / 360
    assert "quality 55" in finding.says
    assert "Export again from the original" in finding.do
    assert finding.where
    assert "texture" in judge(subject(60.0, surface=Surface.WASHI), TEXTURED).why


def test_a_picture_that_cannot_be_placed_has_no_block_size() -> None:
    """The size check turns it back; this one still speaks."""
    finding = judge(replace(subject(60.0), placement=None), LIMITS)
    assert finding.level is Level.WARN
    assert "mm" not in finding.says


def test_not_measured_and_not_measurable_differ() -> None:
    """Without numbers: see the other findings; without a calm place: said, and let pass."""
    assert "other findings" in judge(replace(subject(1.0), measured={}), LIMITS).says
    calm = found(None)
    assert (calm.level, calm.measured) == (Level.PASS, None)
    assert "calm place" in calm.says


def test_without_limits_it_only_says_the_number() -> None:
    """Nothing is in force unless the paper sets it."""
    assert found(90.0, 20, CompressionLimits()).level is Level.PASS
    assert CHECK.explanation.question.endswith("?")
