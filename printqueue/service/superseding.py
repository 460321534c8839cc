"""When review/ holds two versions of a picture, the older one's reason says so.

If the same bytes were judged again, the older reason and proof picture go to `.printqueue/past/` instead, since the
newer ones repeat them. The picture itself stays where the photographer left it.

A reason is the only file in review/ that we rewrite: whole or not at all, with its old text below the new first line. A
reason that the photographer has changed is left alone.
"""

from __future__ import annotations

import hashlib
import logging

from printqueue.core.disk import durable
from printqueue.core.errors import WorldError
from printqueue.core.model.job import State, Superseded
from printqueue.core.model.publication import Placed, Publication
from printqueue.core.naming import MAX_REASON_BYTES, REASON
from printqueue.core.text import shown
from printqueue.reports import review_notes
from printqueue.service import delivery
from printqueue.service.context import ServiceContext
from printqueue.service.intake.claim import read_regular

log = logging.getLogger("printqueue")


class Superseding:
    """Marks reasons in review/ once a newer version of their picture has been made or turned back."""

    def __init__(self, context: ServiceContext) -> None:
        self._context = context
        self._seen = -1  # the newest fact at the last look

    def mark(self) -> None:
        """Mark what is not yet marked. If writing fails, the next look tries again; nothing depends on it."""
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
        says = review_notes.superseded_line(one)
        for companion in placed:
            if companion.final.endswith(REASON):
                self._rewrite(companion, says)
        self._context.ledger.supersede(one.older.id, says)

    def _rewrite(self, placed: Placed, says: str) -> None:
        path = self._context.studio.path(placed.final)
        text = read_regular(path, MAX_REASON_BYTES)
        if text is None or hashlib.sha256(text).hexdigest() != placed.sha256:
            return  # taken, changed by the photographer, or marked just before a kill
        with durable.world("Writing", placed.final):
            durable.replace_own(path, review_notes.superseded(says, text))
