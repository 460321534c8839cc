"""`printqueue status`."""

from __future__ import annotations

import argparse
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from printqueue.cli.console import add_json, print_json, say, studio_of, table
from printqueue.errors import Exit

if TYPE_CHECKING:
    from printqueue.ledger import LedgerReader
    from printqueue.studio import Studio

_CODES = (
    "Ends with 0 where nothing needs a human, with 3 where something does: a job is stuck; the running service names a "
    "problem, or its last look at ready/ is older than twice `scan`; no service runs although pictures stand in ready/. "
    "Pictures turned back are normal and count as 0: their reasons stand in review/."
)


def arguments(command: argparse.ArgumentParser) -> None:
    """How to answer."""
    command.description = f"{command.description} {_CODES}"
    add_json(command)


def run(options: argparse.Namespace) -> int:
    """Read the ledger; never blocks the service."""
    from printqueue.ledger import LedgerReader
    from printqueue.queue_answer import attention, collect
    from printqueue.studio import is_served

    studio = studio_of(options)
    ledger = LedgerReader(studio.ledger)
    answer = collect(ledger, running=is_served(studio))
    now = datetime.now(UTC)
    standing = 0 if answer["running"] else _standing(studio, ledger)
    answer["attention"] = attention(answer, now, scan_s=studio.config.scan, standing=standing)
    if options.json:
        print_json(answer)
    else:
        _say(answer, now)
    return Exit.STUDIO if answer["attention"] else Exit.DONE


def _standing(studio: Studio, ledger: LedgerReader) -> int:
    """Pictures in ready/ that wait for a service. What was passed over (a folder that names no paper) has its answer."""
    from printqueue.intake.scan import sweep

    passed = {seen.path for seen in ledger.sightings() if seen.kind == "passed-over"}
    pictures = sweep(studio.path("ready")).pictures
    return sum(1 for seen in pictures if not passed & {seen.path, seen.parts[0]})


def _say(answer: dict[str, Any], now: datetime) -> None:
    state = "running" if answer["running"] else "not running (start it with: printqueue serve)"
    mode = "file events and the clock" if answer["watch"] == "events" else "the clock"
    why = f" ({answer['watch_because']})" if answer["watch_because"] else ""
    say(f"Service {state}. Last look at ready/: {_last(answer['last_scan'], now)}, woken by {mode}{why}.")
    say(", ".join(f"{name} {count}" for name, count in answer["counts"].items()))
    _say_oldest(answer["oldest_waiting"])
    for problem in answer["problems"]:
        say(f"Problem: {problem}")
    for sentence in answer["attention"]:
        if sentence not in answer["problems"]:
            say(f"Attention: {sentence}")
    _say_tables(answer)


def _last(last_scan: str | None, now: datetime) -> str:
    from printqueue.ledger.freshness import age_s

    return "never" if last_scan is None else f"{last_scan} ({age_s(last_scan, now):.0f} s ago)"


def _say_oldest(oldest: dict[str, Any] | None) -> None:
    if oldest is not None:
        until = f" Not tried before {oldest['deferred_until']}." if oldest["deferred_until"] else ""
        say(
            f"Waiting longest: {oldest['picture']}, since {oldest['since']}: {oldest['says'] or 'no reason known'}{until}"
        )


def _say_tables(answer: dict[str, Any]) -> None:
    if answer["jobs"]:
        rows = [_row(job) for job in answer["jobs"]]
        table("Open", ("job", "state", "picture", "for", "why"), rows, wide=4)
    if answer["passed_over"]:
        passed = [(p["file"], p["why"]) for p in answer["passed_over"]]
        table("Passed over, left where they are", ("file", "why"), passed, wide=1)


def _row(job: dict[str, Any]) -> tuple[str, str, str, str, str]:
    until = f" (until {job['deferred_until']})" if job["deferred_until"] else ""
    where = f"{job['paper']} {job['size'] or ''}".strip()
    return str(job["job"] or "-"), job["state"], job["picture"], where, f"{job['says']}{until}"
