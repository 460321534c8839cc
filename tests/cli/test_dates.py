"""Days as a person writes them. Expected times by hand, for zones of the tz database (zones written as POSIX.1 rules)."""

from __future__ import annotations

import time
from collections.abc import Iterator
from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from printqueue.cli import dates
from printqueue.core.errors import UsageError

# Central European time, its summer time from the last Sunday of March to that of October (POSIX.1, TZ).
CENTRAL = "CET-1CEST,M3.5.0,M10.5.0/3"


@pytest.fixture
def central(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """This machine stands an hour east of Greenwich, with summer time."""
    monkeypatch.setenv("TZ", CENTRAL)
    time.tzset()
    yield
    monkeypatch.undo()
    time.tzset()


@pytest.mark.parametrize(
    ("text", "first", "last"),
    [
        ("2026", "2025-12-31T23:00:00Z", "2026-12-31T22:59:59Z"),
        ("2026-11", "2026-10-31T23:00:00Z", "2026-11-30T22:59:59Z"),
        ("2026-12", "2026-11-30T23:00:00Z", "2026-12-31T22:59:59Z"),
        ("2026-07-01", "2026-06-30T22:00:00Z", "2026-07-01T21:59:59Z"),
        ("2026-03-29", "2026-03-28T23:00:00Z", "2026-03-29T21:59:59Z"),  # 23 hours long
        ("2026-10-25", "2026-10-24T22:00:00Z", "2026-10-25T22:59:59Z"),  # 25 hours long
        ("2024-02-29", "2024-02-28T23:00:00Z", "2024-02-29T22:59:59Z"),
        ("2026-11-29T18:30", "2026-11-29T17:30:00Z", "2026-11-29T17:30:00Z"),
        ("2026-11-29T18:30:00Z", "2026-11-29T18:30:00Z", "2026-11-29T18:30:00Z"),
    ],
)
@pytest.mark.usefixtures("central")
def test_spans(text: str, first: str, last: str) -> None:
    """Years, months and days are those of the machine's clock; a moment with a zone is itself."""
    assert (dates.first_moment(text), dates.last_moment(text)) == (first, last)


@pytest.mark.parametrize(
    "text", ["", "fog", "26", "2026-13", "2026-02-30", "2026-1", "0000", "99999", "٢٠٢٦", "2026\n"]
)
def test_no_dates(text: str) -> None:
    """What is no date is refused with the ways to write one."""
    with pytest.raises(UsageError, match=r"is no date\. Write 2026, 2026-11"):
        dates.first_moment(text)


@given(st.dates(min_value=date(1902, 1, 1), max_value=date(9998, 12, 31)))
def test_a_day_lies_in_its_month_and_year(day: date) -> None:
    """Of any day: the year begins no later than the month, that no later than the day; ends the other way round."""
    text = str(day)
    firsts = [dates.first_moment(text[:length]) for length in (4, 7, 10)]
    lasts = [dates.last_moment(text[:length]) for length in (10, 7, 4)]
    assert firsts == sorted(firsts)
    assert lasts == sorted(lasts)
    assert firsts[-1] < lasts[0]


@pytest.mark.usefixtures("central")
def test_local() -> None:
    """The ledger's times are told by the machine's clock; nonsense stays as it is."""
    assert dates.local("2026-07-01T10:00:00Z") == "2026-07-01 12:00"
    assert dates.local("when the fog lifts") == "when the fog lifts"
    assert dates.zone() in ("CET", "CEST")
