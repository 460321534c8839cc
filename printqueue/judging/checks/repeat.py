"""Was this picture made before: as a reprint, twice by mistake, or beyond its edition?"""

from __future__ import annotations

from pydantic import Field

from printqueue.core.model.finding import Finding, Level
from printqueue.core.model.measures import Measure, Word
from printqueue.core.model.subject import Subject
from printqueue.core.yaml.limits import Limits
from printqueue.core.yaml.quantity import Hours
from printqueue.judging.contract import Check, Explanation

_NAME = "repeat"
_DAYS_FROM_H = 48.0
_MINUTE_H = 1 / 60


class RepeatLimits(Limits):
    """Levels for a reprint, for the same print again within `within`, and for more copies than the edition has."""

    reprint: Level = Field(Level.NOTE, description="the same bytes were made before on this paper at this size")
    again: Level = Field(Level.WARN, description="the same bytes by the same order, within `within`")
    within: Hours | None = Field(None, description="how long a same print is taken for a slip, for example 24 h")
    edition_full: Level = Field(Level.REJECT, description="more copies than `edition: {of: ...}` of the order")


def judge(subject: Subject, limits: RepeatLimits) -> Finding:
    """Return the worst of: beyond the edition, the same print again, a reprint; a pass for the first print."""
    if (problem := subject.text(Word.REPEAT_PROBLEM)) is not None:
        return Finding(
            _NAME,
            limits.unmeasurable,
            f"Not looked up: {problem}",
            unit="earlier prints",
            do="Run `printqueue doctor`.",
        )
    if subject.number(Measure.REPEAT_EARLIER) is None:
        return Finding(_NAME, Level.PASS, "Not looked up: there is no record of prints here.", unit="earlier prints")
    found = (_edition(subject, limits), _again(subject, limits), _reprint(subject, limits))
    heavy = [finding for finding in found if finding is not None and finding.level is not Level.PASS]
    return max(heavy, key=lambda finding: finding.level.weight) if heavy else _first(subject)


def _count(subject: Subject, name: Measure) -> int:
    return int(subject.number(name) or 0)


def _edition(subject: Subject, limits: RepeatLimits) -> Finding | None:
    """More copies than the edition has, counted over all papers and sizes: the promise is made for the picture."""
    of, made, more = subject.request.edition_of, _count(subject, Measure.REPEAT_EDITION_MADE), subject.request.copies
    if of is None or made + more <= of:
        return None
    left = max(0, of - made)
    are = "is" if made == 1 else "are"
    would = f"this would be {made + more}" if more == 1 else f"these {more} would make it {made + more}"
    return Finding(
        _NAME,
        limits.edition_full,
        f"{made} of {of} {are} made or in work; {would}.",
        measured=made + more,
        limit=of,
        unit="copies",
        why=f"Whoever holds a print of the edition was promised that there are no more than {of}, on {subject.paper.name} "
        "or on any other paper.",
        do=f"Ask for at most {left} (copies: {left})." if left else "Make no more of it; the edition is complete.",
        instead="A proof outside the edition: an order without edition:.",
        origin="the edition in your order",
        headline="would exceed its edition",
    )


def _again(subject: Subject, limits: RepeatLimits) -> Finding | None:
    """The same bytes by the same order, so soon that it may be a mistake."""
    hours, job = subject.number(Measure.REPEAT_SAME_HOURS), subject.number(Measure.REPEAT_SAME_JOB)
    if limits.within is None or hours is None or job is None or hours > limits.within:
        return None
    when = subject.text(Word.REPEAT_SAME_MADE)
    said = "is being made now" if when is None else f"was made {_ago(hours)}, {_day(when)}"
    return Finding(
        _NAME,
        limits.again,
        f"The same print {said} (job {job:.0f}): same picture, same order.{_of_edition(subject)}",
        measured=round(hours, 2),
        limit=limits.within,
        unit="h",
        why=f"Nothing is meant to be printed twice by mistake, and a sheet of {subject.paper.name} is spent only once.",
        do=f"If one is enough, delete this print: job {job:.0f} made the same one.",
        instead="If more are wanted, the order can say so (copies: 2).",
    )


