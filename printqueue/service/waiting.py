"""What waits in ready/ between scans, why, and which picture is next.

First come, first served. A picture that failed through no fault of its own backs off, so that it never starves newer
ones; one that needs more room than is free lets others pass, but not forever.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta

from printqueue.core.model.job import Sighting
from printqueue.core.model.seen import Seen
from printqueue.core.model.why import NOTHING, Reason, Why
from printqueue.ledger import LedgerReader
from printqueue.sandbox.needs import Need
from printqueue.service.context import Ending, Outcome, ServiceContext
from printqueue.service.intake.scan import Sweep
from printqueue.service.intake.settle import Settler
from printqueue.service.lanes import Refusal
from printqueue.service.standing import Standing, standing
from printqueue.studio.orders.drop_folder import DropFolder, drop_folder

_BACK_OFF_S = (5.0, 15.0, 60.0, 300.0)
_PATIENCE = 6.0  # × settle: how long a file that looks cut short gets before it is judged
_GIVE_UP = 10.0  # × settle: how long `--once` waits for a file that never stops changing
_RESTARTS = 3  # immediate retries in a row of a picture that changed, or whose order changed, while in hand
_OVERTAKEN_S = 60.0  # how long smaller pictures may pass one that is short of memory


@dataclass(slots=True)
class _Entry:
    """One picture in ready/, exactly as it stands there."""

    seen: Seen
    since: str  # RFC 3339
    number: int  # order of arrival
    where: DropFolder | None = None
    settled: bool = False
    is_known: bool = False  # the ledger has been asked
    standing: Reason | None = None  # why it is not offered as it stands
    at_s: float = 0.0  # not offered before this
    reason: Reason = NOTHING  # why not, from its last attempt
    tries: int = 0
    ending: Ending | None = None  # of its last attempt
    restarts: int = 0  # attempts in a row wasted because it changed
    rest_s: float = 0.0  # not offered before this, because of `restarts`
    need: Need | None = None  # known once it was refused for lack of room
    blocked_s: float | None = None  # since when it has been short of memory
    sighting: Sighting | None = None


@dataclass(slots=True)
class Offer:
    """The result of one scan."""

    now: list[Seen] = field(default_factory=list)  # to hand out, in this order
    wait_s: float | None = None  # until the next is due; None: nothing left to wait for
    sightings: list[Sighting] = field(default_factory=list)
    unknown: set[str] = field(default_factory=set)  # folders of ready/ that name no paper

    def wait(self, seconds: float) -> None:
        """Note that something is due in `seconds`."""
        self.wait_s = seconds if self.wait_s is None else min(self.wait_s, seconds)


class WaitingRoom:
    """Remembers the pictures in ready/. `clock` returns monotonic seconds, never compared with a file's time."""

    def __init__(self, context: ServiceContext, clock: Callable[[], float], *, once: bool) -> None:
        self._context, self._clock, self._once = context, clock, once
        self._settler = Settler(context.studio.config.settle)
        self._entries: dict[str, _Entry] = {}
        self._papers: tuple[str, ...] = ()
        self._arrived = 0
        self._pictures: list[Seen] | None = None  # of the last scan
        self._active: list[_Entry] | None = None  # those waiting only for time or room; None: to be sorted out again
        self._unknown: set[str] = set()
        self._done: list[Sighting] = []
        self._untold: set[str] = set()  # gone or changed while everything was held up
        self._queue: deque[_Entry] = deque()  # those that the last offer left waiting for others
        self._before: Mapping[str, str] | None = None  # path → since when, from an earlier run

    def update(self, found: Sweep) -> set[str]:
        """Take in what a scan found; returns the paths that have gone or changed since the last call."""
        touched, self._untold = self._taken_in(found) | self._untold, set()
        return touched

    def _taken_in(self, found: Sweep) -> set[str]:
        pictures: Collection[Seen] = found.pictures
        if pictures is self._pictures:
            return set()
        self._pictures, self._active = found.pictures, None
        if self._before is None:
            self._before = {one.path: one.since for one in LedgerReader(self._context.studio.ledger).sightings()}
            pictures = sorted(pictures, key=lambda seen: ((self._before or {}).get(seen.path, "~"), seen.path))
        entries, touched = {}, set()
        for seen in pictures:
            entry = self._entries.get(seen.path)
            if entry is None or entry.seen is not seen:
                if entry is not None:
                    touched.add(seen.path)
                entry = self._renewed(entry, seen)
            entries[seen.path] = entry
        for path in self._entries.keys() - entries.keys():
            if found.is_dark(path):  # keeps its place until it can be seen again
                entries[path] = self._entries[path]
            else:
                touched.add(path)
        self._entries = entries
        self._settler.forget_all_but(set(entries))
        return touched

    def _renewed(self, before: _Entry | None, seen: Seen) -> _Entry:
        """The entry of a new picture, or of a changed one, which keeps its place in the queue."""
        if before is not None and _only_touched(before.seen, seen):
            return replace(before, seen=seen, settled=False, is_known=False, sighting=None)
        if before is not None:
            kept = _Entry(seen, before.since, before.number, before.where)
            kept.restarts, kept.rest_s = before.restarts, before.rest_s
            return kept
        self._arrived += 1
        since = (self._before or {}).get(seen.path) or self._context.now()
        return _Entry(seen, since, self._arrived)

    def offer(self, in_hand: Collection[str], free: int) -> Offer:
        """What to hand out now (at most `free`), and why everything else waits."""
        offer, now, ready = Offer(), self._clock(), []
        scan_s = self._context.studio.config.scan
        for entry in self._sorted_out():
            if entry.seen.path in in_hand:
                continue
            wait_s, reason, final = self._wait(entry, now)
            if wait_s <= 0:
                ready.append(entry)
                continue
            if not final:
                offer.wait(wait_s)
            offer.sightings.append(self._waiting(entry, reason))
        offer.sightings += self._done
        offer.unknown |= self._unknown
        self._queue.clear()
        for entry, reason in self._hand_out(sorted(ready, key=lambda one: one.number), free, now, offer):
            offer.wait(scan_s)  # the next is handed out when an attempt ends
            offer.sightings.append(self._waiting(entry, reason))
            self._queue.append(entry)
        return offer

    def held_up(self, found: Sweep, reason: Reason) -> list[Sighting]:
        """Every picture that would otherwise be offered, all waiting for `reason`."""
        self._untold = self.update(found)  # acted on only after the next full look
        return [self._waiting(entry, reason) for entry in self._sorted_out()]

    def more(self, in_hand: Collection[str], free: int) -> list[Seen]:
        """At most `free` more from the queue that the last offer left, without another look at ready/.

        They may have changed since: claiming notices.
        """
        now, picked, passed = self._clock(), list[Seen](), list[_Entry]()
        while self._queue and len(picked) < free:
            entry = self._queue.popleft()
            if self._entries.get(entry.seen.path) is not entry or entry.seen.path in in_hand:
                continue
            refusal = None if entry.need is None else self._context.lanes.refusal(entry.need)
            if refusal is None:
                entry.sighting, entry.blocked_s = None, None
                picked.append(entry.seen)
                continue
            passed.append(entry)
            if self._is_overtaken(entry, refusal, now):
                break
        self._queue.extendleft(reversed(passed))
        return picked

    def _sorted_out(self) -> list[_Entry]:
        """The pictures that may be offered. The rest (unknown folder, parked, done, held) wait until something changes."""
        papers = tuple(self._context.shelf.papers)
        if papers != self._papers:
            self._papers, self._active = papers, None
            for entry in self._entries.values():
                entry.where = None
        if self._active is None:
            self._active, self._unknown, self._done = [], set(), []
            for entry in self._entries.values():
                entry.where = entry.where or drop_folder(entry.seen.parts, papers)
                if entry.where.unknown is not None:
                    self._unknown.add(entry.where.unknown)
                elif (reason := self._standing(entry)) is None:
                    self._active.append(entry)
                elif reason.why is not Why.OPEN:
                    self._done.append(Sighting(entry.seen.path, "passed-over", "", None, entry.since, reason))
        return self._active

    def _standing(self, entry: _Entry) -> Reason | None:
        """Why it is not offered as it stands: parked, half published, done already, or held for its order."""
        if not entry.is_known:
            entry.standing, entry.is_known = self._asked(entry.seen) or entry.seen.held, True
        return entry.standing

    def _asked(self, seen: Seen) -> Reason | None:
        found, last = standing(self._context, seen)
        if last is None or found in (Standing.NEW, Standing.IN_DOUBT):
            return None
        return Reason(Why.DONE, said=last.says) if found is Standing.DONE else Reason(Why.OPEN)

    def _wait(self, entry: _Entry, now: float) -> tuple[float, Reason, bool]:
        """Seconds still to wait, why, and whether `--once` may give up on it."""
        if not entry.settled:
            quiet_s = self._settler.look(entry.seen, now)
            if quiet_s > 0:
                first = self._settler.first_seen(entry.seen.path) or now
                left = self._once and now - first > _GIVE_UP * max(self._context.studio.config.settle, 1.0)
                return quiet_s, Reason(Why.ARRIVING), left
            entry.settled = True
        if entry.rest_s > max(now, entry.at_s):
            return entry.rest_s - now, Reason(Why.RESTLESS), self._once and entry.restarts > _RESTARTS + 1
        return entry.at_s - now, entry.reason, self._once and entry.ending is Ending.DEFERRED

    def _hand_out(
        self, ready: Iterable[_Entry], free: int, now: float, offer: Offer
    ) -> Iterable[tuple[_Entry, Reason]]:
        """Fill `offer.now`; yield those that must wait for others, and why."""
        held_up = False
        for entry in ready:
            refusal = None if entry.need is None else self._context.lanes.refusal(entry.need)
            if refusal is not None:
                held_up = held_up or self._is_overtaken(entry, refusal, now)
                yield entry, refusal.reason
            elif held_up or len(offer.now) >= free:
                yield entry, Reason(Why.OTHERS_FIRST)
            else:
                entry.sighting, entry.blocked_s = None, None
                offer.now.append(entry.seen)

    @staticmethod
    def _is_overtaken(entry: _Entry, refusal: Refusal, now: float) -> bool:
        """Whether it has been short of memory for so long that those behind it must wait too."""
        if not refusal.for_memory:
            return False
        if entry.blocked_s is None:
            entry.blocked_s = now
        return now - entry.blocked_s > _OVERTAKEN_S

    def _waiting(self, entry: _Entry, reason: Reason) -> Sighting:
        if entry.sighting is None or entry.sighting.reason != reason:
            assert entry.where is not None
            paper = entry.where.paper or self._context.studio.config.default_paper or ""
            until = self._until(entry) if reason == entry.reason else None
            entry.sighting = Sighting(entry.seen.path, "waiting", paper, entry.where.size, entry.since, reason, until)
        return entry.sighting

    def _until(self, entry: _Entry) -> str | None:
        """When it is retried (RFC 3339); None if that is not a matter of time."""
        wait_s = entry.at_s - self._clock()
        if wait_s <= 0:
            return None
        at = datetime.fromisoformat(self._context.now()) + timedelta(seconds=round(wait_s))
        return at.strftime("%Y-%m-%dT%H:%M:%SZ")

    def is_patient(self, seen: Seen) -> bool:
        """Whether a file that looks cut short has had its extra time."""
        entry = self._entries.get(seen.path)
        return entry is not None and entry.seen is seen and entry.ending is Ending.AGAIN

    def look_up(self, path: str) -> None:
        """Ask the ledger about `path` again."""
        self._active = None
        if path in self._entries:
            self._entries[path].is_known = False

    def take_in(self, seen: Seen, outcome: Outcome) -> None:
        """Remember how an attempt at `seen` ended."""
        entry = self._entries.get(seen.path)
        if entry is None:
            return
        self._count_restarts(entry, outcome.ending)
        if entry.seen is not seen and not _only_touched(entry.seen, seen):
            self._settler.restart(seen.path)  # time spent in hand does not mean that it never stops changing
            return
        self.look_up(seen.path)
        entry.sighting, entry.need = None, outcome.need
        entry.ending, entry.reason, entry.tries = outcome.ending, outcome.reason, entry.tries + 1
        now = self._clock()
        match outcome.ending:
            case Ending.AGAIN:
                entry.at_s = now + _PATIENCE * self._context.studio.config.settle
            case Ending.DEFERRED:
                entry.at_s = now + back_off_s(entry.tries)
            case _:
                entry.at_s, entry.reason = now, NOTHING

    def _count_restarts(self, entry: _Entry, ending: Ending) -> None:
        """Back off from a picture that changes, or whose order changes, at every attempt."""
        if ending in (Ending.QUEUED, Ending.DEFERRED):
            return
        if ending not in (Ending.AGAIN, Ending.KNOWN):
            entry.restarts = 0
            return
        entry.restarts += 1
        if entry.restarts > _RESTARTS:
            entry.rest_s = self._clock() + back_off_s(entry.restarts - _RESTARTS)


def _only_touched(before: Seen, now: Seen) -> bool:
    """Whether only change times differ, which a file server may update at any moment: it waits as before."""
    if (before.order, before.order_stamp is None) != (now.order, now.order_stamp is None):
        return False
    pairs = ((before.stamp, now.stamp), (before.order_stamp, now.order_stamp))
    return all(one is None or other is None or one.same_file(other) for one, other in pairs)


def back_off_s(tries: int) -> float:
    """Seconds before the next try after `tries` failures."""
    return _BACK_OFF_S[min(max(tries, 1), len(_BACK_OFF_S)) - 1]
