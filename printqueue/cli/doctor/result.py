"""The answer to a question, and what every question may look at."""

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
    """How serious an answer is. Only `bad` changes the exit code."""

    FINE = "fine"
    WARN = "warn"
    BAD = "bad"


@dataclass(frozen=True, slots=True)
class Result:
    """One answer: a sentence, and what to do unless all is fine. Without a `name` it gets its question's."""

    state: Health
    says: str
    do: str = ""
    name: str = ""


def fine(says: str, *, name: str = "") -> Result:
    """Nothing to do."""
    return Result(Health.FINE, says, name=name)


def warn(says: str, do: str, *, name: str = "") -> Result:
    """It works, but not as well or as safely as it could."""
    return Result(Health.WARN, says, do, name)


def bad(says: str, do: str, *, name: str = "") -> Result:
    """The service cannot work like this."""
    return Result(Health.BAD, says, do, name)


class Visit:
    """One examination: reads only once what several questions need.

    `now` is the wall clock (UTC); `context` starts reading processes, None until they can be started. `studio` is None if
    the folder is not one (`no_studio`) or its settings cannot be read (`no_settings`).
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
        """The studio, for questions that are only asked if there is one."""
        assert self.studio is not None
        return self.studio

    @cached_property
    def shelf(self) -> Shelf:
        """The papers as their files are now."""
        return Shelf.load(self.known.path("rules"))

    @cached_property
    def ledger(self) -> LedgerReader:
        """The ledger, read-only."""
        return LedgerReader(self.known.ledger)


@dataclass(frozen=True, slots=True)
class Question:
    """One question of `doctor`; unless `everywhere`, it needs a studio with readable settings."""

    name: str
    look: Callable[[Visit], Iterable[Result]]
    everywhere: bool = False
