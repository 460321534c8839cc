"""Dates as people write them, and the times in the ledger."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta

from printqueue.core.errors import UsageError
from printqueue.core.text import shown

_HOW = "Write 2026, 2026-11, 2026-11-29 or 2026-11-29T18:30."


def first_moment(text: str) -> str:
    """The start of the year, month, day or moment `text` (local time), as RFC 3339 UTC. Raises `UsageError`."""
    return _span(text)[0]


def last_moment(text: str) -> str:
    """The last second of the year, month or day `text` (local time), or the moment itself. Raises `UsageError`."""
    return _span(text)[1]


def local(utc: str) -> str:
    """A ledger time in local time, to the minute; unchanged if it cannot be parsed."""
    try:
        return datetime.fromisoformat(utc).astimezone().strftime("%Y-%m-%d %H:%M")
    except ValueError:
        return utc


def zone() -> str:
    """The name of the local time zone."""
    return datetime.now().astimezone().tzname() or "local time"


def _span(text: str) -> tuple[str, str]:
    try:
        first, last = _first_and_last(text)
        return _utc(first), _utc(last)
    except (ValueError, OverflowError) as error:
        raise UsageError(f"'{shown(text, limit=40)}' is no date. {_HOW}") from error


def _first_and_last(text: str) -> tuple[datetime, datetime]:
    parts = re.fullmatch(r"(\d{4})(?:-(\d\d))?(?:-(\d\d))?", text, re.ASCII)
    if parts is None:
        moment = datetime.fromisoformat(text)
        return moment, moment
    year, month, day = parts.groups()
    begin = datetime(int(year), int(month or 1), int(day or 1))
    return begin, _next(begin, by_month=month is not None, by_day=day is not None) - timedelta(seconds=1)


def _next(begin: datetime, *, by_month: bool, by_day: bool) -> datetime:
    if by_day:
        return begin + timedelta(days=1)
    if by_month and begin.month < 12:
        return begin.replace(month=begin.month + 1)
    return begin.replace(year=begin.year + 1, month=1)


def _utc(moment: datetime) -> str:
    """Convert to UTC; a time without a zone is local time."""
    return moment.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
