"""Fine detail against a paper's texture: limits, places, and an honest "nothing to lose"."""

from __future__ import annotations

import pytest

from printqueue.core.model.finding import Finding, Level, Value
from printqueue.core.model.measures import Measure, Where
from printqueue.core.model.paper import PaperFacts, Surface
from printqueue.core.model.picture import PictureFacts
from printqueue.core.model.region import Region
from printqueue.core.model.request import Request
from printqueue.core.model.subject import Subject
from printqueue.core.units import Size
from printqueue.judging.checks.fine_detail import FineDetailLimits, judge

PICTURE = PictureFacts("TIFF", 6000, 4000, 16, "rgb")
REQUEST = Request("felt", Size("A3", 297, 420))
LIMITS = FineDetailLimits.model_validate({"note_above": "30 %", "warn_above": "45 %"})


def found(share: Value, limits: FineDetailLimits = LIMITS, surface: Surface = Surface.TEXTURED_MATTE) -> Finding:
    """The finding for a fine share in percent."""
    paper = PaperFacts("felt", "Felt", surface, (95, 0, 0), (19, 0, 0), (), "p.icc", profile_is_demonstration=False)
    where = {Where.DETAIL: (Region(0.7, 0.7, 0.2, 0.2),)}
    return judge(Subject(PICTURE, paper, REQUEST, None, {Measure.DETAIL_FINE_PERCENT: share}, where), limits)


@pytest.mark.parametrize(
    ("share", "level", "limit"),
    [
        (0.0, Level.PASS, 30),
        (30.0, Level.PASS, 30),
        (30.1, Level.NOTE, 30),
        (45.0, Level.NOTE, 30),
        (45.1, Level.WARN, 45),
    ],
)
def test_on_and_around_the_limits(share: float, level: Level, limit: float) -> None:
    """Each limit included; the finding names the one that was crossed, a pass the nearest."""
    finding = found(share)
    assert (finding.level, finding.limit, finding.unit, finding.measured) == (level, limit, "%", share)


def test_never_turned_back() -> None:
    """All of it fine: still a warning."""
    assert found(100.0).level is Level.WARN


def test_without_limits_it_only_says_the_number() -> None:
    """A smooth paper sets none."""
    finding = found(80.0, FineDetailLimits(), Surface.BARYTA)
    assert (finding.level, finding.says) == (Level.PASS, "80 % of the detail is finer than 0.15 mm.")


def test_the_words() -> None:
    """Where most of it is, why on this paper, and the advice: a smoother paper."""
    finding = found(50.0)
    assert "bottom right" in finding.says
    assert finding.where
    assert "sheet" in finding.why
    assert finding.do == "Try a smoother paper for this picture."
    smooth = found(50.0, LIMITS, Surface.SMOOTH_MATTE)
    assert "weave" not in smooth.why


def test_nothing_to_lose() -> None:
    """Fog and plain grain pass unless the photographer wants to hear of them; then it is said what to do."""
    assert found(None).level is Level.PASS
    heard = found(None, LIMITS.model_copy(update={"unmeasurable": Level.WARN}))
    assert heard.level is Level.WARN
    assert heard.do
    paper = PaperFacts(
        "felt", "Felt", Surface.WASHI, (95, 0, 0), (19, 0, 0), (), "p.icc", profile_is_demonstration=False
    )
    assert judge(Subject(PICTURE, paper, REQUEST, None, {}), LIMITS).says.startswith("Not measured")
