"""Notes in review/ other than the reasons for pictures, and the line put above a reason that is out of date. Pure."""

from __future__ import annotations

from datetime import datetime

from printqueue.core.model.job import Arrival, State, Superseded
from printqueue.core.text import shown
from printqueue.reports.layout import page, row

# How every answer to a folder begins: the only way to recognise such a file in review/ as ours, whatever the version.
_NOT_TAKEN = "Not taken: the folder ready/"
_AND_SO = "Nothing more happens to the one here; take it away when you like. What was said of it:"


def folder_not_taken(folder: str, says: str, do: str) -> bytes:
    """The answer to a folder in ready/ that does not name a paper."""
    again = "Nothing in the folder was touched. As soon as this is put right, its pictures are taken."
    lines = [f"{_NOT_TAKEN}{shown(folder)}/.", "", row("Why", says), row("Do", do), row("Safe", again)]
    return page(lines).encode()


def is_folder_not_taken(text: bytes) -> bool:
    """Whether a file in review/ is such an answer, perhaps from an earlier run or a ledger since lost."""
    return text.startswith(_NOT_TAKEN.encode())


def order_too_late(name: str, made: Arrival, master: str) -> bytes:
    """Why an order is in review/: its picture was `made` before it came. `master`: where it is now, "" if unknown."""
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
    """The new first line of a reason whose picture has a newer version; the day is by this machine's clock."""
    happened = "made" if one.newer.state is State.PRINTABLE else "turned back"
    day = datetime.fromisoformat(one.newer.since).astimezone().strftime("%Y-%m-%d")
    return f"Superseded: a newer “{shown(one.older.path.rpartition('/')[2])}” was {happened} on {day} (job {one.job})."


def superseded(line: str, reason: bytes) -> bytes:
    """The reason with `line` at its head."""
    return page([line, _AND_SO, ""]).encode() + reason
