"""What the service tells the photographer's own command, and when: each event once, with its facts."""

from __future__ import annotations

from printqueue.core.model.publication import Publication
from printqueue.service.context import Ending, Outcome, ServiceContext
from printqueue.service.notices.notifier import Event, Notice, Notifier

_TOLD: dict[Ending, Event] = {Ending.REVIEW: "review", Ending.STUCK: "stuck"}


class Events:
    """Turns outcomes into notices. Without `notify:` in studio.yaml it does nothing."""

    def __init__(self, context: ServiceContext) -> None:
        self._context = context
        self._wanted = context.studio.config.notify is not None
        self._notifier = Notifier(context.studio.config.notify, context.studio.root)
        self._share_is_gone = False

    def ended(self, path: str, outcome: Outcome) -> None:
        """Report an ended attempt if a human should look at it."""
        event = _TOLD.get(outcome.ending)
        if outcome.ending not in (Ending.STUCK, Ending.KNOWN):
            self._notifier.over("stuck", path)  # if it is parked again, that is reported again
        last = self._context.ledger.last_at(path) if event is not None and self._wanted else None
        if event is None or last is None:
            return
        prints = self._context.ledger.prints_of(last.id)
        placed = [] if last.intent is None else Publication.from_json(last.intent).placed
        self._notifier.tell(
            Notice(
                event,
                picture=path,
                paper=prints[0].paper if prints else "",
                size=prints[0].size if prints else "",
                job=prints[0].job if prints else None,
                says=outcome.says,
                reason_file=placed[0].final if placed else "",
            )
        )

    def share_is_gone(self, says: str) -> None:
        """Report that the studio cannot be scanned; once, until it can be again."""
        self._share_is_gone = True
        self._notifier.tell(Notice("share-gone", says=says))

    def share_is_back(self) -> bool:
        """Note that the studio can be scanned; return whether it could not before."""
        was_gone, self._share_is_gone = self._share_is_gone, False
        if was_gone:
            self._notifier.over("share-gone")
        return was_gone

    def problems(self) -> list[str]:
        """What went wrong with the notices, for status."""
        return self._notifier.problems()

    def close(self, wait_s: float) -> None:
        """Send what is left, for at most `wait_s` seconds, then end within a second."""
        self._notifier.close(wait_s)