def _ago(hours: float) -> str:
    if hours < _MINUTE_H:
        return "just now"
    if hours < 1:
        return _plural(round(hours * 60), "minute")
    return _plural(round(hours), "hour") if hours < _DAYS_FROM_H else _plural(round(hours / 24), "day")


def _plural(count: int, unit: str) -> str:
    return f"{count} {unit}{'' if count == 1 else 's'} ago"


def _day(made: str) -> str:
    """`2026-11-25T06:00:00Z` → `2026-11-25 06:00 UTC`."""
    return f"{made[:10]} {made[11:16]} UTC" if made else "at a time that is not on record"


def _reprint(subject: Subject, limits: RepeatLimits) -> Finding | None:
    """Made before on this paper at this size, whatever the order."""
    earlier = _count(subject, Measure.REPEAT_EARLIER)
    if earlier == 0:
        return None
    last, when = _count(subject, Measure.REPEAT_EARLIER_JOB), subject.text(Word.REPEAT_EARLIER_MADE)
    made = "in work" if when is None else f"made {_day(when)}"
    more = f"; {earlier} prints were made of it before" if earlier > 1 else ""
    return Finding(
        _NAME,
        limits.reprint,
        f"A reprint of job {last}, {made}{more}.{_of_edition(subject)}",
        measured=earlier,
        limit=0,
        unit="earlier prints",
        why=f"A reprint on {subject.paper.name} is expected to match the earlier one.",
        do="Lay both side by side under the same light before this one leaves the house.",
    )


def _of_edition(subject: Subject) -> str:
    of = subject.request.edition_of
    return "" if of is None else f" {_copies(subject)} of the edition of {of}."


def _copies(subject: Subject) -> str:
    made, more = _count(subject, Measure.REPEAT_EDITION_MADE), subject.request.copies
    return f"Number {made + 1}" if more == 1 else f"Numbers {made + 1} to {made + more}"


def _first(subject: Subject) -> Finding:
    of = subject.request.edition_of
    says = f"No print of it is on record for {subject.paper.name} at {subject.request.size.name}."
    if _count(subject, Measure.REPEAT_EARLIER):
        says = f"Made before: job {_count(subject, Measure.REPEAT_EARLIER_JOB)}."
    if of is None:
        return Finding(
            _NAME, Level.PASS, says, measured=_count(subject, Measure.REPEAT_EARLIER), limit=0, unit="earlier prints"
        )
    copies = _count(subject, Measure.REPEAT_EDITION_MADE) + subject.request.copies
    return Finding(
        _NAME,
        Level.PASS,
        f"{says}{_of_edition(subject)}",
        measured=copies,
        limit=of,
        unit="copies",
        origin="the edition in your order",
    )


CHECK = Check(
    _NAME,
    RepeatLimits,
    judge,
    Explanation(
        question="Was this picture made before, by mistake or beyond its edition?",
        measures="Prints on record of the same file (SHA-256 of its bytes; a new export is a new picture), made or in work; "
        "prints that were taken or deleted since still count, pictures turned back or withdrawn do not, nor do a "
        "picture's own attempts. Reprint: same paper and size. Again: also the same order (all but allow, note and distance) and the "
        "same paper profile, within `within`. Edition: the copies of all prints with the same `edition: {of: ...}` in their order, "
        "over all papers and sizes, against that number.",
        matters="A sheet is too dear to be printed twice by a slip of the hand, and an edition is a promise to those who bought.",
        source="Levels and the 24 hours: common practice, no source. The size of the edition: the order. SHA-256: FIPS 180-4.",
        typical="Passes; a note for a reprint. It speaks only of what this studio's record knows: a ledger that was lost, or "
        "prints made elsewhere, are not in it. `check` and `render` look the record up and write nothing into it.",
    ),
    headline="would be made once more than was meant",
)
