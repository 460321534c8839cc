"""The queue as `status` shows it, once or live: lines, then tables."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from printqueue.core.errors import PrintqueueError, WorldError
from printqueue.ledger import LedgerReader
from printqueue.ledger.freshness import age_s
from printqueue.reports.queue import attention, collect, passed_over
from printqueue.service.intake.scan import sweep
from printqueue.service.lock import is_served
from printqueue.service.state_folder import require_own_state
from printqueue.studio.folders import WORK_FOLDERS

if TYPE_CHECKING:
    from printqueue.core.model.job import Sighting
    from printqueue.studio.folders import Studio

_LONGEST_WHY = 160  # of a reason; its file has it in full


@dataclass(frozen=True, slots=True)
class Listing:
    """A table not yet drawn; `wide` is the column that may wrap."""

    title: str
    columns: Sequence[str]
    rows: Sequence[Sequence[str]]
    wide: int


def look(studio: Studio) -> tuple[dict[str, Any], datetime]:
    """The object of `status --json`, and the time it is from."""
    ledger = LedgerReader(studio.ledger)
    running = is_served(studio)
    with ledger.at_once():
        answer, sightings = collect(ledger, running=running), ledger.sightings()
    now = datetime.now(UTC)
    standing = 0
    if not running:  # the last scan is old: the photographer may have fixed things since
        standing = _standing(studio, sightings)
        sightings = [one for one in sightings if os.path.lexists(studio.path("ready", one.path))]
        answer["passed_over"] = passed_over(sightings)
    needs = attention(answer, sightings, now, scan_s=studio.config.scan, standing=standing)
    answer["attention"] = [*needs, *(one for one in _about_place(studio) if not any(one in said for said in needs))]
    return answer, now


def _about_place(studio: Studio) -> Iterator[str]:
    """What would now make a service wait or refuse to start: a missing folder, somebody else's state folder."""
    for name in (*WORK_FOLDERS, "daybook"):
        try:
            studio.require_folder(name)
        except WorldError as error:
            yield str(error)
        except OSError as error:
            yield f"{name}/ cannot be looked at ({error.strerror})."
    try:
        require_own_state(studio)
    except OSError:  # another user's, and only that user can look inside
        return
    except PrintqueueError as error:
        yield str(error)


def _standing(studio: Studio, sightings: Iterable[Sighting]) -> int:
    """How many pictures in ready/ wait for a service. Those passed over (folder names no paper) have their answer."""
    passed = {seen.path for seen in sightings if seen.kind == "passed-over"}
    pictures = sweep(studio.path("ready")).pictures
    return sum(1 for seen in pictures if not passed & {seen.path, seen.parts[0]})


def lines(answer: dict[str, Any], now: datetime) -> Iterator[str]:
    """The lines above the tables."""
    state = "running" if answer["running"] else "not running (start it with: printqueue serve)"
    mode = "file events and the clock" if answer["watch"] == "events" else "the clock"
    why = f" ({answer['watch_because']})" if answer["watch_because"] else ""
    yield f"Service {state}. Last look at ready/: {_last(answer['last_scan'], now)}, woken by {mode}{why}."
    yield ", ".join(f"{name} {count}" for name, count in answer["counts"].items())
    if answer["oldest_waiting"] is not None:
        yield _oldest(answer["oldest_waiting"])
    for problem in answer["problems"]:
        yield f"Problem: {problem}"
    for sentence in answer["attention"]:
        if sentence not in answer["problems"]:
            yield f"Attention: {sentence}"
    if not answer["jobs"] and not answer["passed_over"]:
        yield "Nothing waits. Copy a picture into ready/PAPER/SIZE/ (`printqueue papers` names them)."


def _last(last_scan: str | None, now: datetime) -> str:
    return "never" if last_scan is None else f"{last_scan} ({age_s(last_scan, now):.0f} s ago)"


def _oldest(oldest: dict[str, Any]) -> str:
    until = f" Not tried before {oldest['deferred_until']}." if oldest["deferred_until"] else ""
    return (
        f"Waiting longest: {oldest['picture']}, since {oldest['since']}: {oldest['says'] or 'no reason known'}{until}"
    )


def listings(answer: dict[str, Any]) -> Iterator[Listing]:
    """Open jobs, then what was passed over."""
    if answer["jobs"]:
        columns = ("job", "state", "picture", "for", "why")
        reasons = any(job["state"] == "review" for job in answer["jobs"])
        title = "Open (reasons in full stand beside the pictures in review/)" if reasons else "Open"
        yield Listing(title, columns, [_row(job) for job in answer["jobs"]], wide=4)
    if answer["passed_over"]:
        passed = [(p["file"], p["why"]) for p in answer["passed_over"]]
        yield Listing("Passed over, left where they are", ("file", "why"), passed, wide=1)


def _row(job: dict[str, Any]) -> tuple[str, str, str, str, str]:
    until = f" (until {job['deferred_until']})" if job["deferred_until"] else ""
    where = f"{job['paper']} {job['size'] or ''}".strip()
    return str(job["job"] or "-"), job["state"], job["picture"], where, f"{_short(job['says'])}{until}"


def _short(says: str) -> str:
    """The first words of a reason, which is given in full beside its picture."""
    said = says.partition(" See review/")[0]
    return said if len(said) <= _LONGEST_WHY else said[:_LONGEST_WHY].rstrip(" ,;") + " …"
