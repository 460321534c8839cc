"""Everything that stands in ready/ between scans: why each picture waits, and which one is next.

Fair by arrival: the oldest that may go, goes. What failed for the world's reasons backs off,
so that it never starves what is new; what needs more room than is left lets others pass,
but not for ever.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta

from printqueue.core.model.job import Sighting
from printqueue.core.model.seen import Seen
from printqueue.ledger import LedgerReader
from printqueue.sandbox.needs import Need
from printqueue.service.context import Ending, Outcome, ServiceContext
from printqueue.service.intake.scan import Sweep
from printqueue.service.intake.settle import Settler
from printqueue.service.lanes import Refusal
from printqueue.service.standing import Standing, standing
from printqueue.studio.orders.place import Place, place

_BACK_OFF_S = (5.0, 15.0, 60.0, 300.0)
_PATIENCE = 6.0  # × settle: how long a file that looks cut short is given before it is judged
_GIVE_UP = 10.0  # × settle: a file that never stops changing is left by `--once`
_DONE, _HELD = "done: ", "held: "
_RESTARTS = 3  # an attempt that came to nothing because the picture or its order changed starts again at once so often
_RESTLESS = "it keeps changing while it is worked on; it is tried again"
_OVERTAKEN_S = 60.0  # how long smaller pictures may pass one for which there is not enough memory


@dataclass(slots=True)
class _Entry:
    """One picture in ready/, exactly as it stands there."""

    seen: Seen
    since: str  # RFC 3339
    number: int  # order of arrival
    where: Place | None = None
    settled: bool = False
    standing: str | None = None  # why it is not offered as it stands; "" once the ledger was asked
    at_s: float = 0.0  # not offered before
    says: str = ""
    tries: int = 0
    ending: Ending | None = None  # of its last attempt
    restarts: int = 0  # attempts in a row that its changing made vain, whatever it looked like at each
    rest_s: float = 0.0  # not offered before, because of that
    need: Need | None = None  # known where there was no room for it
    blocked_s: float | None = None
    sighting: Sighting | None = None


@dataclass(slots=True)
class Offer:
    """What one scan comes to."""

    now: list[Seen] = field(default_factory=list)  # to be handed out, in this order
    wait_s: float | None = None  # when the next is due; None: nothing is left to wait for
    sightings: list[Sighting] = field(default_factory=list)
    unknown: set[str] = field(default_factory=set)  # folders of ready/ that name no paper

    def wait(self, seconds: float) -> None:
        """Something is due in `seconds`."""
        self.wait_s = seconds if self.wait_s is None else min(self.wait_s, seconds)


class WaitingRoom:
    """Remembers the pictures in ready/. `clock` is monotonic seconds; no file's time is compared with it."""

    def __init__(self, context: ServiceContext, clock: Callable[[], float], *, once: bool) -> None:
        self._context, self._clock, self._once = context, clock, once
        self._settler = Settler(context.studio.config.settle)
        self._entries: dict[str, _Entry] = {}
        self._papers: tuple[str, ...] = ()
        self._arrived = 0
        self._pictures: list[Seen] | None = None  # as the last scan gave them
        self._active: list[_Entry] | None = None  # those that time or room may bring on; None: to be sorted out anew
        self._unknown: set[str] = set()
        self._done: list[Sighting] = []
        self._untold: set[str] = set()  # gone or changed while all was held up
        self._queue: deque[_Entry] = deque()  # those that the last offer left waiting for others
        self._before: Mapping[str, str] | None = None  # since when, as an earlier run had seen it

    def update(self, found: Sweep) -> set[str]:
        """Take in what a scan found; the paths that have gone or changed since the last one that was told of."""
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
            if found.is_dark(path):  # it keeps its place until it can be looked at again
                entries[path] = self._entries[path]
            else:
                touched.add(path)
        self._entries = entries
        self._settler.forget_all_but(set(entries))
        return touched

    def _renewed(self, before: _Entry | None, seen: Seen) -> _Entry:
        """A new picture, or another state of one that keeps its place in the queue."""
        if before is not None and _only_touched(before.seen, seen):
            return replace(before, seen=seen, settled=False, standing=None, sighting=None)
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
            wait_s, says, final = self._wait(entry, now)
            if wait_s <= 0:
                ready.append(entry)
                continue
            if not final:
                offer.wait(wait_s)
            offer.sightings.append(self._sighting(entry, "waiting", says))
        offer.sightings += self._done
        offer.unknown |= self._unknown
        self._queue.clear()
        for entry, says in self._hand_out(sorted(ready, key=lambda one: one.number), free, now, offer):
            offer.wait(scan_s)  # the end of an attempt hands out the next
            offer.sightings.append(self._sighting(entry, "waiting", says))
            self._queue.append(entry)
        return offer

    def held_up(self, found: Sweep, says: str) -> list[Sighting]:
        """All that `found` holds, waiting for one reason that is nobody's; what is done or of no paper is left out."""
        self._untold = self.update(found)  # nothing follows from it before there is a full look
        return [self._sighting(entry, "waiting", says) for entry in self._sorted_out()]

    def more(self, in_hand: Collection[str], free: int) -> list[Seen]:
        """At most `free` more of what the last offer left in the queue, without another look at ready/.

        That they may have changed meanwhile does no harm: the copy is only believed where it is what was seen.
        """
        now, picked, passed = self._clock(), list[Seen](), list[_Entry]()
        while self._queue and len(picked) < free:
            entry = self._queue.popleft()
            if not self._is_still_waiting(entry, in_hand):
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

    def _is_still_waiting(self, entry: _Entry, in_hand: Collection[str]) -> bool:
        return self._entries.get(entry.seen.path) is entry and entry.seen.path not in in_hand

    def _sorted_out(self) -> list[_Entry]:
        """Those that may be offered; what lies in unknown folders, is parked or done rests until something changes."""
        papers = tuple(self._context.shelf.papers)
        if papers != self._papers:
            self._papers, self._active = papers, None
            for entry in self._entries.values():
                entry.where = None
        if self._active is None:
            self._active, self._unknown, self._done = [], set(), []
            for entry in self._entries.values():
                entry.where = entry.where or place(entry.seen.parts, papers)
                if entry.where.unknown is not None:
                    self._unknown.add(entry.where.unknown)
                elif (says := self._standing(entry)) is None:
                    self._active.append(entry)
                elif says.startswith((_DONE, _HELD)):  # what is parked or half published has a row of its own
                    self._done.append(Sighting(entry.seen.path, "passed-over", "", None, entry.since, says))
        return self._active

    def _standing(self, entry: _Entry) -> str | None:
        """Why a picture is not offered as it stands: parked, half published, done already, or held for its order."""
        if entry.standing is None:
            entry.standing = self._asked(entry.seen) or entry.seen.held
        return entry.standing or None

    def _asked(self, seen: Seen) -> str | None:
        found, last = standing(self._context, seen)
        if last is None or found in (Standing.NEW, Standing.IN_DOUBT):
            return None
        return f"{_DONE}{last.says}" if found is Standing.DONE else last.says or "it is being worked on"

    def _wait(self, entry: _Entry, now: float) -> tuple[float, str, bool]:
        """Seconds still to wait, why, and whether `once` need not wait for it."""
        if not entry.settled:
            quiet_s = self._settler.look(entry.seen, now)
            if quiet_s > 0:
                first = self._settler.first_seen(entry.seen.path) or now
                left = self._once and now - first > _GIVE_UP * max(self._context.studio.config.settle, 1.0)
                return quiet_s, "arriving: waiting until it is quiet", left
            entry.settled = True
        if entry.rest_s > max(now, entry.at_s):
            return entry.rest_s - now, _RESTLESS, self._once and entry.restarts > _RESTARTS + 1
        return entry.at_s - now, entry.says, self._once and entry.ending is Ending.DEFERRED

    def _hand_out(self, ready: Iterable[_Entry], free: int, now: float, offer: Offer) -> Iterable[tuple[_Entry, str]]:
        """Fill `offer.now`; yields those that must wait for others, and why."""
        held_up = False
        for entry in ready:
            refusal = None if entry.need is None else self._context.lanes.refusal(entry.need)
            if refusal is not None:
                held_up = held_up or self._is_overtaken(entry, refusal, now)
                yield entry, f"queued: {refusal.says}"
            elif held_up or len(offer.now) >= free:
                yield entry, "queued: other pictures are being worked on"
            else:
                entry.sighting, entry.blocked_s = None, None
                offer.now.append(entry.seen)

    @staticmethod
    def _is_overtaken(entry: _Entry, refusal: Refusal, now: float) -> bool:
        """Whether it has waited for memory so long that the ones behind it must wait too."""
        if not refusal.for_memory:
            return False
        if entry.blocked_s is None:
            entry.blocked_s = now
        return now - entry.blocked_s > _OVERTAKEN_S

    def _sighting(self, entry: _Entry, kind: str, says: str) -> Sighting:
        if entry.sighting is None or entry.sighting.says != says:
            assert entry.where is not None
            paper = entry.where.paper or self._context.studio.config.default_paper or ""
            until = self._until(entry) if says == entry.says else None
            entry.sighting = Sighting(entry.seen.path, kind, paper, entry.where.size, entry.since, says, until)
        return entry.sighting

    def _until(self, entry: _Entry) -> str | None:
        """When it is tried again, RFC 3339; None where that does not go by the clock."""
        wait_s = entry.at_s - self._clock()
        if wait_s <= 0:
            return None
        at = datetime.fromisoformat(self._context.now()) + timedelta(seconds=round(wait_s))
        return at.strftime("%Y-%m-%dT%H:%M:%SZ")

    def is_patient(self, seen: Seen) -> bool:
        """Whether a file that looks cut short had its extra time already."""
        entry = self._entries.get(seen.path)
        return entry is not None and entry.seen is seen and entry.ending is Ending.AGAIN

    def look_up(self, path: str) -> None:
        """The ledger may say something else of `path` now."""
        self._active = None
        if path in self._entries:
            self._entries[path].standing = None

    def take_in(self, seen: Seen, outcome: Outcome) -> None:
        """Remember how an attempt at `seen` ended."""
        entry = self._entries.get(seen.path)
        if entry is None:
            return
        self._count_restarts(entry, outcome.ending)
        if entry.seen is not seen and not _only_touched(entry.seen, seen):
            self._settler.restart(seen.path)  # the time that it was in hand is no sign that it never stops changing
            return
        self.look_up(seen.path)
        entry.sighting, entry.need = None, outcome.need
        entry.ending, entry.says, entry.tries = outcome.ending, outcome.says, entry.tries + 1
        now = self._clock()
        match outcome.ending:
            case Ending.AGAIN:
                entry.at_s = now + _PATIENCE * self._context.studio.config.settle
            case Ending.DEFERRED:
                entry.at_s = now + back_off_s(entry.tries)
            case _:
                entry.at_s, entry.says = now, ""

    def _count_restarts(self, entry: _Entry, ending: Ending) -> None:
        """What never holds still backs off, also while it is another picture, or has another order, at every attempt."""
        if ending in (Ending.QUEUED, Ending.DEFERRED):
            return
        if ending not in (Ending.AGAIN, Ending.KNOWN):
            entry.restarts = 0
            return
        entry.restarts += 1
        if entry.restarts > _RESTARTS:
            entry.rest_s = self._clock() + back_off_s(entry.restarts - _RESTARTS)

    def since(self, path: str) -> str:
        """Since when a picture is known, RFC 3339."""
        entry = self._entries.get(path)
        return self._context.now() if entry is None else entry.since


def _only_touched(before: Seen, now: Seen) -> bool:
    """Whether nothing but times of attributes differs, which a file server may change at any moment: it waits as before."""
    if (before.order, before.order_stamp is None) != (now.order, now.order_stamp is None):
        return False
    pairs = ((before.stamp, now.stamp), (before.order_stamp, now.order_stamp))
    return all(one is None or other is None or one.same_file(other) for one, other in pairs)


def back_off_s(tries: int) -> float:
    """Seconds before the next try after `tries` failures."""
    return _BACK_OFF_S[min(max(tries, 1), len(_BACK_OFF_S)) - 1]
