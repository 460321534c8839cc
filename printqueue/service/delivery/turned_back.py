"""Turned back: reason and proof picture first, then the untouched picture and its order file, into review/."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import replace

from printqueue.core import naming
from printqueue.core.model.finding import Level
from printqueue.core.model.publication import Publication
from printqueue.judging.judged import Judged
from printqueue.ledger import Ledger
from printqueue.reports import delivery as words
from printqueue.reports.reason import TurnedBack, reason_text
from printqueue.sandbox.context import Children
from printqueue.service import steps
from printqueue.service.context import Attempt, Outcome, ServiceContext
from printqueue.service.delivery import proofs
from printqueue.service.delivery.completion import carry_out
from printqueue.service.delivery.group import Group
from printqueue.service.delivery.in_hand import PrintInHand, prints_of
from printqueue.service.delivery.proofs import Proof
from printqueue.studio.folders import free_number


def turn_back(context: ServiceContext, attempt: Attempt, judged: Sequence[Judged], children: Children) -> Outcome:
    """Explain every failed print of the picture in one note, and show the first of them."""
    failed = [one for one in prints_of(attempt, judged) if one.fails]
    group = Group(context, attempt)
    proof = proofs.draw(context, children, failed[0], group.mirrored("review"))
    children.end()  # it could still write to the proof picture
    steps.reached("proofed")

    def record(_: Publication) -> None:
        context.ledger.pictured(failed[0].job, proof.thumbnail)

    return carry_out(context, attempt, lambda: _intent(group, failed, proof), record)


def _intent(group: Group, failed: Sequence[PrintInHand], proof: Proof) -> Publication:
    folder = group.mirrored("review")

    def orders(number: int) -> tuple[str, ...]:
        return group.order_names(number) if group.own_order else ()

    def names(number: int) -> tuple[str, ...]:
        companion = group.companion_name(number)
        return group.picture_name(number), companion + naming.REASON, companion + naming.PROOF, *orders(number)

    number = free_number(group.context.studio, {folder: names})
    base = os.path.join(folder, group.companion_name(number))
    order = next(iter(orders(number)), "")
    notes = [replace(_note(group, one), stands_as=group.picture_name(number), order=order) for one in failed]
    notes[0] = replace(notes[0], look=_look(failed[0], proof, os.path.basename(base) + naming.PROOF))
    text = ("\n" + "-" * 60 + "\n").join(reason_text(note) for note in notes)
    placed = [group.companion(base + naming.REASON, text.encode(), "reason.txt"), *proof.placed(base + naming.PROOF)]
    says = words.worst_words(failed[0].judged.findings)
    return Publication("review", placed, group.moves(folder, number, keep_spare=False), says)


def _note(group: Group, one: PrintInHand) -> TurnedBack:
    return TurnedBack(
        picture=one.picture,
        paper=one.paper_name,
        size=one.size_name,
        findings=one.judged.findings,
        turn_back_at=one.turn_back_at,
        ready_folder=group.mirrored("ready"),
        job=one.job,
        before=_before(group.context.ledger, one),
    )


def _look(one: PrintInHand, proof: Proof, file: str) -> str:
    file = file if proof.temp else ""
    return words.look_words(file, one.judged.findings, missing=proof.missing, words_only=proof.words_only)


def _before(ledger: Ledger, one: PrintInHand) -> list[tuple[str, str]]:
    """What the checks that fail now measured in an earlier attempt under this name."""
    earlier = ledger.earlier_findings(one.attempt.seen.path, one.attempt.arrival.id)
    failing = {
        f.check: f
        for f in one.judged.findings
        if f.level.weight >= Level.WARN.weight and isinstance(f.measured, int | float)
    }
    return [
        (name, words.change_words(earlier[name]["measured"], finding.measured, finding.unit))
        for name, finding in failing.items()
        if name in earlier
        and isinstance(earlier[name]["measured"], int | float)
        and earlier[name]["unit"] == finding.unit  # else it measured something else
    ]
