"""What `status` answers: the contract's object, and what in it needs a human. Takes only ledger rows."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from typing import TYPE_CHECKING, Any

from printqueue.core.model.job import Arrival, PrintRecord, Sighting, State
from printqueue.core.model.why import Why
from printqueue.core.text import shown
from printqueue.ledger import Wanted
from printqueue.reports.why_words import sighting_words

if TYPE_CHECKING:
    from printqueue.ledger import LedgerReader

_MAX_NAMED = 3
_IN_QUEUE = (State.WAITING, State.WORKING)
# Files passed over for these reasons either resolve themselves or will never be pictures; no human needs to look.
_PASSING = frozenset({Why.UNFINISHED, Why.EMPTY, Why.LATE_ORDER, Why.SERVER_FOLDER})


def collect(ledger: LedgerReader, *, running: bool) -> dict[str, Any]:
    """The object of `status --json`, as of a single moment."""
    with ledger.at_once():
        beat, sightings, counts = ledger.heartbeat(), ledger.sightings(), ledger.counts()
        waiting = {s.path: s for s in sightings if s.kind == "waiting"}
        jobs, known = _known_jobs(ledger, waiting)
        rebuilt = ledger.rebuilds()
    unclaimed = [s for path, s in waiting.items() if path not in known]
    jobs += [_named(None, s.path, s.paper, s.size) | _as_it_waits(s) for s in unclaimed]
    counts[State.WAITING] += len(unclaimed)
    return {
        "running": running,
        "last_scan": beat.last_scan,
        "watch": beat.watch,
        "counts": counts,
        "jobs": jobs,
        "passed_over": passed_over(sightings),
        # beyond the keys in the contract
        "watch_because": beat.why,
        "oldest_waiting": _oldest(jobs),
        "problems": [*beat.problems, *(f"{one.says} {one.do}" for one in rebuilt)],
    }


def _known_jobs(ledger: LedgerReader, waiting: dict[str, Sighting]) -> tuple[list[dict[str, Any]], set[str]]:
    """Open prints, then arrivals without a planned print; and the paths these already put in the queue."""
    jobs: list[dict[str, Any]] = []
    known = set()
    for p in ledger.prints(Wanted(open_only=True)):
        jobs.append(_named(p.job, p.path, p.paper, p.size) | _as_it_stands(p, waiting.get(p.path)))
        known |= {p.path} if p.state in _IN_QUEUE else set()
    for a in ledger.unplanned():
        seen = waiting.get(a.path)
        paper = seen.paper if seen else a.path.rpartition("/")[0].partition("/")[0]
        size = seen.size if seen else None
        jobs.append(_named(None, a.path, paper, size) | _as_it_stands(a, seen))
        known |= {a.path} if a.state in _IN_QUEUE else set()
    return jobs, known


def _named(job: int | None, path: str, paper: str, size: str | None) -> dict[str, Any]:
    return {"job": job, "picture": shown(path), "paper": paper, "size": size}


def _as_it_stands(one: PrintRecord | Arrival, seen: Sighting | None) -> dict[str, Any]:
    """State as in the ledger; but the last scan knows best why it waits, until when and since when."""
    if seen is None or one.state is not State.WAITING:
        return {"state": str(one.state), "since": one.since, "says": one.says, "deferred_until": None}
    waits = _as_it_waits(seen)
    return waits | {"since": min(one.since, seen.since), "says": waits["says"] or one.says}


def _as_it_waits(seen: Sighting) -> dict[str, Any]:
    says = sighting_words(seen)
    return {"state": str(State.WAITING), "since": seen.since, "says": says, "deferred_until": seen.until}


def _oldest(jobs: Iterable[dict[str, Any]]) -> dict[str, Any] | None:
    waiting = [job for job in jobs if job["state"] == State.WAITING]
    if not waiting:
        return None
    first = min(waiting, key=lambda job: str(job["since"]))
    return {key: first[key] for key in ("picture", "since", "says", "deferred_until")}


def passed_over(sightings: Iterable[Sighting]) -> list[dict[str, str]]:
    """Which of `sightings` were passed over, and why."""
    return [{"file": shown(s.path), "why": sighting_words(s)} for s in sightings if s.kind == "passed-over"]


def attention(
    answer: dict[str, Any], sightings: Iterable[Sighting], now: datetime, *, scan_s: float, standing: int
) -> list[str]:
    """Why a human is needed, one sentence each; empty if all is well.

    `standing` counts the pictures in ready/ that wait for a service while none is running. Problems from a service's
    last scan are out of date once it has ended: they are still shown, but do not count.
    """
    found = _about_running(answer, now, scan_s) if answer["running"] else _about_ended(answer, standing)
    if held := [shown(s.path) for s in sightings if s.kind == "passed-over" and s.reason.why not in _PASSING]:
        found.append(f"Passed over in ready/ until you see to it: {_few(held)}.")
    if stuck := [job["picture"] for job in answer["jobs"] if job["state"] == State.STUCK]:
        found.append(f"Stuck, and kept safe: {_few(stuck)}.")
    return found


def _few(files: list[str]) -> str:
    more = f" and {len(files) - _MAX_NAMED} more" if len(files) > _MAX_NAMED else ""
    return ", ".join(files[:_MAX_NAMED]) + more


def _about_running(answer: dict[str, Any], now: datetime, scan_s: float) -> list[str]:
    from printqueue.ledger.freshness import age_s, is_in_future, patience_s

    found = list(answer["problems"])
    if answer["last_scan"] is None:
        return [*found, "The service has not finished its first look at ready/ yet."]
    age = age_s(answer["last_scan"], now)
    if is_in_future(age):
        found.append(f"The last look at ready/ lies in the future ({answer['last_scan']}): set the clock.")
    elif age > patience_s(scan_s):
        found.append(f"The last look at ready/ was {age:.0f} s ago; there should be one every {scan_s:g} s.")
    return found


def _about_ended(answer: dict[str, Any], standing: int) -> list[str]:
    found = []
    if standing:
        pictures = "1 picture stands" if standing == 1 else f"{standing} pictures stand"
        found.append(f"No service is running, and {pictures} in ready/.")
    if answer["counts"][State.WORKING]:
        found.append(f"No service is running, and {answer['counts']['working']} job(s) were left half-way.")
    return found
