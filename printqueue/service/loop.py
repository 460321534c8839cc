"""The service loop: scan, decide, hand out, record; until stopped or, with `--once`, until nothing is left to do."""

from __future__ import annotations

import logging
import os
import threading
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from functools import partial

from printqueue.core.errors import WorldError
from printqueue.core.model.job import Arrival, Sighting, State
from printqueue.core.model.seen import Seen
from printqueue.core.model.why import Reason, Why, told
from printqueue.core.nearest import suggestion
from printqueue.core.text import shown
from printqueue.ledger import LedgerWaitsError
from printqueue.reports.daybook import Daybook
from printqueue.service import recovery, supervisor
from printqueue.service.companions import Companions
from printqueue.service.context import Ending, Outcome, ServiceContext
from printqueue.service.housekeeping import Housekeeping
from printqueue.service.intake.scan import Sweeper
from printqueue.service.intake.watch import Waker
from printqueue.service.journal import about
from printqueue.service.late_orders import LateOrders
from printqueue.service.notices.events import Events
from printqueue.service.waiting import WaitingRoom, back_off_s
from printqueue.service.workers import Workers
from printqueue.service.workflow import process

log = logging.getLogger("printqueue")

_SHORTEST_WAIT_S = 0.05
_REST = 10.0  # × the duration of a look at ready/: the rest after it. With ten thousand files a look may take 0.1 s
_STOP_S = 5.0  # for threads to return once their children are killed
_TELL_S = 10.0  # for the last notices of `once`


@dataclass(slots=True)
class Tally:
    """Counts what one run did, for the exit code of `serve --once`."""

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


