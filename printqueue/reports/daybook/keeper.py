"""Writes the daybook's pages when they change, each whole or not at all."""

from __future__ import annotations

import logging
import os
import time
from collections.abc import Callable
from datetime import datetime

from printqueue.core.disk import durable
from printqueue.core.errors import PrintqueueError
from printqueue.core.model.job import MonthCount, Sighting
from printqueue.ledger import LedgerReader
from printqueue.reports.daybook import gather, pages
from printqueue.reports.daybook.entries import Month
from printqueue.studio.folders import Studio
from printqueue.studio.papers.loader import Shelf

log = logging.getLogger("printqueue")

FOLDER = "daybook"
_MIN_PAUSE_S = 2.0  # between writes while much is happening
_MAX_PAUSE_S = 900.0  # the page says when it was written, and nobody would trust an older one
# How much processor time pages may take, as a share of elapsed time. Without this limit every picture would cost more
# than the one before: a month's page lists all its prints, and the first page all of review/.
_SHARE, _SHARE_OF_MONTHS = 1 / 200, 1 / 1000
_MARKED = "<!-- {} -->\n"  # last line of a month's page: the ledger state it shows


class Daybook:
    """The pages of one studio. `clock` gives monotonic seconds, `cpu` this thread's processor seconds, `today` the local time
    with its zone.
    """

    def __init__(
        self,
        studio: Studio,
        shelf: Shelf,
        *,
        clock: Callable[[], float] = time.monotonic,
        cpu: Callable[[], float] = time.thread_time,
        today: Callable[[], datetime] = lambda: datetime.now().astimezone(),
    ) -> None:
        self._studio, self._shelf, self._clock, self._today = studio, shelf, clock, today
        self._cpu = cpu
        self._ledger = LedgerReader(studio.ledger)
        self._shows: object = None  # what the first page shows
        self._due_s = 0.0
        self._at_latest_s = 0.0
        self._months: dict[str, str] = {}  # page → its mark
        self._counts: list[MonthCount] = []  # as shown on the months' pages
        self._counted = -1  # the newest fact when the months' pages were written
        self._months_due_s = 0.0
        self.problem = ""  # for status: why it could not be written

    def keep(self, sightings: list[Sighting], problems: list[str]) -> None:
        """Bring the pages up to date if anything has changed. A failure never stops a print.

        The longer the months' pages take, the later they follow; when the service ends, they follow at once.
        """
        now_s = self._clock()
        if now_s < self._due_s:
            return
        newest = self._ledger.newest_fact()
        shows = (newest, tuple(sightings), tuple(problems))
        months = newest != self._counted and now_s >= self._months_due_s
        first = shows != self._shows or now_s >= self._at_latest_s
        if not first and not months:
            return
        began_s = self._cpu()
        if self._written(running=True, first=first, months=newest if months else None):
            self._shows = shows
        took_s = self._cpu() - began_s
        self._due_s = now_s + max(_MIN_PAUSE_S, min(took_s / _SHARE, _MAX_PAUSE_S))
        self._at_latest_s = now_s + _MAX_PAUSE_S

    def close(self) -> None:
        """Write one last time, now that the service has ended."""
        self._written(running=False, first=True, months=-1)

    def _written(self, *, running: bool, first: bool, months: int | None) -> bool:
        """Write the `first` page, and the months' pages if `months` (the newest fact) is given. Whether that worked."""
        try:
            self._studio.require_marker()
            self._studio.require_folder(FOLDER)
            before = self._counts
            if months is not None:
                self._keep_months(months)
            if first or self._counts != before:
                self._write(running=running)
        except (PrintqueueError, OSError) as error:
            return self._failed(str(error) if isinstance(error, PrintqueueError) else os.strerror(error.errno or 0))
        except Exception as error:
            log.exception("an unexpected error")  # a bug of ours, but no reason to stop printing
            return self._failed(f"something went wrong in printqueue itself ({error!r})")
        self.problem = ""
        return True

    def _failed(self, says: str) -> bool:
        if says != self.problem:
            log.warning("the daybook cannot be written: %s", says)
        self.problem = says
        return False

    def _write(self, *, running: bool) -> None:
        found = gather.today(self._studio, self._shelf, self._counts, now=self._today(), running=running)
        self._put(pages.FIRST, pages.first_page(found))

    def _keep_months(self, newest: int) -> None:
        began_s, counts, now = self._cpu(), self._ledger.months(), self._today()
        for count in counts:
            self._keep_month(count, now)
        self._counts, self._counted = counts, newest
        took_s = self._cpu() - began_s
        self._months_due_s = self._clock() + min(took_s / _SHARE_OF_MONTHS, _MAX_PAUSE_S)

    def _keep_month(self, count: MonthCount, now: datetime) -> None:
        month = Month(count.month, count.made, count.turned_back)
        if month.file not in self._months:
            self._months[month.file] = self._mark_of(month.file)
        if self._months[month.file] == count.mark:
            return
        prints = gather.month(self._studio, self._shelf, self._ledger, count, now=now)
        name = os.path.basename(self._studio.root)
        self._put(month.file, pages.month_page(name, month, prints, now) + _MARKED.format(count.mark))
        self._months[month.file] = count.mark

    def _mark_of(self, file: str) -> str:
        """The mark on a page written by an earlier run, "" if there is none."""
        tail = durable.tail(self._studio.path(FOLDER, file), 200).decode("utf-8", "replace")
        return tail.rpartition("<!-- ")[2].removesuffix(" -->\n")

    def _put(self, file: str, page: str) -> None:
        path = self._studio.path(FOLDER, file)
        with durable.world("Writing", f"{FOLDER}/{file}"):
            self._studio.make_folder(self._studio.path(FOLDER))
            durable.replace_own(path, page.encode())
