"""Of two groups of one picture in review/, the older one says that it is the older one.

Where the very same bytes were judged again, the older reason and proof picture go to `.printqueue/past/` instead: what
they said is said anew beside the other copy. The picture itself stays where the photographer left it.

A reason is the one file of ours in review/ that is written again: whole or not at all, with everything that it said
below its new first line. A reason that the photographer has changed is theirs, and stays as it is.
"""

from __future__ import annotations

import hashlib
import logging
import os
from datetime import datetime

from printqueue.core.disk import durable
from printqueue.core.errors import WorldError
from printqueue.core.model.job import State, Superseded
from printqueue.core.model.publication import Placed, Publication
from printqueue.core.naming import MOST_REASON_BYTES, REASON
from printqueue.core.text import shown
from printqueue.reports.layout import page
from printqueue.service import delivery
from printqueue.service.context import ServiceContext
from printqueue.service.intake.claim import read_regular

log = logging.getLogger("printqueue")

_AND_SO = "Nothing more happens to the one here; take it away when you like. What was said of it:"


class Superseding:
    """Marks groups in review/ of whose picture a newer version was made or turned back."""

    def __init__(self, context: ServiceContext) -> None:
        self._context = context
        self._seen = -1  # the newest fact when it looked last

    def mark(self) -> None:
        """Mark what is not marked yet. What cannot be written stays for the next look; nothing else depends on it."""
        newest = self._context.ledger.newest_fact()
        if newest == self._seen:
            return
        try:
            for one in self._context.ledger.superseded():
                self._mark(one)
            self._seen = newest
        except WorldError as error:
            log.warning("an older reason could not be marked: %s", shown(str(error), limit=400))

    def _mark(self, one: Superseded) -> None:
        placed = Publication.from_json(one.older.intent).placed if one.older.intent is not None else ()
        if one.same:
            for companion in placed:
                delivery.to_past(self._context, one.older.id, companion.final)
            says = f"judged again as job {one.job}; its earlier reason is kept in .printqueue/past"
            self._context.ledger.settle(one.older.id, State.WITHDRAWN, says)
            return
        says = superseded_line(one)
        for companion in placed:
            if companion.final.endswith(REASON):
                self._rewrite(companion, says)
        self._context.ledger.supersede(one.older.id, says)

    def _rewrite(self, placed: Placed, says: str) -> None:
        path = self._context.studio.path(placed.final)
        text = read_regular(path, MOST_REASON_BYTES)
        if text is None or hashlib.sha256(text).hexdigest() != placed.sha256:
            return  # taken, changed by the photographer, or marked before a kill
        with durable.world("Writing", placed.final):
            durable.replace_own(path, page([says, _AND_SO, ""]).encode() + text)


def superseded_line(one: Superseded) -> str:
    """The new first line."""
    name = shown(os.path.basename(one.older.path))
    happened = "made" if one.newer.state is State.PRINTABLE else "turned back"
    return f"Superseded: a newer “{name}” was {happened} on {_day(one.newer.since)} (job {one.job})."


def _day(utc: str) -> str:
    """The day on this machine's clock."""
    return datetime.fromisoformat(utc).astimezone().strftime("%Y-%m-%d")
