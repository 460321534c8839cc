"""How long has the picture rested since it was taken? A matter of taste; says nothing without a date."""

from __future__ import annotations

import re

from pydantic import Field

from printqueue.core.model.finding import Finding, Level
from printqueue.core.model.subject import Subject
from printqueue.core.units import number_text
from printqueue.core.yaml.limits import Limits
from printqueue.core.yaml.quantity import Days
from printqueue.judging.contract import Check, Explanation

_EXIF_TIME = re.compile(r"([0-9]{4}):([0-9]{2}):([0-9]{2})(?: ([0-9]{2}:[0-9]{2}:[0-9]{2}))?")
_FIRST_PHOTOGRAPH = 1826
_CLOCK_STARTS = (1970, 1980, 2000)  # first of January: where reset clocks of cameras and files start
_AHEAD_DAYS = 1  # taken today, across the date line


class RestLimits(Limits):
    """Days between capture and judging."""

    note_below: Days | None = Field(None, description="pictures taken more lately than this get a note")


def judge(subject: Subject, limits: RestLimits) -> Finding:
    """Count the days since capture, if the file has a credible date and today's date is known."""
    captured, today = subject.picture.metadata.captured, subject.setting.today
    if not captured:
        return _silent("No capture date in the file.", limits)
    if today is None:
        return _silent("The capture date was not looked at.", limits)
    days, doubt = _days_since(subject, captured)
    if days is None:
        return _silent(f"The capture date cannot be trusted: {doubt}.", limits)
    if limits.note_below is not None and days < limits.note_below:
        return _fresh(days, limits.note_below)
    return Finding("rest", Level.PASS, _taken(days), measured=days, limit=limits.note_below, unit="days")


def _silent(says: str, limits: RestLimits) -> Finding:
    return Finding("rest", Level.PASS, says, limit=limits.note_below, unit="days")


def _days_since(subject: Subject, captured: str) -> tuple[int | None, str]:
    """Whole days; or None, and why the date is not credible."""
    today = subject.setting.today
    match = _EXIF_TIME.match(captured)
    if match is None or today is None:
        return None, "it is no date"
    year, month, day = (int(match[part]) for part in (1, 2, 3))
    try:
        taken = today.replace(year=year, month=month, day=day)
    except ValueError:
        return None, "there is no such day"
    if year < _FIRST_PHOTOGRAPH:
        return None, f"there were no photographs in {year}"
    if (month, day) == (1, 1) and (year in _CLOCK_STARTS or match[4] == "00:00:00"):
        return None, f"{taken.isoformat()} is what a clock shows that was never set"
    days = (today - taken).days
    if days < -_AHEAD_DAYS:
        return None, f"{taken.isoformat()} is still to come"
    return max(days, 0), ""


def _taken(days: int) -> str:
    when = {0: "today", 1: "yesterday"}.get(days, f"{days} days ago")
    return f"Taken {when}."


def _fresh(days: int, limit: float) -> Finding:
    return Finding(
        "rest",
        Level.NOTE,
        _taken(days),
        measured=days,
        limit=limit,
        unit="days",
        why="A picture that is looked at again after some weeks is often edited differently, and a print stays as it is.",
        do=f"Nothing, if you are sure; else let it rest until it is {number_text(limit, 0)} days old.",
    )


CHECK = Check(
    "rest",
    RestLimits,
    judge,
    Explanation(
        question="How long has the picture rested since it was taken?",
        measures="Whole days from the capture date in the file's metadata (EXIF DateTimeOriginal, or the same in XMP) to today. "
        "Silent without a date, and where the date cannot be trusted: no such day, still to come, before 1826, or where a "
        "clock that was never set begins (1 January 1970, 1980 or 2000; 1 January at midnight sharp).",
        matters="The first joy in a picture is a poor judge of it; some weeks later the eye is fresh. Only ever a note.",
        source="EXIF 2.32 tag 36867 for the date. The limit: common practice, no source.",
        typical="Taken 2 days ago: a note; an archive picture, or a film scan without a date: nothing.",
    ),
    headline="was taken very lately",
)