class Service:
    """One studio's service. `clock` returns monotonic seconds, never compared with a file's time.

    `leave` ends the process at once: a thread that hangs on a dead share would otherwise keep running after the lock is
    released.
    """

    def __init__(
        self,
        context: ServiceContext,
        clock: Callable[[], float],
        *,
        once: bool = False,
        watch: bool = True,
        leave: Callable[[int], object] = os._exit,
    ) -> None:
        self.context, self.tally = context, Tally()
        self._clock, self._once, self._leave = clock, once, leave
        self._stop, self._wake = threading.Event(), threading.Event()
        self._watch = watch and context.studio.config.watch == "auto"
        self._sweeper = Sweeper(context.studio.path("ready"))
        self._room = WaitingRoom(context, clock, once=once)
        self._housekeeping = Housekeeping(context)
        self._problems_said: tuple[str, ...] = ()
        self._late = LateOrders(context, clock)
        self._companions = Companions(context)
        self._workers = Workers(context.lanes.workers, self._wake.set, clock)
        self._events = Events(context)
        self._daybook = Daybook(context.studio, context.shelf, clock=clock)
        self._waker: Waker | None = None
        self._since: dict[str, str] = {}  # passed-over path → since when
        self._was_gone = False  # the share was gone for a while
        self._held_up_by = ""  # the last reason for waiting that was logged
        self._status = ""  # one sentence for the supervisor
        self._changed = threading.Event()  # a reason to look before the next look is due
        self._due_s, self._rested_s = 0.0, 0.0  # when the next look is due, and the earliest time for it
        self._unfinished: dict[int, tuple[float, int]] = {}  # arrival → (next try, tries)

    def stop(self) -> None:
        """Ask the service to end; safe in a signal handler."""
        self._stop.set()
        self.wake()

    def wake(self) -> None:
        """Look at ready/ and rules/ soon; safe in a signal handler and from any thread."""
        self._changed.set()
        self._wake.set()

    def run(self) -> Tally:
        """Work until stopped or, with `once`, until nothing is left. Raises `LedgerError`, `ForkServerDiedError`."""
        try:
            self._recover()
            if self._watch:  # before the first look, or files that come in between would be missed
                self._waker = Waker(self.context.studio.path("ready"), self.wake)
            supervisor.ready("looking at ready/ for the first time")
            self._loop()
        finally:
            supervisor.stopping("ending; work in hand starts again at the next start")
            self._end()
        self._collect()
        self._daybook.close()
        return self.tally

    def _end(self) -> None:
        """Wait for no picture: kill the children, whose pictures go back to waiting."""
        asked = self._stop.is_set()
        self.context.stop()
        left = self._workers.let_go(_STOP_S)
        self._events.close(0.0 if asked else _TELL_S)
        if self._waker is not None:
            self._waker.close()
        if left:
            log.warning("%d picture(s) in hand do not come back; they stay as they are, and nothing is lost", left)
            self._leave(0)

    def _recover(self) -> None:
        while not self._stop.is_set():
            try:
                found = recovery.remember_prints(self.context, self._stop.is_set)
                if found:
                    log.warning("the ledger is new but print/ holds %d prints; their recipes are remembered", found)
                return recovery.recover(self.context)
            except (WorldError, LedgerWaitsError) as error:
                if self._once:
                    log.warning("%s", error)
                    raise
                self._cannot_begin(error)
                supervisor.ready(str(error))  # running, though waiting: `systemctl start` must not hang on a share
                self._stop.wait(self._scan_s)
                supervisor.alive()
        return None

    def _cannot_begin(self, error: WorldError | LedgerWaitsError) -> None:
        """Report it, even if the ledger cannot take a row right now."""
        with suppress(LedgerWaitsError):
            if isinstance(error, WorldError):
                self._world_failed(error)
                return
        self._wait_for_world(str(error))

    def _loop(self) -> None:
        """Take a full look when one is due; when a picture merely ends, hand out the next in the queue at once."""
        while not self._stop.is_set():
            self._wake.clear()
            came_back = self._collect()
            if came_back and not self._hand_out(self._room.more(self._workers.paths, self._workers.free)):
                self._changed.set()  # the queue of the last look is empty
            now = self._clock()
            if now >= self._due_s or (self._changed.is_set() and now >= self._rested_s):
                if not self._look(now):
                    return
            else:
                self._wake.wait((self._rested_s if self._changed.is_set() else self._due_s) - now)

    def _look(self, began_s: float) -> bool:
        """Take one look and set when the next is due; False when `once` is done."""
        self._changed.clear()
        if self._waker is not None:
            self._waker.check()
        try:
            wait_s = self._turn()
        except LedgerWaitsError as error:
            wait_s = self._wait_for_world(str(error))
        supervisor.alive(self._status)
        now = self._clock()
        self._due_s = now + (wait_s or 0.0)
        self._rested_s = min(self._due_s, now + max(_SHORTEST_WAIT_S, _REST * (now - began_s)))
        return wait_s is not None

    def _collect(self) -> int:
        """Process the attempts that have ended; return how many. Raises `LedgerError`, `ForkServerDiedError`."""
        ended = 0
        for path, seen, outcome in self._workers.collect():
            what = about(picture=path, event=str(outcome.ending))
            log.info("%s: %s", shown(path), shown(outcome.says, limit=600) or outcome.ending, extra=what)
            self.tally.add(outcome.ending)
            self._events.ended(path, outcome)
            ended += 1
            self._room.look_up(path)
            if seen is not None:
                self._room.take_in(seen, outcome)
        return ended

    def _say_problems(self) -> None:
        """Log unusable rules and settings whenever they change."""
        shelf, usual = self.context.shelf, self.context.studio.config.default_paper
        problems = tuple(str(problem) for problem in shelf.problems)
        if usual is not None and usual not in shelf.papers:
            problems += (f"studio.yaml, default_paper: no paper '{usual}'. {suggestion(usual, shelf.papers)}",)
        for problem in problems if problems != self._problems_said else ():
            log.warning("rules: %s", shown(problem, limit=400))
        self._problems_said = problems

    def _turn(self) -> float | None:
        """Scan and act on the result; return seconds until the next scan is due, None when `once` is done."""
        try:
            self.context.studio.require_folders()
            self.context.shelf.refresh()
            self._say_problems()
            found = self._sweeper.sweep()
            if self._waker is not None:
                self._waker.scanned(found, self._clock())
            if self._held_up_by:
                log.warning("the studio's folders are all there again; going on")
                self._held_up_by = ""
            self._was_gone = self._events.share_is_back() or self._was_gone
            if self._was_gone and not self._workers.paths:
                recovery.drop_strays(self.context)  # temps that could not be removed when the share went
                self._was_gone = False
            touched = self._room.update(found)
            self._housekeeping.tidy(found, touched, self._workers.paths)
            waits = self._finish_left()
            offer = self._room.offer(self._workers.paths, self._workers.free)
            folders = self._housekeeping.unknown_folders(offer.unknown)
            lone = [*self._late.tidy(found.lone_orders), *self._companions.lone(found)]
        except (WorldError, OSError) as error:
            return self._world_failed(error)
        self._hand_out(offer.now)
        self._status = supervisor.looked(
            len(offer.sightings), len(self._workers.paths), f"{self.context.now()[11:19]} UTC"
        )
        passed = [self._passed_over(path, reason) for path, reason in (*found.passed_over, *lone, *folders)]
        self._since = {one.path: one.since for one in passed}
        self._record([*offer.sightings, *passed])
        waits += [] if offer.wait_s is None else [offer.wait_s]
        if self._once and not waits and not self._workers.paths:
            return None
        return min([self._scan_s, *(max(one, _SHORTEST_WAIT_S) for one in waits)])

    @property
    def _scan_s(self) -> float:
        return min(self.context.studio.config.scan, supervisor.pace_s())

    def _passed_over(self, path: str, reason: Reason) -> Sighting:
        return Sighting(path, "passed-over", "", None, self._since.get(path) or self.context.now(), reason)

    def _record(self, sightings: list[Sighting]) -> None:
        problems = [str(problem) for problem in self.context.shelf.problems] + self._events.problems()
        problems += [f"The daybook cannot be written: {self._daybook.problem}"] if self._daybook.problem else []
        if not os.path.isdir(self.context.studio.path("profiles")):
            problems.append("profiles/ is not there. Pictures wait. Put it back; work goes on by itself.")
        self._scanned(problems, sightings)
        self._daybook.keep(sightings, problems)

    def _scanned(self, problems: list[str], sightings: list[Sighting]) -> None:
        mode, why = "poll", "asked for (watch: poll, or --no-watch)"
        if self._waker is not None:
            mode, why = self._waker.mode, self._waker.why
        self.context.ledger.scanned(mode, problems, sightings, why)

    def _world_failed(self, error: WorldError | OSError) -> float | None:
        """The studio cannot be scanned: say so and wait."""
        says = (
            str(error) if isinstance(error, WorldError) else f"The studio's folders cannot be read: {error.strerror}."
        )
        self._events.share_is_gone(says)
        self._status = f"waiting: {says}"
        self._scanned([says], self._held_up(error))
        return self._wait_for_world(says)

    def _held_up(self, error: WorldError | OSError) -> list[Sighting]:
        """What waits in ready/ meanwhile, if ready/ itself can be scanned."""
        why = error.says.split(". ")[0] if isinstance(error, WorldError) else str(error.strerror)
        try:
            self.context.studio.require_folder("ready")
            return self._room.held_up(self._sweeper.sweep(), told(shown(why, limit=200)))
        except (WorldError, OSError):
            return []

    def _wait_for_world(self, says: str) -> float | None:
        """Log it once; return seconds to the next look, or None with `once`, which leaves the work undone instead."""
        if says != self._held_up_by:
            log.warning("%s", says)
            self._held_up_by = says
        if not self._once or self._workers.paths:
            return self._scan_s
        self.tally.deferred += 1
        return None

    def _hand_out(self, pictures: Sequence[Seen]) -> int:
        """Start work on `pictures`; return how many there were."""
        for seen in pictures:
            log.info("working on %s", shown(seen.path), extra=about(picture=seen.path, event="working"))
            patient = self._room.is_patient(seen) or self.context.studio.config.settle == 0
            self._workers.take(seen.path, seen, partial(process, self.context, seen, patient=patient))
        return len(pictures)

    def _finish_left(self) -> list[float]:
        """Finish publications that a failing disk or share interrupted, in threads because hashing may take long.

        Returns how long each of the others must wait.
        """
        now, waits, in_hand = self._clock(), [], self._workers.paths
        left = [arrival for arrival in self.context.ledger.arrivals(State.WORKING) if arrival.path not in in_hand]
        for arrival in left:
            at_s, tries = self._unfinished.get(arrival.id, (now + back_off_s(1), 1))
            if now >= at_s:
                self._workers.take(arrival.path, None, partial(_finished, self.context, arrival))
                at_s, tries = now + back_off_s(tries + 1), tries + 1
            elif not self._once:
                waits.append(at_s - now)
            self._unfinished[arrival.id] = at_s, tries
        if not left:
            self._unfinished.clear()
        return waits


def _finished(context: ServiceContext, arrival: Arrival) -> Outcome:
    try:
        outcome = recovery.finish(context, arrival)
    except WorldError as error:
        return Outcome(Ending.UNFINISHED, told(str(error)))
    return outcome or Outcome(Ending.RETRY, Reason(Why.STARTS_AGAIN))
