"""Turned back: the reason first, then the untouched picture and its order file, into review/."""

from __future__ import annotations

import os
from collections.abc import Sequence

from printqueue import naming, publish
from printqueue.delivery import group
from printqueue.delivery.completion import carry_out
from printqueue.ledger import Ledger
from printqueue.model.finding import Finding, Level, worst_first
from printqueue.publish import Intent
from printqueue.reports.reason import TurnedBack, reason_text
from printqueue.shop import Attempt, Outcome, Shop
from printqueue.text import shown
from printqueue.worker import Judged


def turn_back(shop: Shop, attempt: Attempt, judged: Sequence[Judged]) -> Outcome:
    """Say why in one note, for every print of the picture that failed."""
    return carry_out(shop, attempt, lambda: _intent(shop, attempt, judged), lambda _: None)


def _intent(shop: Shop, attempt: Attempt, judged: Sequence[Judged]) -> Intent:
    folder = group.mirrored(attempt, "review")
    stem, extension = group.stem_and_extension(attempt)
    short = naming.companion_stem(stem)
    groups: group.Groups = {
        folder: lambda n: (
            naming.numbered(stem, n) + extension,
            naming.numbered(short, n) + naming.REASON,
            *(group.order_names(attempt, n) if group.own_order(attempt) else ()),
        )
    }
    number = publish.free_number(shop.studio, groups)
    notes = _notes(shop.ledger, attempt, judged)
    text = ("\n" + "-" * 60 + "\n").join(reason_text(note) for note in notes)
    final = os.path.join(folder, naming.numbered(short, number) + naming.REASON)
    reason = group.companion(shop, attempt, final, text.encode(), "reason.txt")
    says = shown(worst_first(notes[0].findings)[0].says, limit=400)
    return Intent("review", [reason], group.moves(attempt, folder, number, keep_spare=False), says)


def _notes(ledger: Ledger, attempt: Attempt, judged: Sequence[Judged]) -> list[TurnedBack]:
    """One note for every print of the picture that failed."""
    notes = (_turned_back(ledger, attempt, one, index) for index, one in enumerate(judged))
    return [note for note in notes if note is not None]


def _turned_back(ledger: Ledger, attempt: Attempt, one: Judged, index: int) -> TurnedBack | None:
    known = index < len(attempt.stocks)
    at = attempt.stocks[index].paper.turn_back_at if known else Level.REJECT
    if not any(f.counts and f.level.weight >= at.weight for f in one.findings):
        return None
    return TurnedBack(
        picture=os.path.basename(attempt.seen.path),
        paper=attempt.stocks[index].paper.paper if known else (attempt.place.paper or "this paper"),
        size=attempt.requests[index].size.name if known else (attempt.place.size or "this size"),
        findings=one.findings,
        turn_back_at=at,
        ready_folder=group.mirrored(attempt, "ready"),
        job=attempt.jobs[index],
        before=_before(ledger, attempt, one.findings),
    )


def _before(ledger: Ledger, attempt: Attempt, findings: Sequence[Finding]) -> list[tuple[str, str]]:
    """What the checks that fail now measured at an earlier attempt under the same name."""
    earlier = ledger.earlier_findings(attempt.seen.path, attempt.arrival.id)
    failing = {
        f.check: f for f in findings if f.level.weight >= Level.WARN.weight and isinstance(f.measured, int | float)
    }
    return [
        (name, f"{earlier[name]['measured']} {earlier[name]['unit']} → {finding.measured} {finding.unit}".strip())
        for name, finding in failing.items()
        if name in earlier
        and isinstance(earlier[name]["measured"], int | float)
        and earlier[name]["unit"] == finding.unit  # else it measured something else
    ]
