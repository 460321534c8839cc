"""`printqueue status`."""

from __future__ import annotations

import argparse
from typing import Any

from printqueue.cli.console import add_json, print_json, say, studio_of, table
from printqueue.errors import Exit


def arguments(command: argparse.ArgumentParser) -> None:
    """How to answer."""
    add_json(command)


def run(options: argparse.Namespace) -> int:
    """Read the ledger; never blocks the service."""
    from printqueue.ledger import LedgerReader
    from printqueue.studio import is_served

    studio = studio_of(options)
    ledger = LedgerReader(studio.ledger)
    beat = ledger.heartbeat()
    answer = collect(ledger, running=is_served(studio))
    if options.json:
        print_json(answer)
        return Exit.DONE
    _say(answer, beat.problems)
    return Exit.DONE


def collect(ledger: Any, *, running: bool) -> dict[str, Any]:
    """The object of `status --json`."""
    from printqueue.text import shown

    beat, sightings = ledger.heartbeat(), ledger.sightings()
    jobs = [
        {
            "job": p.job,
            "picture": shown(p.path),
            "paper": p.paper,
            "size": p.size,
            "state": str(p.state),
            "since": p.since,
            "says": p.says,
        }
        for p in ledger.prints(open_only=True)
    ]
    known = {job["picture"] for job in jobs if job["state"] in ("waiting", "working")}
    waiting = [s for s in sightings if s.kind == "waiting" and shown(s.path) not in known]
    jobs += [
        {
            "job": None,
            "picture": shown(s.path),
            "paper": s.paper,
            "size": s.size,
            "state": "waiting",
            "since": s.since,
            "says": s.says,
        }
        for s in waiting
    ]
    counts = ledger.counts()
    counts["waiting"] += len(waiting)
    return {
        "running": running,
        "last_scan": beat.last_scan,
        "watch": beat.watch,
        "counts": counts,
        "jobs": jobs,
        "passed_over": [{"file": shown(s.path), "why": s.says} for s in sightings if s.kind == "passed-over"],
    }


def _say(answer: dict[str, Any], problems: tuple[str, ...]) -> None:
    state = "running" if answer["running"] else "not running (start it with: printqueue serve)"
    mode = "file events and the clock" if answer["watch"] == "events" else "the clock"
    say(f"Service {state}. Last look at ready/: {answer['last_scan'] or 'never'}, woken by {mode}.")
    say(", ".join(f"{name} {count}" for name, count in answer["counts"].items()))
    for problem in problems:
        say(f"Rules: {problem}")
    rows = [
        (
            str(job["job"] or "-"),
            job["state"],
            job["picture"],
            f"{job['paper']} {job['size'] or ''}".strip(),
            job["says"],
        )
        for job in answer["jobs"]
    ]
    if rows:
        table("Open", ("job", "state", "picture", "for", "why"), rows, wide=4)
    if answer["passed_over"]:
        table(
            "Passed over, left where they are",
            ("file", "why"),
            [(p["file"], p["why"]) for p in answer["passed_over"]],
            wide=1,
        )
