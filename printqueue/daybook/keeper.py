"""Writes the daybook: what has changed, when it has changed, each page whole or not at all."""

from __future__ import annotations

import logging
import os
import time
from collections.abc import Callable
from datetime import datetime

from printqueue.daybook import gather, pages
from printqueue.daybook.entries import Month
from printqueue.disk import durable
from printqueue.errors import PrintqueueError
from printqueue.ledger import LedgerReader
from printqueue.model.job import MonthCount, Sighting
from printqueue.papers.loader import Shelf
from printqueue.studio import Studio

log = logging.getLogger("printqueue")

FOLDER = "daybook"
_SHORTEST_S = 2.0  # between two writings while much happens
_LONGEST_S = 900.0  # the page tells when it was written; older than this, and nobody would believe it
_MARKED = "<!-- {} -->\n"  # the last line of a month's page: the state of the ledger it shows


class Daybook:
    """The pages of one studio. `clock` is monotonic seconds; `today` the local time, with its zone."""

    def __init__(
        self,
        studio: Studio,
        shelf: Shelf,
        *,
        clock: Callable[[], float] = time.monotonic,
        today: Callable[[], datetime] = lambda: datetime.now().astimezone(),
    ) -> None:
        self._studio, self._shelf, self._clock, self._today = studio, shelf, clock, today
        self._ledger = LedgerReader(studio.ledger)
        self._shows: object = None  # what the first page shows
        self._due_s = 0.0
        self._at_latest_s = 0.0
        self._months: dict[str, str] = {}  # page → the mark it has
        self.problem = ""  # why it could not be written, for status

    def keep(self, sightings: list[Sighting], problems: list[str]) -> None:
        """Bring the pages up to date where anything has changed. What goes wrong stops no print."""
        now_s = self._clock()
        if now_s < self._due_s:
            return
        shows = (self._ledger.newest_fact(), tuple(sightings), tuple(problems))
        if shows == self._shows and now_s < self._at_latest_s:
            return
        if self._written(running=True):
            self._shows = shows
        self._due_s, self._at_latest_s = now_s + _SHORTEST_S, now_s + _LONGEST_S

    def close(self) -> None:
        """The last writing: the service has ended."""
        self._written(running=False)

    def _written(self, *, running: bool) -> bool:
        try:
            self._studio.require_marker()
            self._write(running=running)
        except (PrintqueueError, OSError) as error:
            return self._failed(str(error) if isinstance(error, PrintqueueError) else os.strerror(error.errno or 0))
        except Exception as error:
            log.exception("an unexpected error")  # ours; a page is worth no print
            return self._failed(f"something went wrong in printqueue itself ({error!r})")
        self.problem = ""
        return True

    def _failed(self, says: str) -> bool:
        if says != self.problem:
            log.warning("the daybook cannot be written: %s", says)
        self.problem = says
        return False

    def _write(self, *, running: bool) -> None:
        now = self._today()
        for count in self._ledger.months():
            self._keep_month(count, now)
        found = gather.today(self._studio, self._shelf, now=now, running=running)
        self._put(pages.FIRST, pages.first_page(found))

    def _keep_month(self, count: MonthCount, now: datetime) -> None:
        month = Month(count.month, count.made, count.turned_back)
        if self._months.get(month.file, self._mark_of(month.file)) == count.mark:
            self._months[month.file] = count.mark
            return
        prints = gather.month(self._studio, self._shelf, self._ledger, count, now)
        name = os.path.basename(self._studio.root)
        self._put(month.file, pages.month_page(name, month, prints, now) + _MARKED.format(count.mark))
        self._months[month.file] = count.mark

    def _mark_of(self, file: str) -> str:
        """The mark of a page that an earlier run wrote; "" where there is none."""
        tail = durable.tail(self._studio.path(FOLDER, file), 200).decode("utf-8", "replace")
        return tail.rpartition("<!-- ")[2].removesuffix(" -->\n")

    def _put(self, file: str, page: str) -> None:
        path = self._studio.path(FOLDER, file)
        with durable.world("Writing", f"{FOLDER}/{file}"):
            self._studio.make_folder(self._studio.path(FOLDER))
            durable.replace_own(path, page.encode())
