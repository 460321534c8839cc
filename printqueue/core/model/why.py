"""Why something in ready/ is passed over or waiting: a value to decide by and record. Words: `reports.why_words`."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Why(StrEnum):
    """Every reason. The values are recorded in the ledger, so they stay the same even if a member is renamed."""

    TOLD = "told"  # in words from elsewhere: from an error or an earlier version

    # Passed over: what it is
    SERVER_FOLDER = "server-folder"
    LINK = "link"
    NO_FILE = "no-file"
    UNFINISHED = "unfinished"  # by its name
    SECOND_VERSION = "second-version"
    EMPTY = "empty"
    TOO_DEEP = "too-deep"  # about: the depth limit
    UNREADABLE = "unreadable"  # said: the system's message
    UNREADABLE_FOLDER = "unreadable-folder"  # said: the system's message
    NO_SUCH_PAPER = "no-such-paper"  # said: the error's message
    BROKEN_RULES = "broken-rules"  # said: the error's message
    MISNAMED_ORDER = "misnamed-order"
    LONE_ORDER = "lone-order"
    LATE_ORDER = "late-order"  # about: the picture already made
    LONE_PROOF = "lone-proof"  # about: the missing picture
    LONE_NOTE = "lone-note"  # about: the same

    # Passed over: pictures
    DONE = "done"  # made or turned back, but could not be taken away; said: the ledger's words
    OPEN = "open"  # parked or half published: has its own row that says why
    SEVERAL_ORDERS = "several-orders"  # about: the orders
    ORDER_LINK = "order-link"  # all ORDER_*, about: the order, and what to call it
    ORDER_FOLDER = "order-folder"
    ORDER_NO_FILE = "order-no-file"
    ORDER_UNFINISHED = "order-unfinished"
    ORDER_EMPTY = "order-empty"
    ORDER_UNREADABLE = "order-unreadable"
    ORDER_MISNAMED = "order-misnamed"
    ORDER_NEARLY = "order-nearly"

    # Waiting
    ARRIVING = "arriving"
    RESTLESS = "restless"
    CUT_SHORT = "cut-short"  # said: the error's message
    CHANGED = "changed"
    CHANGED_WHILE_COPIED = "changed-while-copied"
    OTHERS_FIRST = "others-first"
    LARGE_ONE = "large-one"
    NO_MEMORY = "no-memory"  # about: MB needed, MB available
    UNREADABLE_PICTURE = "unreadable-picture"  # said: the system's message
    DISK_FAILED = "disk-failed"  # said: the system's message
    STOPPED = "stopped"
    STRUCK_ONCE = "struck-once"  # said: the error's message
    OUTSIDE_FAULT = "outside-fault"  # said: the error's message
    STARTS_AGAIN = "starts-again"

    # Stuck
    OWN_FAULT = "own-fault"  # said: the error's message
    PARKED = "parked"  # said: what went wrong
    STRUCK_TWICE = "struck-twice"  # said: the error's message
    OUTSIDE_FAULTS = "outside-faults"  # about: how often; said: the error's message

    # Neither
    KNOWN = "known"  # said: the ledger's words


@dataclass(frozen=True, slots=True)
class Reason:
    """One reason, with what its sentence needs: names and numbers, and a message from elsewhere."""

    why: Why
    about: tuple[str | int, ...] = ()  # names as on disk
    said: str = ""


NOTHING = Reason(Why.TOLD)


def told(said: str) -> Reason:
    """A reason known only by its words."""
    return Reason(Why.TOLD, said=said)
