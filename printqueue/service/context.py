"""What every attempt works with: the context (studio, ledger, papers, children) and the picture in hand."""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from enum import StrEnum

from printqueue.core.disk.hanging import HangingDisks
from printqueue.core.model.finding import Finding
from printqueue.core.model.job import Arrival
from printqueue.core.model.request import Request
from printqueue.core.model.seen import Seen
from printqueue.core.model.why import NOTHING, Reason
from printqueue.judging.judged import Report
from printqueue.ledger import Ledger
from printqueue.reports.why_words import words
from printqueue.sandbox import ForkServer
from printqueue.sandbox.context import Context
from printqueue.sandbox.needs import Need
from printqueue.service.intake import claim
from printqueue.service.lanes import Lanes, free_bytes
from printqueue.studio.folders import Studio
from printqueue.studio.orders.drop_folder import DropFolder
from printqueue.studio.papers.loader import Shelf
from printqueue.studio.stock import Stock


class Ending(StrEnum):
    """How an attempt ended."""

    PRINTABLE = "printable"
    REVIEW = "review"
    AGAIN = "again"  # it changed while in hand; it must settle again
    RETRY = "retry"  # its child died once; try again at once
    QUEUED = "queued"  # no room while others are in hand
    DEFERRED = "deferred"  # the world's fault; retried later
    UNFINISHED = "unfinished"  # stopped while publishing; `recovery.finish` resumes from there
    WITHDRAWN = "withdrawn"
    STUCK = "stuck"
    KNOWN = "known"  # already parked or done: same bytes, new inode number or attributes


@dataclass(frozen=True, slots=True)
class Outcome:
    """How an attempt ended, and why."""

    ending: Ending
    reason: Reason = NOTHING
    need: Need | None = None  # with `QUEUED`: what it needs room for

    @property
    def says(self) -> str:
        """The reason in words."""
        return words(self.reason)


@dataclass(slots=True)
class Attempt:
    """The picture in hand, with everything read when it was claimed."""

    seen: Seen
    arrival: Arrival
    spool: str
    drop_folder: DropFolder
    sha256: str = ""
    order_bytes: bytes | None = None
    refused: Finding | None = None  # the order cannot be followed, or the picture needs too much
    requests: tuple[Request, ...] = ()
    stocks: tuple[Stock, ...] = ()
    jobs: tuple[int, ...] = ()
    report: Report | None = None
    temps: list[str] = field(default_factory=list)
    copy: int | None = None  # descriptor of the working copy that judging keeps for the proof picture
    proved: set[str] = field(default_factory=set)  # temps synced and read back identical

    @property
    def picture(self) -> str:
        """The spool copy."""
        return os.path.join(self.spool, claim.PICTURE)


class ServiceContext(Context):
    """Adds the ledger and a wall clock (RFC 3339 UTC)."""

    def __init__(
        self, studio: Studio, ledger: Ledger, fork_server: ForkServer, shelf: Shelf, *, now: Callable[[], str]
    ) -> None:
        super().__init__(studio, fork_server, shelf)
        self.ledger, self.now = ledger, now
        self.disks = HangingDisks()
        self._interruptions: Counter[Seen] = Counter()
        self.lanes = Lanes(studio.config.workers or max(2, os.cpu_count() or 1), free_bytes)

    def interrupted(self, seen: Seen) -> int:
        """Count one more outside interruption of work on this picture; return the count so far."""
        self._interruptions[seen] += 1
        return self._interruptions[seen]
