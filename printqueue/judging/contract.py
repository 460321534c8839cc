"""What checks are made of. Each file in `checks/` ends with one `CHECK = Check(...)`."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Generic, TypeVar

from printqueue.core.model.finding import Finding, Level
from printqueue.core.model.subject import Subject
from printqueue.core.yaml.limits import Limits

L = TypeVar("L", bound=Limits)


@dataclass(frozen=True, slots=True)
class Explanation:
    """What `printqueue explain CHECK` says; kept beside the code so that it cannot drift."""

    question: str  # one line, ends with a question mark
    measures: str
    matters: str
    source: str
    typical: str


@dataclass(frozen=True, slots=True)
class Check(Generic[L]):
    """One question about a picture, answered by measurement. `judge` is pure: facts and numbers in, a finding out.

    headline  what the first line of a reason note says about the picture, optionally with {size} and {paper}:
              "has too few pixels for {size} on {paper}"; a finding may supply a better one
    called    its name in running text, if that differs from `name`
    marks     what its places are called in the legend of a proof picture: "edges that ring"
    """

    name: str
    limits: type[L]
    judge: Callable[[Subject, L], Finding]
    explanation: Explanation
    headline: str = "was turned back"
    called: str = ""
    marks: str = ""

    @property
    def in_words(self) -> str:
        """Its name in running text."""
        return self.called or self.name

    @property
    def in_legend(self) -> str:
        """What its places are called."""
        return self.marks or self.in_words


def crossed(
    value: float,
    *,
    reject: float | None = None,
    warn: float | None = None,
    note: float | None = None,
    below: bool = False,
) -> tuple[Level, float | None]:
    """The most severe limit that `value` exceeds (or falls below) and its level; else a pass and the nearest limit."""
    nearest = None
    for level, limit in ((Level.REJECT, reject), (Level.WARN, warn), (Level.NOTE, note)):
        if limit is not None:
            nearest = limit
            if value < limit if below else value > limit:
                return level, limit
    return Level.PASS, nearest
