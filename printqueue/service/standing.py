"""Pictures that stay in ready/ although nothing more happens to them: parked, half published, or made where they could not
leave. Each is taken for the same as long as its bytes are.

Size and time must agree; inode and time of attributes are hints. Where they differ (a share that numbers its files anew, a
disk that was changed, a file rewritten in place), or the time by no more than what an archive or another file system cuts off
from it, the hash decides: by an attempt of its own, since reading may take long.
"""

from __future__ import annotations

from enum import Enum

from printqueue.core.disk import durable
from printqueue.core.model.job import Arrival, State
from printqueue.core.model.publication import Publication
from printqueue.core.model.seen import Seen, Stamp
from printqueue.service.context import Ending, Outcome, ServiceContext
from printqueue.service.intake.claim import ChangedError

# Times are kept to the second in a tar archive of the old form (ustar), to two on FAT; nobody who drops a picture anew meets it.
_CUT_NS = 2_000_000_000


class Standing(Enum):
    """What the ledger knows of a picture as it stands there."""

    NEW = "new"
    OPEN = "open"  # parked or half published: it has a row of its own in status
    DONE = "done"  # made or turned back, and could not leave ready/
    IN_DOUBT = "in doubt"  # one of both if its bytes are the same


def standing(context: ServiceContext, seen: Seen) -> tuple[Standing, Arrival | None]:
    """What `seen` is, without reading it, and its newest row."""
    last = context.ledger.last_at(seen.path)
    if last is None or not could_be(last, seen.stamp):
        return Standing.NEW, last
    if last.state is State.WORKING:  # whoever finishes it looks at its bytes
        return Standing.OPEN, last
    known = Standing.OPEN if last.state is State.STUCK else Standing.DONE if _was_copied(last) else Standing.NEW
    if known is Standing.NEW or last.sha256 is None:
        return known, last
    same_time = last.mtime_ns == seen.stamp.mtime_ns
    untouched = same_time and context.ledger.is_untouched(last.id, seen.stamp)
    return known if untouched else Standing.IN_DOUBT, last


def could_be(last: Arrival, stamp: Stamp) -> bool:
    """Whether what stands there may be the picture of that row; else it is another for sure. One that only waited is read anyway."""
    if last.sha256 is None or last.state in (State.WAITING, State.WORKING):
        return (last.size, last.mtime_ns) == (stamp.size, stamp.mtime_ns)
    return last.size == stamp.size and abs(last.mtime_ns - stamp.mtime_ns) < _CUT_NS


def _was_copied(last: Arrival) -> bool:
    """Whether its picture could not be moved away but stands whole elsewhere. One that was moved and is back is new."""
    if last.intent is None or last.state not in (State.PRINTABLE, State.REVIEW):
        return False
    moved = Publication.from_json(last.intent).moved
    return bool(moved) and moved[0].stays


def recognised(context: ServiceContext, seen: Seen) -> Outcome | None:
    """Read a picture that is in doubt; None where it is to be worked on. Raises `ChangedError`, `WorldError`."""
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
        return Outcome(Ending.KNOWN, f"the same picture as before: {last.says}")
    if last.state is State.STUCK:
        context.ledger.settle(last.id, State.WITHDRAWN, "a newer version came under its name")
    return None
