"""Pictures that stay in ready/ although nothing more happens to them: parked, half published, or made but unable to leave.
Each counts as the same picture for as long as its bytes are the same.

Size and time must agree; inode and attribute time are hints. If these differ (a share that renumbers its files, a new disk, a
file rewritten in place), or the time differs by no more than an archive or another file system cuts off, the hash decides: in
an attempt of its own, since reading may take long.
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

# An old tar archive (ustar) keeps times to the second, FAT to two. A picture that is dropped anew never comes so close.
_CUT_NS = 2_000_000_000


class Standing(Enum):
    """What the ledger knows of a picture in ready/."""

    NEW = "new"
    OPEN = "open"  # parked or half published: status has a row for it
    DONE = "done"  # made or turned back, and could not leave ready/
    IN_DOUBT = "in doubt"  # one of these two if its bytes are the same


def standing(context: ServiceContext, seen: Seen) -> tuple[Standing, Arrival | None]:
    """What `seen` is, as far as can be told without reading it, and its newest row."""
    last = context.ledger.last_at(seen.path)
    if last is None or not could_be(last, seen.stamp):
        return Standing.NEW, last
    if last.state is State.WORKING:  # whoever finishes it compares the bytes
        return Standing.OPEN, last
    known = Standing.OPEN if last.state is State.STUCK else Standing.DONE if _was_copied(last) else Standing.NEW
    if known is Standing.NEW or last.sha256 is None:
        return known, last
    same_time = last.mtime_ns == seen.stamp.mtime_ns
    untouched = same_time and context.ledger.is_untouched(last.id, seen.stamp)
    return known if untouched else Standing.IN_DOUBT, last


def could_be(last: Arrival, stamp: Stamp) -> bool:
    """Whether the file may be the picture of that row. One that only waited is read anyway, so it must agree exactly."""
    if last.sha256 is None or last.state in (State.WAITING, State.WORKING):
        return (last.size, last.mtime_ns) == (stamp.size, stamp.mtime_ns)
    return last.size == stamp.size and abs(last.mtime_ns - stamp.mtime_ns) < _CUT_NS


def _was_copied(last: Arrival) -> bool:
    """Whether its picture stands whole elsewhere but could not be moved away. One that was moved and is back is new."""
    if last.intent is None or last.state not in (State.PRINTABLE, State.REVIEW):
        return False
    moved = Publication.from_json(last.intent).moved
    return bool(moved) and moved[0].stays


def recognised(context: ServiceContext, seen: Seen) -> Outcome | None:
    """Read a picture that is in doubt; None if it is to be worked on. Raises `ChangedError`, `WorldError`."""
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
