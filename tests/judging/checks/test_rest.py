"""Days since capture: silent without a date, careful with absurd ones, never more than a note."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from printqueue.core.model.finding import Finding, Level
from printqueue.core.model.paper import PaperFacts, Surface
from printqueue.core.model.picture import Metadata, PictureFacts
from printqueue.core.model.request import Request
from printqueue.core.model.setting import Setting
from printqueue.core.model.subject import Subject
from printqueue.core.units import Size
from printqueue.core.yaml.quantity import DAYS
from printqueue.judging.checks.rest import RestLimits, judge

PAPER = PaperFacts(
    "rag", "Rag", Surface.SMOOTH_MATTE, (96, 0, 0), (17, 0, 0), (), "p.icc", profile_is_demonstration=False
)
PICTURE = PictureFacts("TIFF", 6000, 4000, 16, "rgb")
REQUEST = Request("rag", Size("A3", 297, 420))
TODAY = date(2026, 3, 1)
FOURTEEN = RestLimits.model_validate({"note_below": "14 days"})


def found(captured: str | None, today: date | None = TODAY, limits: RestLimits = FOURTEEN) -> Finding:
    """The finding for a capture date as EXIF writes it."""
    picture = replace(PICTURE, metadata=Metadata(captured=captured))
    return judge(Subject(picture, PAPER, REQUEST, None, {}, setting=Setting(today=today)), limits)


@pytest.mark.parametrize(
    ("captured", "days", "level"),
    [
        ("2026:03:01 08:00:00", 0, Level.NOTE),
        ("2026:02:28 23:59:59", 1, Level.NOTE),
        ("2026:02:27 10:00:00", 2, Level.NOTE),  # 2026 is no leap year
        ("2026:02:16 10:00:00", 13, Level.NOTE),
        ("2026:02:15 10:00:00", 14, Level.PASS),
        ("2024:02:29 10:00:00", 731, Level.PASS),
        ("1826:07:01 10:00:00", (TODAY - date(1826, 7, 1)).days, Level.PASS),
        ("2026:03:02 01:00:00", 0, Level.NOTE),  # already tomorrow where it was taken
    ],
)
def test_days(captured: str, days: int, level: Level) -> None:
    """Whole days by the calendar, the limit itself enough."""
    finding = found(captured)
    assert (finding.measured, finding.level, finding.unit, finding.limit) == (days, level, "days", 14)


@pytest.mark.parametrize(
    ("captured", "why"),
    [
        ("2026:03:03 10:00:00", "still to come"),
        ("2093:01:05 10:00:00", "still to come"),
        ("1825:12:31 10:00:00", "no photographs in 1825"),
        ("0001:01:01 00:00:00", "no photographs in 1"),
        ("0000:00:00 00:00:00", "no such day"),
        ("2025:02:29 10:00:00", "no such day"),
        ("2025:13:01 10:00:00", "no such day"),
        ("2025:00:10 10:00:00", "no such day"),
        ("1970:01:01 00:00:00", "never set"),
        ("1970:01:01 01:00:00", "never set"),
        ("1980:01:01 00:03:12", "never set"),
        ("2000:01:01 12:00:00", "never set"),
        ("2019:01:01 00:00:00", "never set"),
        ("last summer", "it is no date"),
        ("٢٠٢٥:٠١:٠٢ 00:00:00", "it is no date"),
        ("    :  :     :  :  ", "it is no date"),
    ],
)
def test_dates_that_cannot_be_trusted(captured: str, why: str) -> None:
    """Said in one sentence with the reason, as a pass, without a number."""
    finding = found(captured)
    assert (finding.level, finding.measured) == (Level.PASS, None)
    assert finding.says.startswith("The capture date cannot be trusted: ")
    assert why in finding.says


def test_silent_without_a_date() -> None:
    """No date, or no today: a pass that holds nothing against anyone."""
    for finding in (found(None), found(""), found("2026:02:27 10:00:00", today=None)):
        assert (finding.level, finding.measured, finding.do) == (Level.PASS, None, "")


def test_new_year_by_day_is_believed() -> None:
    """Pictures are taken on New Year's Day; only midnight sharp is what a clock shows by itself."""
    assert found("2019:01:01 11:30:00").measured == (TODAY - date(2019, 1, 1)).days
    assert found("2019:01:01").measured == (TODAY - date(2019, 1, 1)).days


def test_words() -> None:
    """Gently: when, why, and that nothing need be done."""
    assert found("2026:02:27 10:00:00").says == "Taken 2 days ago."
    assert found("2026:02:28 10:00:00").says == "Taken yesterday."
    assert found("2026:03:01 10:00:00").says == "Taken today."
    assert found("2026:02:27 10:00:00").do.startswith("Nothing, if you are sure")


def test_without_a_limit_nothing_is_noted() -> None:
    """The check's own limits are silent."""
    assert found("2026:03:01 08:00:00", limits=RestLimits()).level is Level.PASS


@given(st.dates(date(1827, 1, 2), date(2090, 12, 30)), st.integers(0, 90_000))
def test_any_day(today: date, days: int) -> None:
    """Never a crash, never a negative number, and the number is the calendar's."""
    try:
        taken = today - timedelta(days=days)
    except OverflowError:
        return
    finding = found(f"{taken.year:04}:{taken.month:02}:{taken.day:02} 12:00:00", today=today)
    assert finding.measured in (days, None)
    assert finding.level in (Level.NOTE, Level.PASS)


@given(st.text(max_size=30))
def test_any_text(captured: str) -> None:
    """What stands in a file's date may be anything."""
    assert found(captured).level in (Level.NOTE, Level.PASS)


@pytest.mark.parametrize(("text", "days"), [("14 days", 14), ("1 day", 1), ("2 weeks", 14), ("1 week", 7)])
def test_unit(text: str, days: float) -> None:
    """Days and weeks, with their unit."""
    assert DAYS.read(text) == days
    assert RestLimits.model_validate({"note_below": text}).note_below == days
