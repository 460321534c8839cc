"""The service: scan, decide, hand out, record; until stopped, or once until nothing is left to do."""

from __future__ import annotations

import logging
import os
import threading
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field

from printqueue import durable, notify, recovery
from printqueue.durable import Stamp
from printqueue.errors import PrintqueueError, WorldError
from printqueue.house import Housekeeping
from printqueue.intake.claim import ChangedError
from printqueue.intake.scan import Seen, Sweep, sweep
from printqueue.intake.settle import Settler
from printqueue.intake.watch import Waker
from printqueue.ledger import LedgerError
from printqueue.model.job import Sighting, State
from printqueue.orders.place import place
from printqueue.shop import Ending, Outcome, Shop
from printqueue.text import shown
from printqueue.workflow import looks_unfinished, process

log = logging.getLogger("printqueue")

_BACK_OFF_S = (5.0, 15.0, 60.0, 300.0)
_PATIENCE = 6.0  # × settle: how long a file that looks cut short is given before it is judged
_GIVE_UP = 10.0  # × settle: a file that never stops changing is left by `--once`
_SHORTEST_WAIT_S = 0.05


@dataclass(slots=True)
class _Later:
    """Why a path is not offered before `at_s`, for exactly the file with `stamp`."""

    stamp: Stamp
    at_s: float
    says: str
    tries: int = 1
    deferred: bool = False


@dataclass(slots=True)
class Tally:
    """What one run did; decides the exit code of `serve --once`."""

    made: int = 0
    turned_back: int = 0
    stuck: int = 0
    deferred: int = 0


