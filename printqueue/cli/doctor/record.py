"""The service and its ledger: is it alive, does anything need a human, can the record be trusted?"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime

from printqueue.cli.doctor.result import Result, Visit, bad, fine, warn
from printqueue.core.errors import StudioError
from printqueue.core.model.job import Heartbeat, State
from printqueue.core.text import shown
from printqueue.ledger import LedgerDamagedError, Wanted, freshness
from printqueue.service.lock import is_served

_MAX_NAMED = 20
_SET_ASIDE = (
    "Restart the service: it will set ledger.sqlite aside under a dated name, read out of it what can be read, and "
    "remember what stands in print/; nothing is printed twice."
)


def service(visit: Visit) -> Iterator[Result]:
    """Whether it is running and has scanned recently: the process alone proves nothing."""
    running = is_served(visit.known)
    try:
        beat = visit.ledger.heartbeat()
    except StudioError:  # reported by `ledger`
        beat = Heartbeat(None, "poll", ())
    yield service_result(running, beat.last_scan, visit.now, visit.known.config.scan)
    known = {str(problem) for problem in visit.shelf.problems}
    for problem in beat.problems if running else ():
        if problem not in known:
            yield warn(f"At its last look it said: {shown(problem, limit=400)}", "Put that right.")


def service_result(running: bool, last_scan: str | None, now: datetime, scan_s: float) -> Result:
    """Pure: whether a service is looking after the studio. `last_scan` is RFC 3339 UTC."""
    if not running:
        last = f" Last look at ready/: {last_scan}." if last_scan else ""
        return warn(f"Not running.{last}", "Start it: printqueue serve, or systemctl enable --now printqueue.")
    if last_scan is None:
        return warn("Running, but it has not looked at ready/ yet.", "Ask again in a moment.")
    age_s = freshness.age_s(last_scan, now)
    if freshness.is_in_future(age_s):
        return warn(f"Running; its last look lies in the future ({last_scan}).", "Set the clock.")
    if age_s > freshness.patience_s(scan_s):
        return warn(
            f"Running, but its last look at ready/ was {age_s:.0f} s ago; it should look every {scan_s:g} s.",
            "Is the share hanging? If this stays, restart the service: nothing is lost by that.",
        )
    return fine(f"Running; last look at ready/ {max(age_s, 0):.0f} s ago.")


def ledger(visit: Visit) -> Iterator[Result]:
    """Run SQLite's own quick check, read-only; report a damaged ledger that was set aside and is still there."""
    if not visit.ledger.exists:
        yield fine("Not there yet: the service makes it at its first start.")
        return
    try:
        damage = visit.ledger.damage()
    except StudioError as error:
        yield bad(error.says, _SET_ASIDE if isinstance(error, LedgerDamagedError) else error.do)
        return
    if damage:
        says = f"It is damaged: {shown('; '.join(damage))}. Pictures and prints are untouched."
        yield bad(says, _SET_ASIDE)
    else:
        yield fine("SQLite finds no damage.")
        yield from (warn(one.says, one.do) for one in visit.ledger.rebuilds())


def stuck(visit: Visit) -> Iterator[Result]:
    """Jobs that need a human, one line each."""
    try:
        with visit.ledger.at_once():
            found = [
                (f"Job {p.job}", p.path, p.says)
                for p in visit.ledger.prints(Wanted(open_only=True))
                if p.state is State.STUCK
            ]
            found += [("No job yet", a.path, a.says) for a in visit.ledger.unplanned() if a.state is State.STUCK]
    except StudioError:  # reported by `ledger`
        return
    for name, path, says in found[:_MAX_NAMED]:
        yield warn(
            f"{name}, {shown(path)}: {shown(says, limit=400)}", "Move it out of ready/ and in again, or export it anew."
        )
    if len(found) > _MAX_NAMED:
        yield warn(f"And {len(found) - _MAX_NAMED} more.", "See `printqueue status`.")
    if not found:
        yield fine("No job needs a human.")


def prints(visit: Visit) -> Iterator[Result]:
    """How many prints have been made. Their masters are not hashed here."""
    try:
        made = visit.ledger.counts()[State.PRINTABLE]
    except StudioError:  # reported by `ledger`
        return
    yield fine(f"{made} made. Whether their masters are whole was not tried (no file was hashed).")
