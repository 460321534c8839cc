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
from printqueue.ledger import LedgerError, LedgerFullError
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

    def add(self, ending: Ending) -> None:
        """Count one attempt."""
        match ending:
            case Ending.PRINTABLE:
                self.made += 1
            case Ending.REVIEW:
                self.turned_back += 1
            case Ending.STUCK:
                self.stuck += 1
            case Ending.DEFERRED | Ending.UNFINISHED:
                self.deferred += 1


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
    _unfinished: dict[int, tuple[float, int]] = field(default_factory=dict)  # arrival → (next try, tries)

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
                try:
                    self._recover()
                    notify.tell("READY=1")
                    self._loop(settler, house, pool, workers, waker)
                    notify.tell("STOPPING=1")
                finally:
                    self.shop.stop()  # or leaving the pool would wait for every picture in hand
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
            try:
                wait_s = self._turn(settler, house, pool, workers, mode)
            except LedgerFullError as error:
                wait_s = self._wait_for_world(str(error))
            notify.tell("WATCHDOG=1")
            if wait_s is None:
                return
            if self._wake.wait(wait_s) and waker is not None:
                self._stop.wait(_SHORTEST_WAIT_S)  # a file that is being written wakes us at every block

    def _turn(
        self, settler: Settler, house: Housekeeping, pool: ThreadPoolExecutor, workers: int, mode: str
    ) -> float | None:
        """One scan and what follows; the seconds until the next is due, None when `once` is done."""
        scan_s = min(self.shop.studio.config.scan, notify.pace_s())
        try:
            self.shop.studio.require_marker()
            self.shop.shelf.refresh()
            found = sweep(self.shop.studio.path("ready"))
            house.tidy(found, set(self._in_hand))
            folders = house.unknown_folders(found, self._seen_since)
        except (WorldError, OSError) as error:
            return self._world_failed(error, mode)
        settler.forget_all_but({seen.path for seen in found.pictures})
        waits = self._finish_left()
        more, sightings = self._decide(found, settler, pool, workers)
        waits += more
        lone = [(path, "it is an order, and there is no picture that goes by it") for path in found.lone_orders]
        sightings += [
            Sighting(path, "passed-over", "", None, self._seen_since(path), why)
            for path, why in found.passed_over + lone
        ]
        sightings += folders
        self.shop.ledger.scanned(mode, [str(problem) for problem in self.shop.shelf.problems], sightings)
        if self.once and not waits and not self._in_hand:
            return None
        return min([scan_s, *(max(wait, _SHORTEST_WAIT_S) for wait in waits)])

    def _world_failed(self, error: WorldError | OSError, mode: str) -> float | None:
        """The studio cannot be looked through: say so and wait."""
        says = (
            str(error) if isinstance(error, WorldError) else f"The studio's folders cannot be read: {error.strerror}."
        )
        self.shop.ledger.scanned(mode, [says], [])
        return self._wait_for_world(says)

    def _wait_for_world(self, says: str) -> float | None:
        """Seconds to the next look; `once` does not wait, and is not done either."""
        log.warning("%s", says)
        if not self.once or self._in_hand:
            return self.shop.studio.config.scan
        self.tally.deferred += 1
        return None

    def _finish_left(self) -> list[float]:
        """Go on with publications that the disk or share stopped half-way; how long the others must wait."""
        now, waits = self.clock(), []
        for arrival in self.shop.ledger.arrivals(State.WORKING):
            if arrival.path in self._in_hand:
                continue
            at_s, tries = self._unfinished.get(arrival.id, (now + _back_off_s(1), 1))
            if now >= at_s:
                try:
                    outcome = recovery.finish(self.shop, arrival)
                except WorldError as error:
                    log.warning("%s: %s", shown(arrival.path), error)
                    at_s, tries = now + _back_off_s(tries + 1), tries + 1
                else:
                    self._unfinished.pop(arrival.id, None)
                    self.tally.add(outcome.ending if outcome is not None else Ending.AGAIN)
                    continue
            self._unfinished[arrival.id] = at_s, tries
            if not self.once:
                waits.append(at_s - now)
        return waits

    def _decide(
        self, found: Sweep, settler: Settler, pool: ThreadPoolExecutor, workers: int
    ) -> tuple[list[float], list[Sighting]]:
        """Hand out what is ready; how long the rest must wait, and why, for status."""
        now, waits, sightings = self.clock(), [], []
        papers, scan_s = self.shop.shelf.papers, self.shop.studio.config.scan
        for seen in found.pictures:
            where = place(seen.parts, papers)
            if seen.path in self._in_hand or where.unknown is not None or self._is_parked(seen):
                continue
            wait_s, why, final = self._wait(seen, settler, now)
            if wait_s <= 0 and len(self._in_hand) < workers:
                self._hand_out(seen, pool)
                continue
            if not final:
                waits.append(wait_s if wait_s > 0 else scan_s)  # in the queue: the end of an attempt wakes us
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
        """Stuck, or half published: not offered again as it stands."""
        last = self.shop.ledger.last_at(seen.path)
        return (
            last is not None
            and last.state in (State.STUCK, State.WORKING)
            and (last.inode, last.size, last.mtime_ns) == (seen.stamp.inode, seen.stamp.size, seen.stamp.mtime_ns)
        )

    def _hand_out(self, seen: Seen, pool: ThreadPoolExecutor) -> None:
        later = self._later.get(seen.path)
        patient = later is not None and later.stamp == seen.stamp and not later.deferred
        log.info("working on %s", shown(seen.path))
        future = pool.submit(self._attempt, seen, patient)
        self._in_hand[seen.path] = (seen, future)
        future.add_done_callback(lambda _: self._wake.set())

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

    def _collect(self) -> None:
        """Take in finished attempts. Raises `LedgerError`: without a ledger the service must end."""
        for path, (seen, future) in list(self._in_hand.items()):
            if future.done():
                del self._in_hand[path]
                self._take_in(seen, _outcome(future))

    def _take_in(self, seen: Seen, outcome: Outcome) -> None:
        log.info("%s: %s", shown(seen.path), shown(outcome.says, limit=600) or outcome.ending)
        tries = self._later[seen.path].tries + 1 if seen.path in self._later else 1
        self._later.pop(seen.path, None)
        now = self.clock()
        self.tally.add(outcome.ending)
        match outcome.ending:
            case Ending.AGAIN:
                wait_s = _PATIENCE * self.shop.studio.config.settle
                self._later[seen.path] = _Later(seen.stamp, now + wait_s, outcome.says, tries)
            case Ending.RETRY:
                self._later[seen.path] = _Later(seen.stamp, now, outcome.says, tries)
            case Ending.DEFERRED:
                self._later[seen.path] = _Later(
                    seen.stamp, now + _back_off_s(tries), outcome.says, tries, deferred=True
                )
        if outcome.ending in (Ending.PRINTABLE, Ending.REVIEW, Ending.WITHDRAWN):
            self._since.pop(seen.path, None)

    def _seen_since(self, path: str) -> str:
        return self._since.setdefault(path, self.shop.now())


def _back_off_s(tries: int) -> float:
    return _BACK_OFF_S[min(tries, len(_BACK_OFF_S)) - 1]


def _outcome(future: Future[Outcome]) -> Outcome:
    try:
        return future.result()
    except LedgerFullError as error:
        return Outcome(Ending.DEFERRED, str(error))
    except LedgerError:
        raise
    except (PrintqueueError, OSError) as error:
        # Nothing was claimed yet, so the next scan takes it up again.
        says = f"it cannot be read: {error.strerror}" if isinstance(error, OSError) else str(error)
        return Outcome(Ending.DEFERRED, says)


__all__ = ["Service", "Tally", "durable"]
