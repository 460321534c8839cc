"""The files that one attempt puts side by side: all their names, and everything but the print itself."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable, Iterable
from dataclasses import dataclass

from printqueue.core import naming
from printqueue.core.disk import durable
from printqueue.core.model.publication import Moved, Placed
from printqueue.service.context import Attempt, ServiceContext
from printqueue.service.intake import claim
from printqueue.service.publication import publish
from printqueue.studio.orders.names import SUFFIXES

NamesByFolder = dict[str, Callable[[int], Iterable[str]]]  # folder → the names that a number would use there


@dataclass(frozen=True, slots=True)
class Group:
    """The group of one attempt. All its names carry the same number, shown from 2 up."""

    context: ServiceContext
    attempt: Attempt

    def mirrored(self, top: str) -> str:
        """The folder below `top` (ready, review, masters) that mirrors the picture's folder in ready/."""
        return os.path.join(top, os.path.dirname(self.attempt.seen.path)).rstrip("/")

    def picture_name(self, number: int) -> str:
        """The picture's own name."""
        stem, extension = self._stem_and_extension
        return naming.numbered(stem, number) + extension

    def companion_name(self, number: int) -> str:
        """The stem that all our files beside it share."""
        return naming.numbered(naming.companion_stem(self._stem_and_extension[0]), number)

    @property
    def _stem_and_extension(self) -> tuple[str, str]:
        return naming.split(os.path.basename(self.attempt.seen.path))

    @property
    def own_order(self) -> str | None:
        """The order file that belongs to this picture alone; a shared one stays where it is."""
        return self.attempt.seen.order if self.attempt.seen.order_is_own else None

    def order_names(self, number: int) -> tuple[str, ...]:
        """The order file's name, then its other spelling, which must be free too: two orders for one picture would hold
        it up. Empty if there is no order.
        """
        if self.attempt.seen.order is None:
            return ()
        stem, extension = self._stem_and_extension
        name = os.path.basename(self.attempt.seen.order)
        if self.own_order is None:
            base = self.companion_name(number)
        else:
            base = naming.numbered(stem, number) + (extension if name.startswith(stem + extension + ".") else "")
        return tuple(base + suffix for suffix in sorted(SUFFIXES, key=lambda one: not f".{name}".endswith(one)))

    def new_temp(self, folder: str, ending: str) -> str:
        """A hidden name in `folder` (created if missing), registered for clean-up."""
        with durable.world("Making", folder):
            self.context.studio.make_folder(self.context.studio.path(folder))
        arrival = self.attempt.arrival
        temp = os.path.join(folder, f"{durable.TEMP_PREFIX}{arrival.id}-{arrival.attempt}-{ending}")
        self.attempt.temps.append(temp)
        return temp

    def companion(self, final: str, data: bytes, ending: str) -> Placed:
        """A small file of ours under a temp name, on its way to `final`. `publish.verify_temps` syncs it."""
        temp = self.new_temp(os.path.dirname(final), ending)
        with durable.world("Writing", final):
            digest = durable.write_temp(self.context.studio.path(temp), data, synced=False)
        return Placed("companion", temp, final, digest)

    def moves(self, folder: str, number: int, *, keep_spare: bool) -> list[Moved]:
        """The moves of the picture, and of its own order file if it has one, into `folder`."""
        seen, attempt = self.attempt.seen, self.attempt
        spool = os.path.join("spool", str(attempt.arrival.id), str(attempt.arrival.attempt))
        source, target = os.path.join("ready", seen.path), os.path.join(folder, self.picture_name(number))
        spare = os.path.join(spool, claim.PICTURE) if keep_spare else None
        picture = publish.moved_from(source, target, seen.stamp, spare=spare, sha256=attempt.sha256)
        if self.own_order is None or seen.order_stamp is None or attempt.order_bytes is None:
            return [picture]
        source, target = os.path.join("ready", self.own_order), os.path.join(folder, self.order_names(number)[0])
        spare = os.path.join(spool, claim.ORDER) if keep_spare else None
        # An order that is too long was not read to its end.
        whole = len(attempt.order_bytes) == seen.order_stamp.size
        digest = hashlib.sha256(attempt.order_bytes).hexdigest() if whole else None
        return [picture, publish.moved_from(source, target, seen.order_stamp, spare=spare, sha256=digest)]
