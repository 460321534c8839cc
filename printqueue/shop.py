"""What every attempt works with: the shop (studio, ledger, papers, children) and the picture in hand."""

from __future__ import annotations

import json
import os
from collections import Counter
from collections.abc import Callable
from dataclasses import asdict, dataclass, field
from enum import StrEnum

from printqueue.disk.answering import Answering
from printqueue.intake import claim
from printqueue.intake.scan import Seen
from printqueue.lanes import Lanes, free_bytes
from printqueue.ledger import Ledger
from printqueue.model.finding import Finding, Verdict, verdict
from printqueue.model.job import Arrival
from printqueue.model.request import Request
from printqueue.needs import Need
from printqueue.orders.place import Place
from printqueue.papers.loader import Shelf
from printqueue.sandbox import Template
from printqueue.stock import Stock
from printqueue.studio import Studio
from printqueue.workbench import Workbench
from printqueue.worker import Judged, Report


class Ending(StrEnum):
    """What became of one attempt."""

    PRINTABLE = "printable"
    REVIEW = "review"
    AGAIN = "again"  # it changed under our hands; it must settle anew
    RETRY = "retry"  # its child died once; once more, at once
    QUEUED = "queued"  # no room for it now; others are in hand
    DEFERRED = "deferred"  # the world's fault; try later
    UNFINISHED = "unfinished"  # stopped while publishing; `recovery.finish` goes on from there
    WITHDRAWN = "withdrawn"
    STUCK = "stuck"
    KNOWN = "known"  # parked or done already: the same bytes under another inode number, or with other attributes


@dataclass(frozen=True, slots=True)
class Outcome:
    """How an attempt ended, and the sentence for status."""

    ending: Ending
    says: str = ""
    need: Need | None = None  # with `QUEUED`: what there must be room for


@dataclass(slots=True)
class Attempt:
    """Everything known about the picture in hand, as read once when it was claimed."""

    seen: Seen
    arrival: Arrival
    spool: str
    place: Place
    sha256: str = ""
    order_bytes: bytes | None = None
    refused: Finding | None = None  # the order cannot be followed, or the picture asks for too much
    requests: tuple[Request, ...] = ()
    stocks: tuple[Stock, ...] = ()
    jobs: tuple[int, ...] = ()
    report: Report | None = None
    temps: list[str] = field(default_factory=list)
    copy: int | None = None  # descriptor of the working copy that judging has kept for the proof picture
    proved: set[str] = field(default_factory=set)  # temps that are synced and read back the same

    @property
    def picture(self) -> str:
        """The spool copy."""
        return os.path.join(self.spool, claim.PICTURE)


class Shop(Workbench):
    """The service's workbench: with the ledger, and a clock for people (RFC 3339 UTC)."""

    def __init__(
        self, studio: Studio, ledger: Ledger, template: Template, shelf: Shelf, now: Callable[[], str]
    ) -> None:
        super().__init__(studio, template, shelf)
        self.ledger, self.now = ledger, now
        self.disks = Answering()
        self._interruptions: Counter[Seen] = Counter()
        self.lanes = Lanes(studio.config.workers or max(2, os.cpu_count() or 1), free_bytes)

    def interrupted(self, seen: Seen) -> int:
        """Something outside has ended work on this picture, as it stands there: how often that has happened by now."""
        self._interruptions[seen] += 1
        return self._interruptions[seen]


def settings_json(request: Request) -> str:
    """The resolved request as JSON text for the ledger."""
    return json.dumps(asdict(request), sort_keys=True, default=str)


def verdict_of(one: Judged, kept: Stock) -> Verdict:
    """The verdict by the paper's own rules."""
    return verdict(one.findings, kept.paper.turn_back_at)


def findings_json(one: Judged) -> list[dict[str, object]]:
    """Findings for ledger and `--json`: the contract's keys, in its order."""
    return [
        {
            "check": f.check,
            "level": str(f.level),
            "measured": f.measured,
            "limit": f.limit,
            "unit": f.unit,
            "says": f.says,
            "do": f.do,
            "allowed": f.allowed,
        }
        for f in one.findings
    ]


def measurements_json(one: Judged) -> dict[str, object]:
    """Measurements for ledger and `--json`: the numbers by name, and under `where` the places of each finding that has some."""
    where = {f.check: [asdict(region) for region in f.where] for f in one.findings if f.where}
    return {**one.measurements, "where": where} if where else dict(one.measurements)
