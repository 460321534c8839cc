"""States of a job and the records that the ledger keeps."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any, Literal

from printqueue.core.model.finding import Level
from printqueue.core.model.why import Reason
from printqueue.core.naming import same_stem


class State(StrEnum):
    """Where a job stands."""

    WAITING = "waiting"  # seen, settling, queued or deferred
    WORKING = "working"
    PRINTABLE = "printable"
    REVIEW = "review"
    WITHDRAWN = "withdrawn"  # the photographer took it away or replaced it
    STUCK = "stuck"  # our fault or the machine's: kept safe, explained, a human is needed


class Phase(StrEnum):
    """How far a working arrival has come, as far as recovery must know."""

    CLAIMED = "claimed"  # nothing of it is visible yet
    PUBLISHING = "publishing"  # the intent is written; names may be visible
    PUBLISHED = "published"  # everything made is visible; the original may still stand in ready/
    DONE = "done"


@dataclass(frozen=True, slots=True)
class Arrival:
    """One picture as it was claimed: a row of the ledger. `path` is relative to ready/."""

    id: int
    path: str  # may hold surrogates for bytes that are not UTF-8
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
    """A picture in review/, the one that came after it, and that one's first job."""

    older: Arrival
    newer: Arrival
    job: int

    @property
    def same(self) -> bool:
        """Whether they are the same bytes."""
        return self.older.sha256 is not None and self.older.sha256 == self.newer.sha256


@dataclass(frozen=True, slots=True)
class PrintRecord:
    """One print of an arrival: what was asked, found and made."""

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
        """Findings of that level that were not allowed."""
        return [one for one in self.findings if one.get("level") == level and not one.get("allowed")]

    @property
    def file(self) -> str:
        """The print file's own name if a number tells it from the picture's, else ""."""
        name, dropped = (path.rpartition("/")[2] for path in (self.output or "", self.path))
        return "" if not name or same_stem(name, dropped) else name


@dataclass(frozen=True, slots=True)
class MonthCount:
    """The work of one month ("2026-11", of the local clock); `mark` changes whenever any of it does."""

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
    until: str | None = None  # RFC 3339 UTC: deferred, and not tried again before


@dataclass(frozen=True, slots=True)
class Fact:
    """One transition of a picture, as it was recorded."""

    id: int
    at: str  # RFC 3339 UTC
    path: str  # below ready/, escaped for people
    fact: str
    detail: str


@dataclass(frozen=True, slots=True)
class Heartbeat:
    """What the service last said of itself."""

    last_scan: str | None  # RFC 3339 UTC
    watch: str  # events | poll
    problems: tuple[str, ...]
    why: str = ""  # why it watches so
