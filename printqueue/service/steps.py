"""The named steps of a job, in order: a kill at any of them must leave a recoverable studio.

`reached` does nothing. It marks the step in the code, so that a test can send SIGKILL there and prove that a new start
reaches the same end.
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
_OF_PRINTS = {"temp-made", "rendered", "print-published"}
TURNED_BACK = tuple(step for step in ACCEPTED if step not in _OF_PRINTS)


def reached(step: str) -> None:
    """Pass the named step."""
