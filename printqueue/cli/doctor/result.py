"""What one question to the machine answers, and what all questions may look at."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import UTC, datetime
from enum import StrEnum
from functools import cached_property

from printqueue.core.errors import StudioError, UsageError
from printqueue.ledger import LedgerReader
from printqueue.sandbox.context import Context
from printqueue.studio.folders import Studio, open_studio
from printqueue.studio.papers.loader import Shelf


class Health(StrEnum):
    """How one answer weighs: `bad` alone changes the exit code."""

    FINE = "fine"
    WARN = "warn"
    BAD = "bad"


@dataclass(frozen=True, slots=True)
class Result:
    """One line: what was looked at, how it is, in a sentence, and what to do where it is not fine."""

    name: str
    state: Health
    says: str
    do: str = ""


def fine(name: str, says: str) -> Result:
    """Nothing to do."""
    return Result(name, Health.FINE, says)


def warn(name: str, says: str, do: str) -> Result:
    """It works, but not as well or not as safely as it could."""
    return Result(name, Health.WARN, says, do)


def bad(name: str, says: str, do: str) -> Result:
    """The service cannot work like this."""
    return Result(name, Health.BAD, says, do)


class Visit:
    """One examination: each thing that several checks need is read once.

    `now` is the wall clock (UTC), `bench` the workbench with its reading processes, None until it has been started.
    `studio` is None where the folder is none, or its settings cannot be read.
    """

    def __init__(self, root: str, now: datetime | None = None) -> None:
        self.root = root
        self.context: Context | None = None
        self.now = now or datetime.now(UTC)
        self.no_studio: StudioError | None = None
        self.no_settings: UsageError | None = None
        self.studio: Studio | None = None
        try:
            self.studio = open_studio(root)
        except StudioError as error:
            self.no_studio = error
        except UsageError as error:
            self.no_settings = error

    @property
    def known(self) -> Studio:
        """The studio, for checks that are only asked where there is one."""
        assert self.studio is not None
        return self.studio

    @cached_property
    def shelf(self) -> Shelf:
        """The papers as the files are now."""
        return Shelf.load(self.known.path("rules"))

    @cached_property
    def ledger(self) -> LedgerReader:
        """The ledger, read-only."""
        return LedgerReader(self.known.ledger)


@dataclass(frozen=True, slots=True)
class Question:
    """One check of `doctor`. Without `everywhere`, it is asked only where there is a studio with readable settings."""

    name: str
    look: Callable[[Visit], Iterable[Result]]
    everywhere: bool = False
