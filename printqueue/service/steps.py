"""The named steps of a job, in order: every place where a kill must leave a recoverable studio.

`reached` does nothing. It marks the step in the code, so that a test can put a
SIGKILL there and prove that starting again reaches the same end.
"""

from __future__ import annotations

ACCEPTED = (
    "row-written",
    "spooled",
    "judged",
    "temp-made",
    "rendered",
    "proofed",
    "companions-written",
    "verified",
    "intent-written",
    "companion-published",
    "print-published",
    "folders-synced",
    "published-written",
    "original-moved",
    "done-written",
    "spool-dropped",
)
TURNED_BACK = (
    "row-written",
    "spooled",
    "judged",
    "proofed",
    "companions-written",
    "verified",
    "intent-written",
    "companion-published",
    "folders-synced",
    "published-written",
    "original-moved",
    "done-written",
    "spool-dropped",
)


def reached(step: str) -> None:
    """Pass the named step."""
