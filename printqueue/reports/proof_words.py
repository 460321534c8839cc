"""The words on a proof picture: names, size, verdict, findings, and what the marks mean. Pure.

No clock, no job number: judging the same picture again by the same rules gives the same proof picture.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from printqueue.core.model.finding import Finding, Level, worst_first
from printqueue.core.model.request import Placement
from printqueue.core.text import shown
from printqueue.core.units import number_text, stops_text
from printqueue.imaging.jobs import Marked, ProofWords
from printqueue.judging.checks import REGISTRY
from printqueue.reports.phrases import DEMONSTRATION, name_in_words, only_demonstration
from printqueue.reports.reason import verdict_words

_MAX_FOUND = 2
_MAX_MARKED = 4


@dataclass(frozen=True, slots=True)
class Looked:
    """What the words need to know about a print or, without one, about what was asked for.

    `size` is the sheet's name; `placement` is None if the picture does not fit or was never placed.
    """

    picture: str
    paper: str
    size: str
    findings: Sequence[Finding]
    turn_back_at: Level
    lift_stops: float = 0.0
    placement: Placement | None = None
    demonstration: bool = False


def words(looked: Looked) -> ProofWords:
    """The lines at the top of the sheet."""
    ordered = [one for one in worst_first(looked.findings) if one.level is not Level.PASS]
    heavy = [one for one in ordered if one.counts and one.level.weight >= looked.turn_back_at.weight]
    telling = heavy or [one for one in ordered if one.level.weight >= Level.WARN.weight and not only_demonstration(one)]
    return ProofWords(
        title=shown(looked.picture),
        print=_print_words(looked),
        verdict=_verdict(looked, heavy, ordered),
        found=tuple(one.says for one in telling[:_MAX_FOUND]),
        demonstration=DEMONSTRATION if looked.demonstration else "",
    )


def marked(findings: Sequence[Finding]) -> tuple[Marked, ...]:
    """The places to mark, worst finding first; allowed findings are marked too."""
    placed = [one for one in worst_first(findings) if one.where and one.level is not Level.PASS]
    return tuple(Marked(one.check, _legend(one.check), one.where) for one in placed[:_MAX_MARKED])


def _legend(check: str) -> str:
    return REGISTRY[check].in_legend if check in REGISTRY else check


def _verdict(looked: Looked, heavy: Sequence[Finding], ordered: Sequence[Finding]) -> str:
    if heavy:
        return verdict_words(heavy, looked.size, looked.paper)
    warned = [one for one in ordered if one.counts and one.level is Level.WARN and not only_demonstration(one)]
    allowed = [one for one in ordered if one.allowed]
    parts = []
    if warned:
        parts.append(f"{'a warning' if len(warned) == 1 else f'{len(warned)} warnings'}: {_names(warned)}")
    if allowed:
        parts.append(f"allowed by you: {_names(allowed)}")
    return f"Accepted, with {'; '.join(parts)}." if parts else "Accepted."


def _names(findings: Sequence[Finding]) -> str:
    return ", ".join(name_in_words(one.check) for one in findings)


def _print_words(looked: Looked) -> str:
    parts = [shown(looked.paper), shown(looked.size)]
    if looked.placement is not None:
        width, height = (number_text(side) for side in looked.placement.picture_mm)
        parts += [f"{width} × {height} mm", f"{number_text(looked.placement.source_ppi, 0)} ppi of its own"]
    if looked.lift_stops:
        parts.append(f"lift {stops_text(looked.lift_stops)}")
    return " · ".join(parts)
