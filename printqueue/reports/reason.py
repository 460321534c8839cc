"""`NAME.reason.txt`: why a picture was turned back, and what to do. Pure.

The verdict comes first; then the findings that count, worst first; what is fine; where to put the new file; the line to
paste; and that the file is safe.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from printqueue.core.model.finding import About, Finding, Level, worst_first
from printqueue.core.text import shown
from printqueue.core.units import number_text
from printqueue.judging.checks import REGISTRY
from printqueue.reports.layout import page, row
from printqueue.reports.phrases import name_in_words

_ORDER_HEADLINE = "is asked for in a way that cannot be followed"
# How many findings to give in full, and how many of the rest in a sentence before only naming them. The first pair that
# fits on a screen is used.
_LENGTHS = ((3, 3), (2, 3), (1, 3), (1, 1), (1, 0))
SCREEN_LINES = 44  # what a desktop editor shows on a 1080-pixel-high screen with lines 20 pixels apart


@dataclass(frozen=True, slots=True)
class TurnedBack:
    """What the note needs to know. `before`: (check, what it measured in the last attempt under this name, and now)."""

    picture: str
    paper: str
    size: str
    findings: Sequence[Finding]
    turn_back_at: Level
    ready_folder: str
    job: int
    stands_as: str = ""  # its name in review/ if numbered, otherwise ""
    order: str = ""  # its own order file's name in review/
    before: Sequence[tuple[str, str]] = ()
    look: str = ""  # what its proof picture shows, one sentence


def reason_text(note: TurnedBack) -> str:
    """The full text, one screen long: as many findings in full as fit, the others by name."""
    ordered = worst_first(note.findings)
    heavy = [f for f in ordered if f.counts and f.level.weight >= note.turn_back_at.weight]
    text = ""
    for length in _LENGTHS:
        text = page(_lines(note, heavy, ordered, length))
        if text.count("\n") <= SCREEN_LINES:
            break
    return text


def _lines(
    note: TurnedBack, heavy: Sequence[Finding], ordered: Sequence[Finding], length: tuple[int, int]
) -> list[str]:
    in_full, sentences = length
    lines = [verdict_words(heavy, note.size, note.paper, picture=note.picture), ""]
    for finding in heavy[:in_full]:
        lines += [*_finding_rows(finding), ""]
    if others := heavy[in_full:]:
        lines += [row("And", _some(others, sentences)), ""]
    if note.before:
        lines.append(
            row("Before", "; ".join(f"{name_in_words(check)} {change}" for check, change in note.before) + ".")
        )
    if note.look:
        lines.append(row("Look", note.look))
    return lines + _closing(note, heavy, ordered, sentences)


def _some(findings: Sequence[Finding], sentences: int) -> str:
    """The first few findings in a sentence each, the others by name."""
    said = [f"{_sentence(f.says)}{' (allowed)' if f.allowed else ''}" for f in findings[:sentences]]
    if rest := dict.fromkeys(name_in_words(f.check) for f in findings[sentences:]):
        said.append(f"{'Also: ' if said else ''}{', '.join(rest)}.")
    return " ".join(said)


def verdict_words(heavy: Sequence[Finding], size: str, paper: str, *, picture: str = "") -> str:
    """Why it was turned back, in one sentence about `picture`, or about "it" if the name has already been given."""
    what = _what(heavy[0]) if heavy else "was turned back"
    said = what.format(size=shown(size), paper=shown(paper))
    more = f" ({len(heavy)} reasons)" if len(heavy) > 1 else ""
    return f"Turned back: {f'“{shown(picture)}”' if picture else 'it'} {said}{more}."


def _what(finding: Finding) -> str:
    check = REGISTRY.get(finding.check)
    return finding.headline or (check.headline if check else _ORDER_HEADLINE)


def _finding_rows(finding: Finding) -> list[str]:
    rows = [row("Measured", finding.says + limit_words(finding))]
    for label, text in (("Why here", finding.why), ("Do", finding.do), ("Or", finding.instead)):
        if text:
            rows.append(row(label, text))
    return rows


def limit_words(finding: Finding) -> str:
    """' Limit 150 ppi (your rule; common practice).', or what was wanted if the limit is not a number."""
    if finding.limit is None:
        return ""
    if isinstance(finding.limit, str):
        return f" Wanted: {finding.limit}{_origin(finding)}."
    return f" Limit {number_text(float(finding.limit))} {finding.unit}{_origin(finding)}."


def _origin(finding: Finding) -> str:
    return "" if finding.origin == "fact" else f" ({finding.origin})"


def _closing(note: TurnedBack, heavy: Sequence[Finding], ordered: Sequence[Finding], sentences: int) -> list[str]:
    rows = []
    fine = sorted(name_in_words(f.check) for f in ordered if f.level is Level.PASS)
    seen = [f for f in ordered if f not in heavy and f.level is not Level.PASS and f.about is not About.NUMBERS]
    if fine:
        rows.append(row("Fine", ", ".join(fine) + "."))
    if seen:
        rows.append(row("Seen", _some(seen, sentences)))
    rows.append(row("Again", _again(note, heavy)))
    if all(f.allowable for f in heavy) and heavy:
        names = ", ".join(sorted({f.check for f in heavy}))
        rows.append(row("Anyway", _anyway(note)))
        rows.append(row("", f"allow: [{names}]"))
    rows.append(row("Safe", f"Your file is here, unchanged. Job {note.job}."))
    return rows


def _anyway(note: TurnedBack) -> str:
    """How to print it anyway. A picture has only one order: if it has its own, the line goes in there."""
    if note.order:
        return f"Move it back with its order {shown(note.order)}, with this line put in:"
    name = note.stands_as or note.picture
    return f"Move it back with a file {shown(name.rpartition('.')[0] or name)}.order.yaml beside it that says:"


def _again(note: TurnedBack, heavy: Sequence[Finding]) -> str:
    """How to try again: export the picture again, or correct the order and return it with its picture."""
    what = "the new file" if not heavy or heavy[0].check in REGISTRY else "picture and order back"
    return f"Put {what} into {shown(note.ready_folder)}/."


def _sentence(text: str) -> str:
    return text if text.endswith((".", "!", "?")) else text + "."
