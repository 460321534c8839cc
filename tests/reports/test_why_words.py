"""Why things wait or are passed over, in words: each sentence to the letter, as it was when it was still compared as text."""

from __future__ import annotations

import string

import pytest

from printqueue.core.model.job import Sighting
from printqueue.core.model.why import Reason, Why
from printqueue.reports.why_words import WORDS, sighting_words, words

SAID = {
    Reason(Why.TOLD, said="print/ is not there."): "print/ is not there.",
    Reason(Why.SERVER_FOLDER): "folders that begin with @ or # belong to the file server",
    Reason(Why.LINK): "it is a symbolic link, and links are not followed; drop the picture itself",
    Reason(Why.NO_FILE): "it is a pipe, socket or device, no file",
    Reason(Why.UNFINISHED): "its name says that a program is still at work on it",
    Reason(Why.SECOND_VERSION): "two versions of it exist, says the sync program that named it; look at both, then delete this one or give it a name of its own to print it",
    Reason(Why.EMPTY): "it is empty; a picture may still follow",
    Reason(Why.TOO_DEEP, (12,)): "folders are looked into 12 deep",
    Reason(Why.UNREADABLE, said="Stale file handle"): "it cannot be looked at: Stale file handle",
    Reason(Why.UNREADABLE_FOLDER, said="Permission denied"): "the folder cannot be read: Permission denied",
    Reason(Why.NO_SUCH_PAPER, said="There is no paper 'koza' in rules/."): "There is no paper 'koza' in rules/.",
    Reason(Why.BROKEN_RULES, said="The rules of this paper cannot be used."): "The rules of this paper cannot be used.",
    Reason(Why.MISNAMED_ORDER): "it looks like an order, but an order is called NAME.order.yaml or order.yaml; rename it, or remove it",
    Reason(Why.LONE_ORDER): "an order, and there is no picture for it",
    Reason(Why.LATE_ORDER, ("kozo/Fog\x1b.tif",)): r"it came too late: kozo/Fog\x1b.tif is made already; it goes to review/ soon",
    Reason(Why.LONE_PROOF, ("Fog\udcff",)): r"it is named like a proof picture of ours, and nothing called “Fog\xff” was dropped in this folder; to have it printed, give it another name",
    Reason(Why.LONE_NOTE, ("Fog",)): "it is named like a note of ours, and nothing called “Fog” was dropped in this folder; it may be deleted",
    Reason(Why.DONE, said="made: print/kozo/A4/Fog.tif"): "done: made: print/kozo/A4/Fog.tif",
    Reason(Why.OPEN): "it is being worked on",
    Reason(Why.SEVERAL_ORDERS, ("Fog.order.yaml", "Fog.order.yml")): "held: 2 orders stand for it, “Fog.order.yaml” and “Fog.order.yml”; leave the one that you mean",
    Reason(Why.ORDER_LINK, ("Fog.order.yml", "Fog.order.yaml")): "held: “Fog.order.yml” is a symbolic link, and links are not followed; put it right, or remove it",
    Reason(Why.ORDER_FOLDER, ("Fog.order.yml", "Fog.order.yaml")): "held: “Fog.order.yml” is a folder; put it right, or remove it",
    Reason(Why.ORDER_NO_FILE, ("Fog.order.yml", "Fog.order.yaml")): "held: “Fog.order.yml” is a pipe, socket or device; put it right, or remove it",
    Reason(Why.ORDER_UNFINISHED, ("Fog.order.yaml.part", "Fog.order.yaml")): "held: “Fog.order.yaml.part” is still being written, says its name; put it right, or remove it",
    Reason(Why.ORDER_EMPTY, ("Fog.order.yml", "Fog.order.yaml")): "held: “Fog.order.yml” is empty; put it right, or remove it",
    Reason(Why.ORDER_UNREADABLE, ("Fog.order.yml", "Fog.order.yaml")): "held: “Fog.order.yml” cannot be looked at; put it right, or remove it",
    Reason(Why.ORDER_MISNAMED, ("{0}.order.txt", "{0}.order.yaml")): "held: “{0}.order.txt” looks like an order, but its name is not one; call it {0}.order.yaml, or remove it",
    Reason(Why.ORDER_NEARLY, ("fog.order.yaml", "Fog.order.yaml")): "held: “fog.order.yaml” nearly has its name; call it Fog.order.yaml, or remove it",
    Reason(Why.ARRIVING): "arriving: waiting until it is quiet",
    Reason(Why.RESTLESS): "it keeps changing while it is worked on; it is tried again",
    Reason(Why.CUT_SHORT, said="It ends too early."): "It ends too early. Perhaps it is still being copied; it gets some more time.",
    Reason(Why.CHANGED): "it changed; waiting until it is quiet",
    Reason(Why.CHANGED_WHILE_COPIED): "it changed while it was being copied; waiting until it is quiet",
    Reason(Why.OTHERS_FIRST): "queued: other pictures are being worked on",
    Reason(Why.LARGE_ONE): "queued: another very large picture is being worked on; a lane stays free for the small ones",
    Reason(Why.NO_MEMORY, (2400, 0)): "queued: it needs 2400 MB of memory, and 0 MB may be used now",
    Reason(Why.UNREADABLE_PICTURE, said="Input/output error"): "it cannot be read: Input/output error",
    Reason(Why.DISK_FAILED, said="No space left on device"): "The disk or share failed (No space left on device). Nothing is lost; it is tried again.",
    Reason(Why.STOPPED): "the service was stopped while working on it; it starts again",
    Reason(Why.STRUCK_ONCE, said="The child died."): "The child died. It is tried once more.",
    Reason(Why.OUTSIDE_FAULT, said="The child was killed."): "The child was killed. That says nothing about the picture; it stands untouched in ready/, and is tried again.",
    Reason(Why.STARTS_AGAIN): "it starts again",
    Reason(Why.OWN_FAULT, said="KeyError('{said}')"): "Something went wrong in printqueue itself (KeyError('{said}')).",
    Reason(Why.PARKED, said="Something went wrong."): "Something went wrong. The picture stands untouched in ready/; move it out and in again to retry.",
    Reason(Why.STRUCK_TWICE, said="The child died."): "The child died. That happened twice, so it is parked. The picture stands untouched in ready/. Export it again under the same name, or move it out and in again to retry.",
    Reason(Why.OUTSIDE_FAULTS, (6,), "The child was killed."): "The child was killed. That happened 6 times, so it is parked. The picture stands untouched in ready/. See that the machine has memory to spare and its disks answer; then move the picture out and in again to retry.",
    Reason(Why.KNOWN, said="made: print/kozo/A4/Fog.tif"): "the same picture as before: made: print/kozo/A4/Fog.tif",
}  # fmt: skip


