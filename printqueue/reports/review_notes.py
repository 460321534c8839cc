"""What stands in review/ beside the reasons for pictures, and what is put at their head when they are old. Pure."""

from __future__ import annotations

from datetime import datetime

from printqueue.core.model.job import Arrival, State, Superseded
from printqueue.core.text import shown
from printqueue.reports.layout import page, row

# How every answer to a folder begins: of a file in review/ that only tells whether it is ours, whichever version wrote it.
_NOT_TAKEN = "Not taken: the folder ready/"
_AND_SO = "Nothing more happens to the one here; take it away when you like. What was said of it:"


def folder_not_taken(folder: str, says: str, do: str) -> bytes:
    """The answer to a folder of ready/ that names no paper."""
    again = "Nothing in the folder was touched. As soon as this is put right, its pictures are taken."
    lines = [f"{_NOT_TAKEN}{shown(folder)}/.", "", row("Why", says), row("Do", do), row("Safe", again)]
    return page(lines).encode()


def is_folder_not_taken(text: bytes) -> bool:
    """Whether a file in review/ is such an answer, perhaps of an earlier run or of a lost ledger."""
    return text.startswith(_NOT_TAKEN.encode())


def order_too_late(name: str, made: Arrival, master: str) -> bytes:
    """Why an order stands in review/: its picture was `made` before it came. `master`: where that stands, "" not known."""
    picture = shown(master) if master else "the picture from masters/"
    lines = [
        f"Turned back: the order {shown(name)}.",
        "",
        row("Why", f"It came too late: {shown(made.path)} was made at {made.since}, before this order was seen."),
        row("Do", f"To print it as ordered, put {picture} and this order back into ready/ together."),
        row("Safe", "The order stands beside this note, untouched; the print that was made is not changed by it."),
    ]
    return page(lines).encode()


def superseded_line(one: Superseded) -> str:
    """The new first line of a reason of whose picture a newer version came; the day is that of this machine's clock."""
    happened = "made" if one.newer.state is State.PRINTABLE else "turned back"
    day = datetime.fromisoformat(one.newer.since).astimezone().strftime("%Y-%m-%d")
    return f"Superseded: a newer “{shown(one.older.path.rpartition('/')[2])}” was {happened} on {day} (job {one.job})."


def superseded(line: str, reason: bytes) -> bytes:
    """That reason with `line` at its head."""
    return page([line, _AND_SO, ""]).encode() + reason
