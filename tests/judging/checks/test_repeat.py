"""The check `repeat` by itself: numbers of the record in, finding out. Levels and limits are those of the shipped rules."""

from __future__ import annotations

from pathlib import Path

import pytest

from printqueue.core.model.finding import Finding, Level, Value, Verdict, verdict
from printqueue.core.model.measures import Key, Measure, Word
from printqueue.core.model.paper import PaperFacts
from printqueue.core.model.picture import PictureFacts
from printqueue.core.model.request import Request
from printqueue.core.model.subject import Subject
from printqueue.core.units import Size
from printqueue.judging.checks.repeat import CHECK, RepeatLimits
from printqueue.judging.judge import allow
from printqueue.studio.papers.loader import Shelf

PAPERS = Shelf.load(Path(__file__).parents[3] / "printqueue/rules").papers
A3 = Size("A3", 297, 420)
MADE = "2026-11-25T06:00:00Z"
PASS, NOTE, WARN, REJECT = Level.PASS, Level.NOTE, Level.WARN, Level.REJECT


def limits(paper: str = "smooth-rag") -> RepeatLimits:
    """What the paper's file says."""
    found = PAPERS[paper].checks["repeat"]
    assert isinstance(found, RepeatLimits)
    return found


def judged(
    numbers: dict[Key, Value], *, rules: RepeatLimits | None = None, copies: int = 1, of: int | None = None
) -> Finding:
    """The finding for a picture of which the record says `numbers`."""
    paper = PAPERS["smooth-rag"]
    facts = PaperFacts(
        "smooth-rag", paper.paper, paper.surface, (96, 0, 0), (17, 0, 0), (), "mine.icc", profile_is_demonstration=False
    )
    request = Request("smooth-rag", A3, copies=copies, edition_of=of)
    return CHECK.judge(
        Subject(PictureFacts("TIFF", 6000, 4000, 16, "rgb"), facts, request, None, numbers), rules or limits()
    )


def before(
    hours: float | None = None, *, made: str | None = MADE, more: dict[Key, Value] | None = None
) -> dict[Key, Value]:
    """One earlier print, job 12; with `hours`, by the same order so long ago."""
    same: dict[Key, Value] = {
        Measure.REPEAT_SAME_JOB: 12,
        Word.REPEAT_SAME_MADE: made,
        Measure.REPEAT_SAME_HOURS: hours,
    }
    first: dict[Key, Value] = {
        Measure.REPEAT_EARLIER: 1,
        Measure.REPEAT_EARLIER_JOB: 12,
        Word.REPEAT_EARLIER_MADE: made,
    }
    return first | ({} if hours is None else same) | (more or {})


@pytest.mark.parametrize("paper", PAPERS)
def test_every_paper_asks(paper: str) -> None:
    """The starter table says the same for every surface: note a reprint, warn within 24 h, reject a full edition."""
    said = limits(paper)
    assert (said.reprint, said.again, said.within, said.edition_full) == (NOTE, WARN, 24, REJECT)


@pytest.mark.parametrize(
    ("hours", "level"), [(0.0, WARN), (3.0, WARN), (24.0, WARN), (24.01, NOTE), (8760.0, NOTE), (None, NOTE)]
)
def test_the_same_order_within_a_day(hours: float | None, level: Level) -> None:
    """On, below and above 24 h; without the same order it is a reprint however late."""
    assert judged(before(hours)).level is level


@pytest.mark.parametrize(
    ("hours", "words"),
    [
        (0.01, "just now"),
        (0.5, "30 minutes ago"),
        (1.0, "1 hour ago"),
        (3.1, "3 hours ago"),
        (47.9, "48 hours ago"),
        (72.0, "3 days ago"),
    ],
)
def test_how_long_ago(hours: float, words: str) -> None:
    """In words, with the job and the minute."""
    said = judged(before(hours), rules=limits().model_copy(update={"within": 1e6})).says
    assert f"was made {words}, 2026-11-25 06:00 UTC (job 12)" in said


def test_in_work() -> None:
    """The other one is not made yet: said so, and no age is invented."""
    finding = judged(before(0.0, made=None))
    assert "is being made now (job 12)" in finding.says
    assert (finding.measured, finding.limit, finding.unit) == (0.0, 24.0, "h")
    assert "in work" in judged(before(made=None)).says


