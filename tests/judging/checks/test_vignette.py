"""The vignette's words: the number as it is, dark only where all corners are, a limit only where one is set."""

from __future__ import annotations

import pytest

from printqueue.core.model.finding import Finding, Level, Value
from printqueue.core.model.measures import Key, Measure
from printqueue.core.model.paper import PaperFacts, Surface
from printqueue.core.model.picture import PictureFacts
from printqueue.core.model.request import Request
from printqueue.core.model.subject import Subject
from printqueue.core.units import Size
from printqueue.judging.checks.vignette import VignetteLimits, judge

PAPER = PaperFacts(
    "rag", "Rag", Surface.SMOOTH_MATTE, (96, 0, 0), (17, 0, 0), (), "p.icc", profile_is_demonstration=False
)
PICTURE = PictureFacts("TIFF", 6000, 4000, 16, "rgb")
REQUEST = Request("rag", Size("A3", 297, 420))


def found(
    corners: Value, lightest: Value, *, note: str | None = "12 L*", warn: str | None = None, **measured: Value
) -> Finding:
    """The finding for fitted corners against the centre, in L*."""
    numbers: dict[Key, Value] = {Measure(f"vignette.{key}"): value for key, value in measured.items()}
    numbers |= {Measure.VIGNETTE_CORNERS_L: corners, Measure.VIGNETTE_LIGHTEST_CORNER_L: lightest}
    given = {key: text for key, text in (("note_above", note), ("warn_above", warn)) if text is not None}
    return judge(Subject(PICTURE, PAPER, REQUEST, None, numbers), VignetteLimits.model_validate(given))


@pytest.mark.parametrize(
    ("corners", "lightest", "level"),
    [
        (-11.9, -10.0, Level.PASS),
        (-12.0, -10.0, Level.PASS),
        (-12.1, -10.0, Level.NOTE),
        (-60.0, -40.0, Level.NOTE),  # never a warning of its own accord
        (-30.0, 2.0, Level.PASS),  # one corner is light: lit from one side
        (20.0, 25.0, Level.PASS),  # light corners are no fault
        (0.0, 0.0, Level.PASS),
    ],
)
def test_levels(corners: float, lightest: float, level: Level) -> None:
    """Noted above the limit where all corners are darker; nothing else."""
    assert found(corners, lightest).level is level


def test_a_limit_of_the_photographer() -> None:
    """Only where `warn_above` is set, it warns; and then before the note."""
    finding = found(-20.0, -15.0, warn="18 L*")
    assert (finding.level, finding.measured, finding.limit, finding.unit) == (Level.WARN, 20.0, 18, "L*")
    assert finding.origin == "your rule"
    assert found(-20.0, -15.0, note=None).level is Level.PASS


def test_the_sentence_and_the_number() -> None:
    """One descriptive sentence with the number; the pass says it too."""
    assert found(-9.2, -7.0).says == "The corners are 9 L* darker than the centre."
    assert found(-19.2, -17.0).says == "The corners are 19 L* darker than the centre."
    assert found(6.0, 9.0).says == "The corners are 6 L* lighter than the centre."
    assert found(0.2, 0.3).says == "The corners are as light as the centre."
    assert found(-30.0, 4.0).says == "No dark corners all round: one is 4 L* lighter than the centre."


@pytest.mark.parametrize(
    ("centre", "darker", "stops"), [(60.0, 13.5, "0.8 stop"), (76.069, 19.0, "1 stop"), (50, 40, "4")]
)
def test_the_remedy_in_stops(centre: float, darker: float, stops: str) -> None:
    """Stops between two lightnesses by CIE 15: L* 76.1 has twice the light of L* 57.1. Beyond 3 stops none is named."""
    do = found(-darker, -darker + 1, centre_L=centre).do
    assert (f"by about {stops}." in do) == (not stops.startswith("4"))
    assert "stop" in do or stops.startswith("4")


def test_a_pass_never_measures_beyond_its_limit() -> None:
    """Where one corner is light, the number that counts is that corner's."""
    finding = found(-30.0, 2.0)
    assert (finding.measured, finding.limit) == (-2.0, 12)


def test_not_measured() -> None:
    """A picture too small says so; without any measurement the other findings are named."""
    assert found(None, None).says.startswith("The picture is too small")
    assert judge(Subject(PICTURE, PAPER, REQUEST, None, {}), VignetteLimits()).says.startswith("Not measured")


def test_no_limit_by_itself() -> None:
    """The check's own limits hold nothing against anyone."""
    assert (VignetteLimits().note_above, VignetteLimits().warn_above) == (None, None)
    assert found(-60.0, -50.0, note=None).level is Level.PASS
