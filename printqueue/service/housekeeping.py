"""Housekeeping at every scan: what the photographer has moved, taken or misnamed since the last one."""

from __future__ import annotations

import os
from collections.abc import Collection

from printqueue.core.disk import durable
from printqueue.core.disk.durable import TEMP_PREFIX
from printqueue.core.errors import PrintqueueError, UsageError
from printqueue.core.model.job import Arrival, State
from printqueue.core.model.publication import Publication
from printqueue.core.model.seen import Stamp
from printqueue.core.model.why import Reason, Why
from printqueue.core.naming import MAX_REASON_BYTES, REASON, companion_stem
from printqueue.core.text import shown
from printqueue.reports.review_notes import folder_not_taken, is_folder_not_taken
from printqueue.service import delivery
from printqueue.service.context import ServiceContext
from printqueue.service.intake.claim import read_regular
from printqueue.service.intake.scan import Sweep
from printqueue.service.standing import could_be
from printqueue.service.superseding import Superseding
from printqueue.studio.orders.drop_folder import unknown_paper


class Housekeeping:
    """Keeps ledger and review/ in step with the folders. Never touches a picture."""

    def __init__(self, context: ServiceContext) -> None:
        self._context = context
        self._superseding = Superseding(context)
        self._looked = False
        self._answered: dict[str, bytes] | None = None  # stem → text; None: review/ not read yet

    def tidy(self, found: Sweep, touched: Collection[str], in_hand: Collection[str]) -> None:
        """Withdraw waiting and stuck pictures that are gone, and pictures taken out of review/.

        `touched`: paths that changed since the last scan. The first scan checks everything.
        """
        if touched or not self._looked:
            self._context.studio.require_folder("ready")  # after the scan: nothing is gone from a missing folder
            here = {seen.path: seen.stamp for seen in found.pictures}
            for arrival in self._context.ledger.arrivals(State.WAITING, State.STUCK):
                if arrival.path in in_hand or found.is_dark(arrival.path) or self._is_unmounted("ready", arrival.path):
                    continue
                if arrival.path in touched or not self._looked:
                    self._withdraw(arrival, here.get(arrival.path))
            self._looked = True
        for number, target in self._context.ledger.review_targets().items():
            if target is not None and self._has_gone(target) and not self._is_unmounted(target):
                self._taken_from_review(number)
        self._superseding.mark()

    def _has_gone(self, path: str) -> bool:
        """Whether it is gone. A failed look does not prove that."""
        try:
            return not durable.exists(self._context.studio.path(path))
        except OSError:
            return False

    def _is_unmounted(self, *path: str) -> bool:
        """Whether its own disk or share is unmounted, so that it only looks gone."""
        return self._context.studio.lost_mount(os.path.dirname(os.path.join(*path))) != ""

    def _withdraw(self, arrival: Arrival, stamp: Stamp | None) -> None:
        if stamp is None:
            self._context.ledger.settle(arrival.id, State.WITHDRAWN, "it was taken out of ready/")
        elif not could_be(arrival, stamp):  # else `standing` compares the bytes
            self._context.ledger.settle(arrival.id, State.WITHDRAWN, "a newer version came under its name")

    def _taken_from_review(self, number: int) -> None:
        """Move its reason away too: without the picture it helps nobody."""
        self._context.studio.require_folder("review")  # after the look, as in `tidy`
        arrival = self._context.ledger.arrival(number)
        for placed in Publication.from_json(arrival.intent).placed if arrival.intent is not None else ():
            delivery.to_past(self._context, number, placed.final)
        self._context.ledger.settle(
            number, State.WITHDRAWN, "it was taken out of review/; its reason is kept in .printqueue/past"
        )

    def unknown_folders(self, unknown: Collection[str]) -> list[tuple[str, Reason]]:
        """Answer each folder in ready/ that names no paper, once for all its pictures; return (folder, why)."""
        folders = sorted(unknown)
        answered = self._standing_answers()
        for stem in answered.keys() - {companion_stem(folder) for folder in folders}:
            self._unanswer(stem)
        found = []
        for folder in folders:
            why, error = self._why_unknown(folder)
            self._answer(folder, error.says, error.do)
            found.append((folder, Reason(why, said=f"{error.says} {error.do}")))
        return found

    def _standing_answers(self) -> dict[str, bytes]:
        """Our answers now in review/, including those of earlier runs: stem → text."""
        if self._answered is None:
            self._answered = {}
            for name in os.listdir(self._context.studio.path("review")):
                if name.endswith(REASON):
                    text = read_regular(self._context.studio.path("review", name), MAX_REASON_BYTES) or b""
                    if is_folder_not_taken(text):
                        self._answered[name.removesuffix(REASON)] = text
        return self._answered

    def _unanswer(self, stem: str) -> None:
        self._standing_answers().pop(stem, None)
        delivery.to_past(self._context, 0, os.path.join("review", stem + REASON))

    def _why_unknown(self, folder: str) -> tuple[Why, PrintqueueError]:
        """Tell whether there is no such paper, or its rules are broken and have never loaded."""
        broken = [problem for problem in self._context.shelf.problems if problem.file == f"{folder}.yaml"]
        if not broken:
            return Why.NO_SUCH_PAPER, unknown_paper(folder, self._context.shelf.papers.keys())
        says = f"The rules of this paper cannot be used: {broken[0]}"
        more = f" ({len(broken) - 1} more: `printqueue papers`)" if len(broken) > 1 else ""
        return Why.BROKEN_RULES, UsageError(says + more, do=f"Put rules/{shown(folder)}.yaml right.")

    def _answer(self, folder: str, says: str, do: str) -> None:
        """One answer per folder, replaced when the cause changes."""
        answered, stem = self._standing_answers(), companion_stem(folder)
        studio = self._context.studio
        name = stem + REASON
        temp, final = studio.path("review", TEMP_PREFIX + "folder.txt"), studio.path("review", name)
        text = folder_not_taken(folder, says, do)
        if answered.get(stem) == text:
            return
        if stem in answered:
            self._unanswer(stem)
        if os.path.lexists(final):
            return
        studio.require_folder("review")
        with durable.world("Writing", name):
            durable.write_temp(temp, text)
            durable.rename_no_clobber(temp, final)
            durable.sync_folder(studio.path("review"))
        answered[stem] = text
