"""What the service reports at every scan. It matters only while it is fresh, so no fsync is spent on it."""

from __future__ import annotations

import os
from collections.abc import Sequence

from printqueue.core.model.job import Sighting
from printqueue.core.model.why import Reason
from printqueue.core.text import shown
from printqueue.ledger import rows
from printqueue.ledger.transactions import Run, Transactions, json_text


class Sightings(Transactions):
    """Rows of `sightings`, and the one row of `heartbeat`."""

    _written: dict[str, Sighting] | None = None  # what the table holds; None: not read yet, or a write failed

    def scanned(self, watch: str, problems: Sequence[str], sightings: Sequence[Sighting], why: str = "") -> None:
        """Record a finished scan, and what is in ready/ but is not a job. Writes only what differs from the last scan.

        `watch` is `events` or `poll`, and `why` says why, for status.
        """
        with self._lock:
            before, self._written = self._on_record(), None
            after = {sighting.path: sighting for sighting in sightings}
            with self._transaction(None, "", durably=False) as run:
                run(
                    "UPDATE heartbeat SET last_scan = ?, watch = ?, problems = ?, why = ?",
                    (self._now(), watch, json_text(list(problems)), why),
                )
                if before != after:
                    _write_differences(run, before, after)
            self._written = after

    def _on_record(self) -> dict[str, Sighting]:
        if self._written is not None:
            return self._written
        return {seen.path: seen for seen in self._records(rows.sighting, "SELECT * FROM sightings")}


def _write_differences(run: Run, before: dict[str, Sighting], after: dict[str, Sighting]) -> None:
    for path in before.keys() - after.keys():
        run("DELETE FROM sightings WHERE path = ?", (os.fsencode(path),))
    for path, s in after.items():
        if before.get(path) != s:
            run(
                "INSERT OR REPLACE INTO sightings (path, shown, kind, paper, size, since, says, until, reason, about)"
                " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                (
                    os.fsencode(path),
                    shown(path),
                    s.kind,
                    s.paper,
                    s.size,
                    s.since,
                    s.reason.said,
                    s.until,
                    *_named(s.reason),
                ),
            )


def _named(reason: Reason) -> tuple[str, str]:
    """The reason's name, and what it is about."""
    return reason.why, json_text(list(reason.about))
