"""Orders that arrive after their picture is made. They change nothing, and go to review/ with a note."""

from __future__ import annotations

import logging
import os
from collections.abc import Callable, Sequence
from datetime import datetime, timedelta
from itertools import count

from printqueue.core import naming
from printqueue.core.disk import durable
from printqueue.core.disk.durable import TEMP_PREFIX
from printqueue.core.errors import WorldError
from printqueue.core.model.job import Arrival, State
from printqueue.core.model.publication import Publication
from printqueue.core.model.why import Reason, Why
from printqueue.core.text import shown
from printqueue.reports.review_notes import order_too_late
from printqueue.service.context import ServiceContext
from printqueue.service.journal import about
from printqueue.studio.orders.names import split

log = logging.getLogger("printqueue")

_PATIENCE = 6.0  # × settle: a newer version of the picture may follow
_MEANT_FOR_IT = timedelta(hours=1)  # an order that comes later than this waits for a new picture
_ENDINGS = tuple(ending for low in (".tif", ".tiff", ".jpg", ".jpeg", ".png") for ending in (low, low.upper()))


class LateOrders:
    """Handles orders in ready/ that no picture uses. `clock` returns monotonic seconds."""

    def __init__(self, context: ServiceContext, clock: Callable[[], float]) -> None:
        self._context, self._clock = context, clock
        self._first_s: dict[str, float] = {}
        self._made: dict[str, Arrival | None] = {}

    def tidy(self, lone: Sequence[str]) -> list[tuple[str, Reason]]:
        """Move late orders to review/; return (path, why) for those that stay. Raises `WorldError`."""
        now = self._clock()
        self._first_s = {path: self._first_s.get(path, now) for path in lone}
        known, left = self._made, []
        self._made = {path: known[path] if path in known else self._made_just_before(path) for path in lone}
        for path, made in self._made.items():
            if made is None:
                left.append((path, Reason(Why.LONE_ORDER)))
            elif now - self._first_s[path] < _PATIENCE * self._context.studio.config.settle:
                left.append((path, Reason(Why.LATE_ORDER, (made.path,))))
            else:
                self._turn_back(path, made)
        return left

    def _made_just_before(self, order: str) -> Arrival | None:
        """The picture the order was meant for, if it was made shortly before the order came."""
        stem, _ = split(order)
        for path in (stem, *(stem + ending for ending in _ENDINGS)):
            last = self._context.ledger.last_at(path)
            if last is not None and last.state is State.PRINTABLE and self._is_recent(last.since):
                return last
        return None

    def _is_recent(self, then: str) -> bool:
        """Both times come from our own clock, never from a file."""
        return datetime.fromisoformat(self._context.now()) - datetime.fromisoformat(then) <= _MEANT_FOR_IT

    def _turn_back(self, path: str, made: Arrival) -> None:
        """Write the reason, then move the order; after a kill in between, the same reason is found and reused. A number
        whose order name is taken is skipped, or the reason would stand beside the wrong order.
        """
        folder, name = os.path.split(os.path.join("review", path))
        text = order_too_late(name, made, _master(made))
        studio = self._context.studio
        with durable.world("Moving", path):
            studio.make_folder(studio.path(folder))
            for number in count(1):
                order, reason = (studio.path(folder, one) for one in _names(name, number))
                if durable.exists(order) and not durable.is_kept_place(order):
                    continue
                if self._explained(reason, text):
                    if self._moved(path, order):
                        break
                    durable.remove(reason)  # another order took the name at that instant
            durable.sync_folder(studio.path(folder))
        log.info("%s came too late; it stands in review/ with a word", shown(path), extra=about(picture=path))

    @staticmethod
    def _explained(reason: str, text: bytes) -> bool:
        """Put the reason under this name; False if another file has it."""
        temp = os.path.join(os.path.dirname(reason), f"{TEMP_PREFIX}late.txt")
        digest = durable.write_temp(temp, text)
        try:
            durable.rename_no_clobber(temp, reason)
        except FileExistsError:
            durable.remove(temp)
            return durable.sha256(reason) == digest
        return True

    def _moved(self, path: str, target: str) -> bool:
        try:
            durable.rename_no_clobber(self._context.studio.path("ready", path), target)
        except FileExistsError:
            return False
        except FileNotFoundError as error:
            raise WorldError(f"The order {shown(path)} was taken away.") from error
        return True


def _names(order: str, number: int) -> tuple[str, str]:
    """The names in review/ of the order and of its reason: 'Fog (2).order.yaml', 'Fog (2).order.reason.txt'."""
    stem, suffix = split(order)
    stem = naming.numbered(naming.companion_stem(stem), number)
    return stem + suffix, stem + ".order" + naming.REASON


def _master(made: Arrival) -> str:
    moved = Publication.from_json(made.intent).moved if made.intent is not None else []
    return moved[0].target if moved else ""
