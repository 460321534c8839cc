"""Findings and verdicts: what a check answers, and what follows from all the answers."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from enum import StrEnum

from printqueue.core.model.region import Region

Value = float | int | str | None


class Level(StrEnum):
    """How much a finding weighs: reject facts, warn about risks, note matters of taste."""

    REJECT = "reject"
    WARN = "warn"
    NOTE = "note"
    PASS = "pass"  # noqa: S105 - a level, not a password

    @property
    def weight(self) -> int:
        """0 (pass) to 3 (reject)."""
        return (Level.PASS, Level.NOTE, Level.WARN, Level.REJECT).index(self)


class About(StrEnum):
    """What a finding is about, if that affects how it is reported."""

    PICTURE = "picture"
    NUMBERS = "numbers"  # another finding left the check without any
    DEMONSTRATION = "demonstration"  # the paper still has its demonstration profile


class Verdict(StrEnum):
    """The outcome of all findings."""

    ACCEPTED = "accepted"
    TURNED_BACK = "turned-back"


@dataclass(frozen=True, slots=True)
class Finding:
    """One check's answer.

    says   one sentence: what was measured and what it means (ends with a full stop)
    why    one sentence: why it matters on this paper
    do     the one remedy, in the editor's terms; "" for a pass
    instead  another way out, for example a smaller size; may be ""
    origin   where the limit comes from: "your rule; common practice", "ICC.1", ...
    headline what the note's first line says if the check's own headline says too little; may be ""
    where    the places in the picture, worst first; () if it concerns the whole picture
    """

    check: str
    level: Level
    says: str
    measured: Value = None
    limit: Value = None
    unit: str = ""
    do: str = ""
    why: str = ""
    instead: str = ""
    origin: str = "your rule; common practice"
    allowed: bool = False
    headline: str = ""
    where: tuple[Region, ...] = ()
    allowable: bool = True  # False: it cannot be rendered, whatever `allow` says
    about: About = About.PICTURE

    @property
    def counts(self) -> bool:
        """Whether the finding still counts after the artist's allowances."""
        return not self.allowed

    def allow(self) -> Finding:
        """The same finding, marked as allowed for the record."""
        return replace(self, allowed=True)


def unmeasured(check: str, level: Level, unit: str) -> Finding:
    """The answer of a check left without numbers by another finding."""
    do = "" if level is Level.PASS else "Settle the other findings first; then this can be measured."
    return Finding(check, level, "Not measured: see the other findings.", unit=unit, do=do, about=About.NUMBERS)


def worst_first(findings: Iterable[Finding]) -> list[Finding]:
    """Findings by descending weight, then by name; allowed ones come after those that count."""
    return sorted(findings, key=lambda f: (f.allowed, -f.level.weight, f.check))


def verdict(findings: Iterable[Finding], turn_back_at: Level = Level.REJECT) -> Verdict:
    """`turned-back` if any finding that counts weighs at least `turn_back_at`."""
    heavy = any(f.counts and f.level.weight >= turn_back_at.weight for f in findings)
    return Verdict.TURNED_BACK if heavy else Verdict.ACCEPTED
