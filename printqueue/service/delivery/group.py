"""The names of one job's group, and the files of it that are not the print itself."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable, Iterable

from printqueue.core import naming
from printqueue.core.disk import durable
from printqueue.core.model.publication import Moved, Placed
from printqueue.service.context import Attempt, ServiceContext
from printqueue.service.intake import claim
from printqueue.service.publication import publish
from printqueue.studio.orders.names import SUFFIXES

Groups = dict[str, Callable[[int], Iterable[str]]]


def stem_and_extension(attempt: Attempt) -> tuple[str, str]:
    """Of the picture's name, as dropped."""
    return naming.split(os.path.basename(attempt.seen.path))


def mirrored(attempt: Attempt, top: str) -> str:
    """The folder below `top` (review, masters) that mirrors the picture's folder in ready/."""
    return os.path.join(top, os.path.dirname(attempt.seen.path)).rstrip("/")


def new_temp(context: ServiceContext, attempt: Attempt, folder: str, ending: str) -> str:
    """A hidden name in `folder` (made where missing), known to the clean-up."""
    with durable.world("Making", folder):
        context.studio.make_folder(context.studio.path(folder))
    temp = os.path.join(folder, f"{durable.TEMP_PREFIX}{attempt.arrival.id}-{attempt.arrival.attempt}-{ending}")
    attempt.temps.append(temp)
    return temp


def companion(context: ServiceContext, attempt: Attempt, final: str, data: bytes, ending: str) -> Placed:
    """A small file of ours, written whole under a temp name, on its way to `final`. `publish.verify_temps` syncs it."""
    temp = new_temp(context, attempt, os.path.dirname(final), ending)
    with durable.world("Writing", final):
        digest = durable.write_temp(context.studio.path(temp), data, synced=False)
    return Placed("companion", temp, final, digest)


def own_order(attempt: Attempt) -> str | None:
    """The order file that belongs to this picture alone; one that serves others too stays where it is."""
    return attempt.seen.order if attempt.seen.order_is_own else None


def order_names(attempt: Attempt, number: int) -> tuple[str, ...]:
    """What the order file is called beside a picture with this number, then the other spelling of that name, which must be
    free as well: two orders for one picture would hold it. None without an order.
    """
    if attempt.seen.order is None:
        return ()
    stem, extension = naming.split(os.path.basename(attempt.seen.path))
    name = os.path.basename(attempt.seen.order)
    suffixes = sorted(SUFFIXES, key=lambda suffix: not f".{name}".endswith(suffix))
    own = own_order(attempt)
    if own is None:
        base = naming.numbered(naming.companion_stem(stem), number)
    else:
        base = naming.numbered(stem, number) + (extension if name.startswith(stem + extension + ".") else "")
    return tuple(base + suffix for suffix in suffixes)


def moves(attempt: Attempt, folder: str, number: int, *, keep_spare: bool) -> list[Moved]:
    """The picture, and the order file that is its own, into `folder`."""
    seen = attempt.seen
    stem, extension = naming.split(os.path.basename(seen.path))
    target = os.path.join(folder, naming.numbered(stem, number) + extension)
    spool = os.path.join("spool", str(attempt.arrival.id), str(attempt.arrival.attempt))
    spare = os.path.join(spool, claim.PICTURE) if keep_spare else None
    picture = publish.moved_from(
        os.path.join("ready", seen.path), target, seen.stamp, spare=spare, sha256=attempt.sha256
    )
    own = own_order(attempt)
    if own is None or seen.order_stamp is None or attempt.order_bytes is None:
        return [picture]
    order_target = os.path.join(folder, order_names(attempt, number)[0])
    # One that is too long to be followed was not read to its end.
    whole = len(attempt.order_bytes) == seen.order_stamp.size
    digest = hashlib.sha256(attempt.order_bytes).hexdigest() if whole else None
    spare = os.path.join(spool, claim.ORDER) if keep_spare else None
    order = publish.moved_from(os.path.join("ready", own), order_target, seen.order_stamp, spare=spare, sha256=digest)
    return [picture, order]
