"""Reasons in words, all in one table. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Final

from printqueue.core.model.why import Reason, Why
from printqueue.core.text import shown
from printqueue.studio.orders.names import FOLDER_ORDERS, SUFFIXES

if TYPE_CHECKING:
    from printqueue.core.model.job import Sighting

_NOT_DROPPED = "and nothing called “{0}” was dropped in this folder"
_PUT_RIGHT = "put it right, or remove it"
_RENAME = "call it {1}, or remove it"

# {0}, {1}: what the reason is about, in order; {said}: a message from elsewhere.
WORDS: Final[Mapping[Why, str]] = {
    Why.TOLD: "{said}",
    Why.SERVER_FOLDER: "folders that begin with @ or # belong to the file server",
    Why.LINK: "it is a symbolic link, and links are not followed; drop the picture itself",
    Why.NO_FILE: "it is a pipe, socket or device, no file",
    Why.UNFINISHED: "its name says that a program is still at work on it",
    Why.SECOND_VERSION: "two versions of it exist, says the sync program that named it; look at both, then delete this one "
    "or give it a name of its own to print it",
    Why.EMPTY: "it is empty; a picture may still follow",
    Why.TOO_DEEP: "folders are looked into {0} deep",
    Why.UNREADABLE: "it cannot be looked at: {said}",
    Why.UNREADABLE_FOLDER: "the folder cannot be read: {said}",
    Why.NO_SUCH_PAPER: "{said}",
    Why.BROKEN_RULES: "{said}",
    Why.MISNAMED_ORDER: f"it looks like an order, but an order is called NAME{SUFFIXES[0]} or {FOLDER_ORDERS[0]}; "
    "rename it, or remove it",
    Why.LONE_ORDER: "an order, and there is no picture for it",
    Why.LATE_ORDER: "it came too late: {0} is made already; it goes to review/ soon",
    Why.LONE_PROOF: f"it is named like a proof picture of ours, {_NOT_DROPPED}; to have it printed, give it another name",
    Why.LONE_NOTE: f"it is named like a note of ours, {_NOT_DROPPED}; it may be deleted",
    Why.DONE: "done: {said}",
    Why.OPEN: "it is being worked on",
    Why.SEVERAL_ORDERS: "held: {0} orders stand for it, {1}; leave the one that you mean",
    Why.ORDER_LINK: f"held: “{{0}}” is a symbolic link, and links are not followed; {_PUT_RIGHT}",
    Why.ORDER_FOLDER: f"held: “{{0}}” is a folder; {_PUT_RIGHT}",
    Why.ORDER_NO_FILE: f"held: “{{0}}” is a pipe, socket or device; {_PUT_RIGHT}",
    Why.ORDER_UNFINISHED: f"held: “{{0}}” is still being written, says its name; {_PUT_RIGHT}",
    Why.ORDER_EMPTY: f"held: “{{0}}” is empty; {_PUT_RIGHT}",
    Why.ORDER_UNREADABLE: f"held: “{{0}}” cannot be looked at; {_PUT_RIGHT}",
    Why.ORDER_MISNAMED: f"held: “{{0}}” looks like an order, but its name is not one; {_RENAME}",
    Why.ORDER_NEARLY: f"held: “{{0}}” nearly has its name; {_RENAME}",
    Why.ARRIVING: "arriving: waiting until it is quiet",
    Why.RESTLESS: "it keeps changing while it is worked on; it is tried again",
    Why.CUT_SHORT: "{said} Perhaps it is still being copied; it gets some more time.",
    Why.CHANGED: "it changed; waiting until it is quiet",
    Why.CHANGED_WHILE_COPIED: "it changed while it was being copied; waiting until it is quiet",
    Why.OTHERS_FIRST: "other pictures are being worked on",
    Why.LARGE_ONE: "another very large picture is being worked on; a lane stays free for the small ones",
    Why.NO_MEMORY: "it needs {0} MB of memory, and {1} MB may be used now",
    Why.UNREADABLE_PICTURE: "it cannot be read: {said}",
    Why.DISK_FAILED: "The disk or share failed ({said}). Nothing is lost; it is tried again.",
    Why.STOPPED: "the service was stopped while working on it; it starts again",
    Why.STRUCK_ONCE: "{said} It is tried once more.",
    Why.OUTSIDE_FAULT: "{said} That says nothing about the picture; it stands untouched in ready/, and is tried again.",
    Why.STARTS_AGAIN: "it starts again",
    Why.OWN_FAULT: "Something went wrong in printqueue itself ({said}).",
    Why.PARKED: "{said} The picture stands untouched in ready/; move it out and in again to retry.",
    Why.STRUCK_TWICE: "{said} That happened twice, so it is parked. The picture stands untouched in ready/. "
    "Export it again under the same name, or move it out and in again to retry.",
    Why.OUTSIDE_FAULTS: "{said} That happened {0} times, so it is parked. The picture stands untouched in ready/. See that the "
    "machine has memory to spare and its disks answer; then move the picture out and in again to retry.",
    Why.KNOWN: "the same picture as before: {said}",
}
_QUEUED = frozenset({Why.OTHERS_FIRST, Why.LARGE_ONE, Why.NO_MEMORY})  # just waiting their turn


def words(reason: Reason) -> str:
    """The reason as a sentence or clause, for log, ledger and notices."""
    about = tuple(shown(one) if isinstance(one, str) else one for one in reason.about)
    if reason.why is Why.SEVERAL_ORDERS:
        about = (len(about), " and ".join(f"“{name}”" for name in about))
    return WORDS[reason.why].format(*about, said=reason.said)


def sighting_words(sighting: Sighting) -> str:
    """The same for something in ready/, for status and daybook."""
    said = words(sighting.reason)
    return f"queued: {said}" if sighting.reason.why in _QUEUED else said
