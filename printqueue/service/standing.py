"""Pictures that stay in ready/ but are not offered again: parked, half published, or made but unable to leave. Each
counts as the same picture as long as its bytes are the same.

Size and modification time must match; inode and change time are hints. If a hint differs (a share that renumbers its
files, a new disk, a file rewritten in place), or the modification time differs by no more than an archive or another
file system truncates, the hash decides, in an attempt of its own because reading may take long.
"""

from __future__ import annotations

from enum import Enum

from printqueue.core.disk import durable
from printqueue.core.model.job import Arrival, State
from printqueue.core.model.publication import Publication
from printqueue.core.model.seen import Seen, Stamp
from printqueue.core.model.why import Reason, Why
from printqueue.service.context import Ending, Outcome, ServiceContext
from printqueue.service.intake.claim import ChangedError

# An old tar archive (ustar) keeps times to one second, FAT to two. A picture dropped again is never that close.
_CUT_NS = 2_000_000_000


class Standing(Enum):
    """What the ledger knows of a picture in ready/."""

    NEW = "new"
    OPEN = "open"  # parked or half published: status has a row for it
    DONE = "done"  # made or turned back, and could not leave ready/
    IN_DOUBT = "in doubt"  # one of these two if its bytes are the same


def standing(context: ServiceContext, seen: Seen) -> tuple[Standing, Arrival | None]:
    """What `seen` is, as far as can be told without reading it, and the newest row at its path."""
    last = context.ledger.last_at(seen.path)
    if last is None or not could_be(last, seen.stamp):
        return Standing.NEW, last
    if last.state is State.WORKING:  # finishing it compares the bytes
        return Standing.OPEN, last
    known = Standing.OPEN if last.state is State.STUCK else Standing.DONE if _was_copied(last) else Standing.NEW
    if known is Standing.NEW or last.sha256 is None:
        return known, last
    same_time = last.mtime_ns == seen.stamp.mtime_ns
    untouched = same_time and context.ledger.is_untouched(last.id, seen.stamp)
    return known if untouched else Standing.IN_DOUBT, last


def could_be(last: Arrival, stamp: Stamp) -> bool:
    """Whether the file may be that row's picture. A waiting or working one is read anyway, so it must match exactly."""
    if last.sha256 is None or last.state in (State.WAITING, State.WORKING):
        return (last.size, last.mtime_ns) == (stamp.size, stamp.mtime_ns)
    return last.size == stamp.size and abs(last.mtime_ns - stamp.mtime_ns) < _CUT_NS


def _was_copied(last: Arrival) -> bool:
    """Whether its picture was copied out whole but could not leave ready/. One that was moved and is back is new."""
    if last.intent is None or last.state not in (State.PRINTABLE, State.REVIEW):
        return False
    moved = Publication.from_json(last.intent).moved
    return bool(moved) and moved[0].stays


def recognised(context: ServiceContext, seen: Seen) -> Outcome | None:
    """Resolve a doubt by reading the picture; None if it needs work. Raises `ChangedError`, `WorldError`."""
    found, last = standing(context, seen)
    if found is not Standing.IN_DOUBT or last is None:
        return None
    path = context.studio.path("ready", seen.path)
    context.studio.require_marker()
    with durable.world("Reading", seen.path):
        same = durable.sha256(path) == last.sha256
        if durable.lstamp(path) != seen.stamp:
            raise ChangedError(seen.path)
    if same:
        context.ledger.recognised(last.id, seen.stamp)
        return Outcome(Ending.KNOWN, Reason(Why.KNOWN, said=last.says))
    if last.state is State.STUCK:
        context.ledger.settle(last.id, State.WITHDRAWN, "a newer version came under its name")
    return None