@dataclass(slots=True)
class Service:
    """One studio's service. `clock` is monotonic seconds; nothing compares file times with it."""

    shop: Shop
    clock: Callable[[], float]
    once: bool = False
    watch: bool = True
    tally: Tally = field(default_factory=Tally)
    _stop: threading.Event = field(default_factory=threading.Event)
    _wake: threading.Event = field(default_factory=threading.Event)
    _in_hand: dict[str, tuple[Seen, Future[Outcome]]] = field(default_factory=dict)
    _later: dict[str, _Later] = field(default_factory=dict)
    _since: dict[str, str] = field(default_factory=dict)

    def stop(self) -> None:
        """Ask the service to end; safe to call from a signal handler."""
        self._stop.set()
        self._wake.set()

    def run(self) -> Tally:
        """Work until stopped, or with `once` until nothing is left. Raises `LedgerError` when the ledger fails."""
        settings = self.shop.studio.config
        settler = Settler(settings.settle)
        house = Housekeeping(self.shop)
        workers = settings.workers or min(4, os.cpu_count() or 1)
        waker = Waker(self.shop.studio.path("ready"), self._wake) if self.watch and settings.watch == "auto" else None
        try:
            with ThreadPoolExecutor(workers, thread_name_prefix="picture") as pool:
                self._recover()
                notify.tell("READY=1")
                self._loop(settler, house, pool, workers, waker)
                notify.tell("STOPPING=1")
                self.shop.stop()
        finally:
            if waker is not None:
                waker.close()
        self._collect()
        return self.tally

    def _recover(self) -> None:
        while not self._stop.is_set():
            try:
                found = recovery.remember_prints(self.shop)
                if found:
                    log.warning("the ledger is new but print/ holds %d prints; their recipes are remembered", found)
                return recovery.recover(self.shop)
            except WorldError as error:
                log.warning("%s", error)
                if self.once:
                    raise
                self._stop.wait(self.shop.studio.config.scan)
        return None

    def _loop(
        self, settler: Settler, house: Housekeeping, pool: ThreadPoolExecutor, workers: int, waker: Waker | None
    ) -> None:
        while not self._stop.is_set():
            self._wake.clear()
            self._collect()
            mode = waker.mode if waker is not None else "poll"
            wait_s = self._turn(settler, house, pool, workers, mode)
            notify.tell("WATCHDOG=1")
            if wait_s is None:
                return
            self._wake.wait(wait_s)

    def _turn(
        self, settler: Settler, house: Housekeeping, pool: ThreadPoolExecutor, workers: int, mode: str
    ) -> float | None:
        """One scan and what follows; the seconds until the next is due, None when `once` is done."""
        scan_s = self.shop.studio.config.scan
        try:
            self.shop.studio.require_marker()
            self.shop.shelf.refresh()
            found = sweep(self.shop.studio.path("ready"))
        except (WorldError, OSError) as error:
            says = str(error) if isinstance(error, WorldError) else f"ready/ cannot be read: {error.strerror}"
            log.warning("%s", says)
            self.shop.ledger.scanned(mode, [says], [])
            return None if self.once and not self._in_hand else scan_s
        house.tidy(found, set(self._in_hand))
        settler.forget_all_but({seen.path for seen in found.pictures})
        waits, sightings = self._decide(found, settler, pool, workers)
        sightings += [
            Sighting(path, "passed-over", "", None, self._seen_since(path), why) for path, why in found.passed_over
        ]
        sightings += house.unknown_folders(found, self._seen_since)
        self.shop.ledger.scanned(mode, [str(problem) for problem in self.shop.shelf.problems], sightings)
        if self.once and not waits and not self._in_hand:
            return None
        return min([scan_s, *(max(wait, _SHORTEST_WAIT_S) for wait in waits)])

    def _decide(
        self, found: Sweep, settler: Settler, pool: ThreadPoolExecutor, workers: int
    ) -> tuple[list[float], list[Sighting]]:
        """Hand out what is ready; how long the rest must wait, and why, for status."""
        now, waits, sightings = self.clock(), [], []
        papers = self.shop.shelf.papers
        for seen in found.pictures:
            where = place(seen.parts, papers)
            if seen.path in self._in_hand or where.unknown is not None or self._is_parked(seen):
                continue
            wait_s, why, final = self._wait(seen, settler, now)
            if wait_s <= 0 and len(self._in_hand) < workers:
                self._hand_out(seen, pool)
                continue
            if not final:
                waits.append(wait_s)
            says = why if wait_s > 0 else "queued: other pictures are being worked on"
            paper = where.paper or self.shop.studio.config.default_paper or ""
            sightings.append(Sighting(seen.path, "waiting", paper, where.size, self._seen_since(seen.path), says))
        return waits, sightings

    def _wait(self, seen: Seen, settler: Settler, now: float) -> tuple[float, str, bool]:
        """Seconds still to wait, why, and whether `once` need not wait for it."""
        quiet_s = settler.look(seen, now)
        if quiet_s > 0:
            first = settler.first_seen(seen.path) or now
            left = self.once and now - first > _GIVE_UP * max(self.shop.studio.config.settle, 1.0)
            return quiet_s, "arriving: waiting until it is quiet", left
        later = self._later.get(seen.path)
        if later is None or later.stamp != seen.stamp:
            self._later.pop(seen.path, None)
            return 0.0, "", False
        return later.at_s - now, later.says, self.once and later.deferred

    def _is_parked(self, seen: Seen) -> bool:
        last = self.shop.ledger.last_at(seen.path)
        return (
            last is not None
            and last.state is State.STUCK
            and (last.inode, last.size, last.mtime_ns) == (seen.stamp.inode, seen.stamp.size, seen.stamp.mtime_ns)
        )

    def _hand_out(self, seen: Seen, pool: ThreadPoolExecutor) -> None:
        later = self._later.get(seen.path)
        patient = later is not None and later.stamp == seen.stamp and not later.deferred
        log.info("working on %s", shown(seen.path))
        self._in_hand[seen.path] = (seen, pool.submit(self._attempt, seen, patient))

    def _attempt(self, seen: Seen, patient: bool) -> Outcome:
        """In a worker thread: give a file that looks cut short some more time once, then take it as it is."""
        try:
            if not patient and self.shop.studio.config.settle > 0:
                why = looks_unfinished(self.shop, seen)
                if why is not None:
                    return Outcome(Ending.AGAIN, f"{why} Perhaps it is still being copied; it gets some more time.")
            return process(self.shop, seen)
        except ChangedError:
            return Outcome(Ending.AGAIN, "it changed; waiting until it is quiet")
        finally:
            self._wake.set()

    def _collect(self) -> None:
        """Take in finished attempts. An unexpected error is ours: it parks nothing and ends the service loudly."""
        for path, (seen, future) in list(self._in_hand.items()):
            if future.done():
                del self._in_hand[path]
                self._take_in(seen, _outcome(future))

    def _take_in(self, seen: Seen, outcome: Outcome) -> None:
        log.info("%s: %s", shown(seen.path), shown(outcome.says, limit=600) or outcome.ending)
        tries = self._later[seen.path].tries + 1 if seen.path in self._later else 1
        self._later.pop(seen.path, None)
        now = self.clock()
        match outcome.ending:
            case Ending.PRINTABLE:
                self.tally.made += 1
            case Ending.REVIEW:
                self.tally.turned_back += 1
            case Ending.STUCK:
                self.tally.stuck += 1
            case Ending.AGAIN:
                wait_s = _PATIENCE * self.shop.studio.config.settle
                self._later[seen.path] = _Later(seen.stamp, now + wait_s, outcome.says, tries)
            case Ending.RETRY:
                self._later[seen.path] = _Later(seen.stamp, now, outcome.says, tries)
            case Ending.DEFERRED:
                self.tally.deferred += 1
                wait_s = _BACK_OFF_S[min(tries, len(_BACK_OFF_S)) - 1]
                self._later[seen.path] = _Later(seen.stamp, now + wait_s, outcome.says, tries, deferred=True)
        if outcome.ending in (Ending.PRINTABLE, Ending.REVIEW, Ending.WITHDRAWN):
            self._since.pop(seen.path, None)

    def _seen_since(self, path: str) -> str:
        return self._since.setdefault(path, self.shop.now())


def _outcome(future: Future[Outcome]) -> Outcome:
    try:
        return future.result()
    except LedgerError:
        raise
    except (PrintqueueError, OSError) as error:
        # Nothing was recorded as done, so recovery or the next scan takes it up again.
        return Outcome(Ending.DEFERRED, f"{error}")


__all__ = ["Service", "Tally", "durable"]