def test_every_reason_has_words() -> None:
    """The table is total, and so is the one of this test: a new reason cannot come without its sentence."""
    assert set(WORDS) == set(Why) == {reason.why for reason in SAID}


@pytest.mark.parametrize("reason", SAID, ids=lambda reason: reason.why.value)
def test_status_says(reason: Reason) -> None:
    """The sentence of `status` is what it always was; names are escaped, and braces in them are only braces."""
    assert sighting_words(Sighting("kozo/Fog.tif", "waiting", "kozo", None, "then", reason)) == SAID[reason]


@pytest.mark.parametrize("reason", SAID, ids=lambda reason: reason.why.value)
def test_the_log_says(reason: Reason) -> None:
    """The log has the same words, without the queue that it knows nothing of."""
    assert words(reason) == SAID[reason].removeprefix("queued: ")


@pytest.mark.parametrize(
    "reason", [one for one in SAID if one.why is not Why.SEVERAL_ORDERS], ids=lambda one: one.why.value
)
def test_nothing_is_taken_along_in_vain(reason: Reason) -> None:
    """A reason carries what its sentence names, no more; one that says how a name should be may leave the name itself out."""
    fields = {name for _, name, _, _ in string.Formatter().parse(WORDS[reason.why]) if name is not None}
    assert ("said" in fields) == bool(reason.said)
    assert {int(name) for name in fields - {"said"}} <= set(range(len(reason.about)))
