"""Turned back: reason and proof picture first, then the untouched picture and its order file, into review/."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import replace

from printqueue.core import naming
from printqueue.core.model.finding import Finding, Level, Value, worst_first
from printqueue.core.model.publication import Publication
from printqueue.core.text import shown
from printqueue.core.units import number_text
from printqueue.judging.judged import Judged
from printqueue.ledger import Ledger
from printqueue.reports import proof_words
from printqueue.reports.reason import TurnedBack, reason_text
from printqueue.sandbox.context import Relay
from printqueue.service import steps
from printqueue.service.context import Attempt, Outcome, ServiceContext
from printqueue.service.delivery import group, proofs
from printqueue.service.delivery.completion import carry_out
from printqueue.service.delivery.proofs import Proof
from printqueue.studio.folders import free_number


def turn_back(context: ServiceContext, attempt: Attempt, judged: Sequence[Judged], relay: Relay) -> Outcome:
    """Say why in one note, for every print of the picture that failed, and show the first of them."""
    index = next(number for number, one in enumerate(judged) if _fails(attempt, one, number))
    proof = proofs.draw(context, attempt, relay, index, judged[index], group.mirrored(attempt, "review"))
    relay.end()  # it could write to the proof picture
    steps.reached("proofed")

    def record(_: Publication) -> None:
        context.ledger.pictured(attempt.jobs[index], proof.thumbnail)

    return carry_out(context, attempt, lambda: _intent(context, attempt, judged, proof), record)


def _intent(context: ServiceContext, attempt: Attempt, judged: Sequence[Judged], proof: Proof) -> Publication:
    folder = group.mirrored(attempt, "review")
    stem, extension = group.stem_and_extension(attempt)
    short = naming.companion_stem(stem)
    groups: group.Groups = {
        folder: lambda n: (
            naming.numbered(stem, n) + extension,
            naming.numbered(short, n) + naming.REASON,
            naming.numbered(short, n) + naming.PROOF,
            *(group.order_names(attempt, n) if group.own_order(attempt) else ()),
        )
    }
    number = free_number(context.studio, groups)
    base = os.path.join(folder, naming.numbered(short, number))
    notes = _notes(context.ledger, attempt, judged)
    order = group.order_names(attempt, number)[0] if group.own_order(attempt) else ""
    notes = [replace(note, stands_as=naming.numbered(stem, number) + extension, order=order) for note in notes]
    notes[0] = replace(notes[0], look=_look(proof, os.path.basename(base), notes[0].findings))
    text = ("\n" + "-" * 60 + "\n").join(reason_text(note) for note in notes)
    placed = [group.companion(context, attempt, base + naming.REASON, text.encode(), "reason.txt")]
    placed += proof.placed(base + naming.PROOF)
    says = shown(worst_first(notes[0].findings)[0].says, limit=400)
    return Publication("review", placed, group.moves(attempt, folder, number, keep_spare=False), says)


def _look(proof: Proof, base: str, findings: Sequence[Finding]) -> str:
    if not proof.temp:
        return f"There is no proof picture. {proof.missing}"
    if proof.words_only:
        return f"{shown(base + naming.PROOF)} says the same on one sheet; the picture cannot be shown on it."
    faults = [finding for finding in findings if finding.level.weight >= Level.WARN.weight]
    where = " and marks the places" if proof_words.marked(faults) else ""
    return f"{shown(base + naming.PROOF)} shows it as this paper would{where}."


def _notes(ledger: Ledger, attempt: Attempt, judged: Sequence[Judged]) -> list[TurnedBack]:
    """One note for every print of the picture that failed."""
    notes = (_turned_back(ledger, attempt, one, index) for index, one in enumerate(judged))
    return [note for note in notes if note is not None]


def _turned_back(ledger: Ledger, attempt: Attempt, one: Judged, index: int) -> TurnedBack | None:
    if not _fails(attempt, one, index):
        return None
    known = index < len(attempt.stocks)
    return TurnedBack(
        picture=os.path.basename(attempt.seen.path),
        paper=attempt.stocks[index].paper.paper if known else (attempt.place.paper or "this paper"),
        size=attempt.requests[index].size.name if known else (attempt.place.size or "this size"),
        findings=one.findings,
        turn_back_at=_turn_back_at(attempt, index),
        ready_folder=group.mirrored(attempt, "ready"),
        job=attempt.jobs[index],
        before=_before(ledger, attempt, one.findings),
    )


def _fails(attempt: Attempt, one: Judged, index: int) -> bool:
    at = _turn_back_at(attempt, index)
    return any(f.counts and f.level.weight >= at.weight for f in one.findings)


def _turn_back_at(attempt: Attempt, index: int) -> Level:
    return attempt.stocks[index].paper.turn_back_at if index < len(attempt.stocks) else Level.REJECT


def _before(ledger: Ledger, attempt: Attempt, findings: Sequence[Finding]) -> list[tuple[str, str]]:
    """What the checks that fail now measured at an earlier attempt under the same name."""
    earlier = ledger.earlier_findings(attempt.seen.path, attempt.arrival.id)
    failing = {
        f.check: f for f in findings if f.level.weight >= Level.WARN.weight and isinstance(f.measured, int | float)
    }
    return [
        (name, _change(earlier[name]["measured"], finding.measured, finding.unit))
        for name, finding in failing.items()
        if name in earlier
        and isinstance(earlier[name]["measured"], int | float)
        and earlier[name]["unit"] == finding.unit  # else it measured something else
    ]


def _change(then: float, now: Value, unit: str) -> str:
    """'62 ppi, now 288 ppi', in the unit of both."""
    before, after = (f"{number_text(float(value or 0))} {unit}".strip() for value in (then, now))
    return f"{before}, now {after}" if before != after else f"{before}, now the same"