def test_a_reprint_names_the_newest_job() -> None:
    """A note, with the job, the day and how many there were."""
    finding = judged(before(more={Measure.REPEAT_EARLIER: 3}))
    assert (finding.level, finding.measured, finding.unit) == (NOTE, 3, "earlier prints")
    assert "reprint of job 12, made 2026-11-25 06:00 UTC" in finding.says
    assert "3 prints" in finding.says
    assert "not on record" in judged(before(made="")).says


@pytest.mark.parametrize(
    ("made", "copies", "level"),
    [(0, 25, PASS), (24, 1, PASS), (25, 1, REJECT), (23, 2, PASS), (24, 2, REJECT), (30, 1, REJECT)],
)
def test_edition_on_and_above_its_number(made: int, copies: int, level: Level) -> None:
    """25 of 25 may be made, not 26; allowed on the record it is made all the same."""
    finding = judged({Measure.REPEAT_EARLIER: 0, Measure.REPEAT_EDITION_MADE: made}, copies=copies, of=25)
    assert (finding.level, finding.measured, finding.limit) == (level, made + copies, 25)
    assert verdict([allow(finding, {"repeat": "proof"})]) is Verdict.ACCEPTED
    assert verdict([finding]) is (Verdict.TURNED_BACK if level is REJECT else Verdict.ACCEPTED)


def test_a_full_edition_says_the_numbers() -> None:
    """How many are made and what this would be; with room left, for how many."""
    full = judged({Measure.REPEAT_EARLIER: 0, Measure.REPEAT_EDITION_MADE: 25}, of=25)
    assert "25 of 25 are made or in work; this would be 26." in full.says
    assert "complete" in full.do
    assert "copies: 1" in judged({Measure.REPEAT_EARLIER: 0, Measure.REPEAT_EDITION_MADE: 24}, copies=2, of=25).do


def test_the_worst_is_said_and_the_edition_with_it() -> None:
    """A full edition goes before a print made again, that before a reprint; the number in the edition is always said."""
    numbers = before(1.0, more={Measure.REPEAT_EDITION_MADE: 25})
    assert judged(numbers, of=25).level is REJECT
    again = judged(before(1.0, more={Measure.REPEAT_EDITION_MADE: 3}), of=25)
    assert again.level is WARN
    assert "Number 4 of the edition of 25." in again.says
    assert (
        "Numbers 4 to 6 of the edition of 25."
        in judged(before(more={Measure.REPEAT_EDITION_MADE: 3}), copies=3, of=25).says
    )


def test_levels_of_the_paper() -> None:
    """A paper may find a reprint unremarkable, and have no hours at all."""
    quiet = limits().model_copy(update={"reprint": PASS, "within": None})
    finding = judged(before(1.0), rules=quiet)
    assert finding.level is PASS
    assert "job 12" in finding.says


def test_not_looked_up_is_said() -> None:
    """Without a record nothing is held against a picture, and nothing is claimed; one that cannot be read is a note."""
    silent = judged({})
    assert (silent.level, silent.measured) == (PASS, None)
    assert silent.says.startswith("Not looked up")
    unread = judged({Word.REPEAT_PROBLEM: "The ledger cannot be read."})
    assert (unread.level, unread.measured) == (NOTE, None)
    assert "The ledger cannot be read." in unread.says


CASES = [
    before(),
    before(1.0),
    before(0.0, made=None),
    {Measure.REPEAT_EARLIER: 0},
    {Measure.REPEAT_EARLIER: 0, Measure.REPEAT_EDITION_MADE: 25},
    {},
]


@pytest.mark.parametrize("numbers", CASES)
def test_sentences(numbers: dict[Key, Value]) -> None:
    """Every sentence ends; what is more than a pass says why on this paper, and what to do."""
    finding = judged(numbers, of=25 if Measure.REPEAT_EDITION_MADE in numbers else None)
    assert finding.says.endswith(".")
    if finding.level is not PASS:
        assert PAPERS["smooth-rag"].paper in finding.why
        assert finding.why.endswith(".")
        assert finding.do.endswith(".")
        assert finding.limit is not None
