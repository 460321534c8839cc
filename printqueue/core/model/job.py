"""The states of a job, and the records the ledger keeps."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any, Literal

from printqueue.core.model.finding import Level
from printqueue.core.model.why import Reason
from printqueue.core.naming import same_stem


class State(StrEnum):
    """The state of a job."""

    WAITING = "waiting"  # seen, settling, queued or deferred
    WORKING = "working"
    PRINTABLE = "printable"
    REVIEW = "review"
    WITHDRAWN = "withdrawn"  # the photographer took it away or replaced it
    STUCK = "stuck"  # our fault or the machine's: safe and explained, but needs a human


class Phase(StrEnum):
    """How far a working arrival has come, in the detail recovery needs."""

    CLAIMED = "claimed"  # nothing is visible yet
    PUBLISHING = "publishing"  # the intent is recorded; names may be visible
    PUBLISHED = "published"  # everything made is visible; the original may still be in ready/
    DONE = "done"


@dataclass(frozen=True, slots=True)
class Arrival:
    """One picture as it was claimed: a row in the ledger. `path` is relative to ready/."""

    id: int
    path: str  # may contain surrogates for bytes that are not UTF-8
    inode: int
    size: int
    mtime_ns: int
    sha256: str | None
    state: State
    phase: Phase
    attempt: int
    strikes: int
    since: str
    says: str
    intent: str | None  # JSON of a `publication.Publication`


@dataclass(frozen=True, slots=True)
class Superseded:
    """A picture in review/, the one that came after it, and the latter's first job."""

    older: Arrival
    newer: Arrival
    job: int

    @property
    def same(self) -> bool:
        """Whether both have the same bytes."""
        return self.older.sha256 is not None and self.older.sha256 == self.newer.sha256


@dataclass(frozen=True, slots=True)
class PrintRecord:
    """One print of an arrival: what was asked for, found and made."""

    job: int
    arrival: int
    path: str
    paper: str
    size: str
    copies: int
    state: State
    since: str
    says: str
    sha256: str | None
    verdict: str | None = None
    output: str | None = None  # relative to the studio
    recipe: str | None = None
    profile_sha256: str | None = None
    made: str | None = None
    settings: dict[str, Any] = field(default_factory=dict)
    findings: list[dict[str, Any]] = field(default_factory=list)

    def counting(self, level: Level) -> list[dict[str, Any]]:
        """Findings at that level that were not allowed."""
        return [one for one in self.findings if one.get("level") == level and not one.get("allowed")]

    @property
    def file(self) -> str:
        """The print file's name if a number sets it apart from the picture's, otherwise ""."""
        name, dropped = (path.rpartition("/")[2] for path in (self.output or "", self.path))
        return "" if not name or same_stem(name, dropped) else name


@dataclass(frozen=True, slots=True)
class MonthCount:
    """The work of one month ("2026-11", local time); `mark` changes whenever any of it does."""

    month: str
    made: int
    turned_back: int
    mark: str


@dataclass(frozen=True, slots=True)
class Sighting:
    """Something in ready/ that is not (yet) a job: waiting or passed over, and why."""

    path: str
    kind: Literal["waiting", "passed-over"]
    paper: str
    size: str | None
    since: str
    reason: Reason
    until: str | None = None  # RFC 3339 UTC: deferred, not tried again before then


@dataclass(frozen=True, slots=True)
class Fact:
    """One transition of a picture, as recorded."""

    id: int
    at: str  # RFC 3339 UTC
    path: str  # below ready/, escaped for people
    fact: str
    detail: str


@dataclass(frozen=True, slots=True)
class Heartbeat:
    """What the service last reported about itself."""

    last_scan: str | None  # RFC 3339 UTC
    watch: str  # events | poll
    problems: tuple[str, ...]
    why: str = ""  # why it watches that way
