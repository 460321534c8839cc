"""What `status` answers: the contract's object, and what of it needs a human. Only ledger rows go in."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from typing import TYPE_CHECKING, Any

from printqueue.core.text import shown
from printqueue.ledger import Wanted

if TYPE_CHECKING:
    from printqueue.core.model.job import Sighting
    from printqueue.ledger import LedgerReader

_MOST_NAMED = 3
# What is passed over for these reasons goes on by itself (a program is at work, an order came before its picture), or will
# never be a picture, whoever looks.
_PASSING = (
    "its name says that a program",
    "it is empty",
    "it is an order",
    "it came too late",
    "folders that begin with",
)


def collect(ledger: LedgerReader, *, running: bool) -> dict[str, Any]:
    """The object of `status --json`, all of one moment."""
    with ledger.at_once():
        beat, sightings, counts = ledger.heartbeat(), ledger.sightings(), ledger.counts()
        waiting = {s.path: s for s in sightings if s.kind == "waiting"}
        jobs, known = _known_jobs(ledger, waiting)
        rebuilt = ledger.rebuilds()
    unclaimed = [s for path, s in waiting.items() if path not in known]
    jobs += [_entry(None, s.path, s.paper, s.size, "waiting", s.since, s.says, s.until) for s in unclaimed]
    counts["waiting"] += len(unclaimed)
    return {
        "running": running,
        "last_scan": beat.last_scan,
        "watch": beat.watch,
        "counts": counts,
        "jobs": jobs,
        "passed_over": [{"file": shown(s.path), "why": s.says} for s in sightings if s.kind == "passed-over"],
        # beyond the contract's keys
        "watch_because": beat.why,
        "oldest_waiting": _oldest(jobs),
        "problems": [*beat.problems, *(f"{one.says} {one.do}" for one in rebuilt)],
    }


def _known_jobs(ledger: LedgerReader, waiting: dict[str, Sighting]) -> tuple[list[dict[str, Any]], set[str]]:
    """Open prints, then arrivals of which none was planned; and the paths that so stand in the queue already."""
    jobs: list[dict[str, Any]] = []
    known = set()
    for p in ledger.prints(Wanted(open_only=True)):
        jobs.append(_as_seen(_entry(p.job, p.path, p.paper, p.size, p.state, p.since, p.says), waiting.get(p.path)))
        known |= {p.path} if p.state in ("waiting", "working") else set()
    for a in ledger.unplanned():
        seen = waiting.get(a.path)
        paper = seen.paper if seen else a.path.rpartition("/")[0].partition("/")[0]
        size = seen.size if seen else None
        jobs.append(_as_seen(_entry(None, a.path, paper, size, a.state, a.since, a.says), seen))
        known |= {a.path} if a.state in ("waiting", "working") else set()
    return jobs, known


def _entry(
    job: int | None,
    path: str,
    paper: str,
    size: str | None,
    state: str,
    since: str,
    says: str,
    until: str | None = None,
) -> dict[str, Any]:
    return {
        "job": job,
        "picture": shown(path),
        "paper": paper,
        "size": size,
        "state": str(state),
        "since": since,
        "says": says,
        "deferred_until": until,
    }


def _as_seen(entry: dict[str, Any], seen: Sighting | None) -> dict[str, Any]:
    """A job that waits: the last scan knows best why, until when, and since when the picture stands there."""
    if seen is None or entry["state"] != "waiting":
        return entry
    since = min(entry["since"], seen.since)
    return entry | {"since": since, "says": seen.says or entry["says"], "deferred_until": seen.until}


def _oldest(jobs: Iterable[dict[str, Any]]) -> dict[str, Any] | None:
    waiting = [job for job in jobs if job["state"] == "waiting"]
    if not waiting:
        return None
    first = min(waiting, key=lambda job: str(job["since"]))
    return {key: first[key] for key in ("picture", "since", "says", "deferred_until")}


def attention(answer: dict[str, Any], now: datetime, *, scan_s: float, standing: int) -> list[str]:
    """Why a human is needed, a sentence each; empty where all is well.

    `standing` counts the pictures in ready/ that wait for a service, where none runs. Problems that a service
    named at its last look are old once it has ended: they are shown, and do not count then.
    """
    found = _about_running(answer, now, scan_s) if answer["running"] else _about_ended(answer, standing)
    stuck = [job["picture"] for job in answer["jobs"] if job["state"] == "stuck"]
    if held := [one["file"] for one in answer.get("passed_over", ()) if not one["why"].startswith(_PASSING)]:
        more = f" and {len(held) - _MOST_NAMED} more" if len(held) > _MOST_NAMED else ""
        found.append(f"Passed over in ready/ until you see to it: {', '.join(held[:_MOST_NAMED])}{more}.")
    if stuck:
        more = f" and {len(stuck) - _MOST_NAMED} more" if len(stuck) > _MOST_NAMED else ""
        found.append(f"Stuck, and kept safe: {', '.join(stuck[:_MOST_NAMED])}{more}.")
    return found


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
    if answer["counts"]["working"]:
        found.append(f"No service is running, and {answer['counts']['working']} job(s) were left half-way.")
    return found
