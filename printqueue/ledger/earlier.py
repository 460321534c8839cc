"""Recorded prints of the same bytes, for the check `repeat` in the service and in `check`.

A print counts once it is made, whatever became of its file since, and while it is in progress, that is, once all prints
of its arrival have been judged and accepted. Pictures turned back, withdrawn, stuck or waiting do not count.

The indexes `arrivals_by_hash` and `prints_by_arrival` serve the query, so its cost grows with the prints of this
picture, not with the ledger.
"""

from __future__ import annotations

import json
import sqlite3

from printqueue.core.model.earlier import EarlierPrint
from printqueue.core.model.measures import Word

SQL = (
    "SELECT p.job, p.paper, p.size, p.copies, p.made, p.profile_sha256, p.settings, a.state,"  # noqa: S608 - our own name
    f" CASE WHEN instr(p.measurements, '\"{Word.REPEAT_BESIDE}\"') THEN p.measurements END AS numbers"
    " FROM arrivals a JOIN prints p ON p.arrival = a.id"
    " WHERE a.sha256 = ? AND a.id != ? AND (a.state = 'printable' OR (a.state = 'working' AND NOT EXISTS"
    " (SELECT 1 FROM prints q WHERE q.arrival = a.id AND q.verdict IS NOT 'accepted'))) ORDER BY p.job"
)
NOBODY = 0  # arrivals are numbered from 1


def record(row: sqlite3.Row) -> EarlierPrint:
    """A row selected with `SQL`. Raises `ValueError` for broken JSON, which is damage."""
    settings = json.loads(row["settings"])
    is_made = row["state"] == "printable"
    return EarlierPrint(
        job=row["job"],
        paper=row["paper"],
        size=row["size"],
        copies=row["copies"],
        made=(row["made"] or "") if is_made else None,
        profile_sha256=row["profile_sha256"] if is_made else None,
        settings=settings if isinstance(settings, dict) else {},
        gave_way_to=frozenset() if row["numbers"] is None else _jobs(json.loads(row["numbers"])),
    )


def _jobs(numbers: object) -> frozenset[int]:
    """The space-separated job numbers in its measurement `repeat.beside`."""
    beside = numbers.get(Word.REPEAT_BESIDE) if isinstance(numbers, dict) else None
    return frozenset(int(job) for job in beside.split()) if isinstance(beside, str) else frozenset()
