"""What we say about a delivered picture: made or turned back, what lies beside it, and what was unusual. Pure."""

from __future__ import annotations

from collections.abc import Sequence

from printqueue.core.model.finding import Finding, Level, Value, worst_first
from printqueue.core.text import shown
from printqueue.core.units import number_text
from printqueue.reports import proof_words

TAKEN_OUT = "it was taken out of ready/ before it was made"
WITHDRAWN = "the picture was taken away or replaced while it was being judged"
NO_WHOLE_COPY = "the original was taken away while it was being printed, and no whole copy of it is left"
SPARE_KEPT = "the original was replaced or taken away meanwhile, and the version that was used is kept in masters/"

# Why a proof sheet has only words.
NOT_ORDERED = "What was asked for cannot be followed, so there is no print of it to be shown."
UNUSABLE = "There is no picture to show here: the file cannot be used as it is."


def made_words(file: str, warned: str) -> str:
    """Says that a print was made; `warned` names the checks that warn."""
    return f"made: {shown(file)}{f' (warned of: {warned})' if warned else ''}"


def turned_back_words(says: str, reason_file: str) -> str:
    """Says that the picture was turned back."""
    return f"turned back: {says} See {shown(reason_file)}"


def worst_words(findings: Sequence[Finding]) -> str:
    """The worst finding, short enough for `status`."""
    return shown(worst_first(findings)[0].says, limit=400)


def stays_words(file: str, why: str) -> str:
    """Says that the original was copied but could not be taken out of ready/."""
    return f"{shown(file)} could not be taken away ({why}): please remove it"


def titled(name: str, title: str | None) -> str:
    """The picture's title with its file name, or just the file name."""
    return f"{title} ({name})" if title else name


def cannot_be_shown(why: str) -> str:
    """Why a proof sheet has only words: the picture could not be read."""
    return f"The picture cannot be shown: {why}"


def not_drawn(why: str) -> str:
    """Why there is no proof picture."""
    return f"It could not be drawn ({why})."


def look_words(file: str, findings: Sequence[Finding], *, missing: str, words_only: bool) -> str:
    """For a reason: what the proof picture `file` shows or, without one, why it is `missing`."""
    if not file:
        return f"There is no proof picture. {missing}"
    if words_only:
        return f"{shown(file)} says the same on one sheet; the picture cannot be shown on it."
    faults = [finding for finding in findings if finding.level.weight >= Level.WARN.weight]
    where = " and marks the places" if proof_words.marked(faults) else ""
    return f"{shown(file)} shows it as this paper would{where}."


def change_words(then: float, now: Value, unit: str) -> str:
    """'62 ppi, now 288 ppi'; `unit` applies to both."""
    before, after = (f"{number_text(float(value or 0))} {unit}".strip() for value in (then, now))
    return f"{before}, now {after}" if before != after else f"{before}, now the same"
