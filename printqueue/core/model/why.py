"""Why something in ready/ is passed over or waits: a value to decide by and to record. Its words are `reports.why_words`."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Why(StrEnum):
    """Every reason. The values are recorded in the ledger: they stay, whatever a member is called."""

    TOLD = "told"  # in words that came from elsewhere: an error's, or those of an earlier version

    # Passed over: what it is
    SERVER_FOLDER = "server-folder"
    LINK = "link"
    NO_FILE = "no-file"
    UNFINISHED = "unfinished"  # by its name
    SECOND_VERSION = "second-version"
    EMPTY = "empty"
    TOO_DEEP = "too-deep"  # about: how deep is looked
    UNREADABLE = "unreadable"  # said: by the system
    UNREADABLE_FOLDER = "unreadable-folder"  # said: by the system
    NO_SUCH_PAPER = "no-such-paper"  # said: by the error
    BROKEN_RULES = "broken-rules"  # said: by the error
    MISNAMED_ORDER = "misnamed-order"
    LONE_ORDER = "lone-order"
    LATE_ORDER = "late-order"  # about: the picture that is made already
    LONE_PROOF = "lone-proof"  # about: the picture that is not there
    LONE_NOTE = "lone-note"  # about: the same

    # Passed over: pictures
    DONE = "done"  # made or turned back, and could not leave; said: in the ledger
    OPEN = "open"  # parked or half published: a row of its own says why
    SEVERAL_ORDERS = "several-orders"  # about: the orders
    ORDER_LINK = "order-link"  # this and the next, about: the order, and what it should be called
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
    CUT_SHORT = "cut-short"  # said: by the error
    CHANGED = "changed"
    CHANGED_WHILE_COPIED = "changed-while-copied"
    OTHERS_FIRST = "others-first"
    LARGE_ONE = "large-one"
    NO_MEMORY = "no-memory"  # about: MB that it needs, MB that it may have
    UNREADABLE_PICTURE = "unreadable-picture"  # said: by the system
    DISK_FAILED = "disk-failed"  # said: by the system
    STOPPED = "stopped"
    STRUCK_ONCE = "struck-once"  # said: by the error
    OUTSIDE_FAULT = "outside-fault"  # said: by the error
    STARTS_AGAIN = "starts-again"

    # Stuck
    OWN_FAULT = "own-fault"  # said: the error
    PARKED = "parked"  # said: what went wrong
    STRUCK_TWICE = "struck-twice"  # said: by the error
    OUTSIDE_FAULTS = "outside-faults"  # about: how often; said: by the error

    # Neither
    KNOWN = "known"  # said: in the ledger


@dataclass(frozen=True, slots=True)
class Reason:
    """One reason with what its sentence needs: names and numbers, and what somebody else said."""

    why: Why
    about: tuple[str | int, ...] = ()  # names as they stand on disk
    said: str = ""


NOTHING = Reason(Why.TOLD)


def told(said: str) -> Reason:
    """A reason of which only the words are known."""
    return Reason(Why.TOLD, said=said)
