"""Housekeeping at every scan: what the photographer moved, took or misnamed since the last one."""

from __future__ import annotations

import os
from collections.abc import Callable, Collection

from printqueue.core.disk import durable
from printqueue.core.disk.durable import TEMP_PREFIX
from printqueue.core.errors import PrintqueueError, UsageError
from printqueue.core.model.job import Arrival, Sighting, State
from printqueue.core.model.publication import Publication
from printqueue.core.model.seen import Stamp
from printqueue.core.naming import MOST_REASON_BYTES, REASON, companion_stem
from printqueue.core.text import shown
from printqueue.reports.layout import page, row
from printqueue.service import delivery
from printqueue.service.context import ServiceContext
from printqueue.service.intake.claim import read_regular
from printqueue.service.intake.scan import Sweep
from printqueue.service.standing import could_be
from printqueue.service.superseding import Superseding
from printqueue.studio.orders.place import unknown_paper

_NOT_TAKEN = "Not taken: the folder ready/"


class Housekeeping:
    """Keeps ledger and review/ true to what stands in the folders. Never touches a picture."""

    def __init__(self, context: ServiceContext) -> None:
        self._context = context
        self._superseding = Superseding(context)
        self._looked = False
        self._answered: dict[str, bytes] | None = None  # stem → what it says; None: review/ was not looked at yet

    def tidy(self, found: Sweep, touched: Collection[str], in_hand: Collection[str]) -> None:
        """Waiting and stuck pictures that have gone are withdrawn; so are reviewed ones that were taken.

        `touched` names the paths where anything changed since the last scan; the first one looks at all.
        """
        if touched or not self._looked:
            self._context.studio.require_folder("ready")  # after the look: what lay in an absent folder has not gone
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
        """A look that fails is no proof of absence."""
        try:
            return not durable.exists(self._context.studio.path(path))
        except OSError:
            return False

    def _is_unmounted(self, *path: str) -> bool:
        """Whether it lay on a disk or share of its own that is not mounted: then it has not gone."""
        return self._context.studio.lost_mount(os.path.dirname(os.path.join(*path))) != ""

    def _withdraw(self, arrival: Arrival, stamp: Stamp | None) -> None:
        if stamp is None:
            self._context.ledger.settle(arrival.id, State.WITHDRAWN, "it was taken out of ready/")
        elif not could_be(arrival, stamp):  # else its bytes decide: see `standing`
            self._context.ledger.settle(arrival.id, State.WITHDRAWN, "a newer version came under its name")

    def _taken_from_review(self, number: int) -> None:
        """Its reason goes too: alone it helps nobody."""
        self._context.studio.require_folder("review")  # after the look
        arrival = self._context.ledger.arrival(number)
        for placed in Publication.from_json(arrival.intent).placed if arrival.intent is not None else ():
            delivery.to_past(self._context, number, placed.final)
        self._context.ledger.settle(
            number, State.WITHDRAWN, "it was taken out of review/; its reason is kept in .printqueue/past"
        )

    def unknown_folders(self, unknown: Collection[str], since: Callable[[str], str]) -> list[Sighting]:
        """One answer per folder of ready/ that names no paper, however many pictures lie in it."""
        folders = sorted(unknown)
        answered = self._standing_answers()
        for stem in answered.keys() - {companion_stem(folder) for folder in folders}:
            self._unanswer(stem)
        sightings = []
        for folder in folders:
            error = self._why_unknown(folder)
            self._answer(folder, error.says, error.do)
            sightings.append(Sighting(folder, "passed-over", "", None, since(folder), f"{error.says} {error.do}"))
        return sightings

    def _standing_answers(self) -> dict[str, bytes]:
        """Answers of ours in review/, also of an earlier run: stem → text. Other files of such a name are not ours."""
        if self._answered is None:
            self._answered = {}
            for name in os.listdir(self._context.studio.path("review")):
                if name.endswith(REASON):
                    text = read_regular(self._context.studio.path("review", name), MOST_REASON_BYTES) or b""
                    if text.startswith(_NOT_TAKEN.encode()):
                        self._answered[name.removesuffix(REASON)] = text
        return self._answered

    def _unanswer(self, stem: str) -> None:
        self._standing_answers().pop(stem, None)
        delivery.to_past(self._context, 0, os.path.join("review", stem + REASON))

    def _why_unknown(self, folder: str) -> PrintqueueError:
        """No such paper, or one whose rules are broken and of which no good ones were read yet."""
        broken = [problem for problem in self._context.shelf.problems if problem.file == f"{folder}.yaml"]
        if not broken:
            return unknown_paper(folder, self._context.shelf.papers.keys())
        says = f"The rules of this paper cannot be used: {broken[0]}"
        more = f" ({len(broken) - 1} more: `printqueue papers`)" if len(broken) > 1 else ""
        return UsageError(says + more, do=f"Put rules/{shown(folder)}.yaml right.")

    def _answer(self, folder: str, says: str, do: str) -> None:
        """One answer for the folder; another one as soon as the cause is another."""
        answered, stem = self._standing_answers(), companion_stem(folder)
        studio = self._context.studio
        name = stem + REASON
        temp, final = studio.path("review", TEMP_PREFIX + "folder.txt"), studio.path("review", name)
        again = "Nothing in the folder was touched. As soon as this is put right, its pictures are taken."
        lines = [f"{_NOT_TAKEN}{shown(folder)}/.", "", row("Why", says), row("Do", do), row("Safe", again)]
        text = page(lines).encode()
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
