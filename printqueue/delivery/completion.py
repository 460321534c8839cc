"""From the written intent to the end of a job; recovery comes in here after a kill."""

from __future__ import annotations

import os
from collections.abc import Callable

from printqueue import originals, publish, steps
from printqueue.disk import durable
from printqueue.disk.durable import Stamp
from printqueue.intake import claim
from printqueue.intake.scan import order_now
from printqueue.model.job import State
from printqueue.publish import Intent
from printqueue.shop import Attempt, Ending, Outcome, Shop
from printqueue.strictyaml import MAX_BYTES
from printqueue.text import shown


class OrderChangedError(claim.ChangedError):
    """An order came or changed before anything was published: the attempt starts again."""


def carry_out(shop: Shop, attempt: Attempt, write: Callable[[], Intent], record: Callable[[Intent], None]) -> Outcome:
    """Write the temps, verify them, record the intent, make everything visible, move the original.

    `write` writes companions and chooses names, again with the next number when one was taken
    meanwhile; `record` notes in the ledger what the intent will make.
    """
    while True:
        intent = write()
        steps.reached("companions-written")
        publish.verify_temps(shop.studio, intent, attempt.proved)
        steps.reached("verified")
        if (gone := _original_gone(shop, attempt)) is not None:
            return gone
        with shop.ledger.together():
            record(intent)
            shop.ledger.intend(attempt.arrival.id, intent.to_json())
        steps.reached("intent-written")
        try:
            publish.show(shop.studio, intent)
        except publish.NameTakenError:  # what is visible of ours goes back to its temp name
            publish.hide(shop.studio, intent)
            shop.ledger.unpublish(attempt.arrival.id)
            continue
        return complete(shop, attempt.arrival.id, intent)


def complete(shop: Shop, arrival: int, intent: Intent) -> Outcome:
    """After everything of ours is visible: record it, move the original, record that. Also used by recovery."""
    publish.require_places(shop.studio, intent)
    intent = originals.with_free_targets(shop.studio, intent)
    shop.ledger.published(arrival, intent.to_json())
    steps.reached("published-written")
    with durable.world("Making", intent.kind):
        for moved in intent.moved:
            shop.studio.make_folder(os.path.dirname(shop.studio.path(moved.target)))
    intent, unusual = originals.move_originals(shop.studio, intent)
    steps.reached("original-moved")
    if intent.kind == "review" and not durable.exists(shop.studio.path(intent.moved[0].target)):
        publish.require_places(shop.studio, intent)
        return _withdraw_review(shop, arrival, intent)
    if any(moved.stays for moved in intent.moved):
        shop.ledger.published(arrival, intent.to_json())  # or the picture would be taken again as it stands there
    state = State.PRINTABLE if intent.kind == "print" else State.REVIEW
    says = "; ".join([_says(intent), *unusual])
    shop.ledger.settle(arrival, state, says)
    steps.reached("done-written")
    return Outcome(Ending(str(state)), says)


def _says(intent: Intent) -> str:
    if intent.kind == "print":
        warned = f" (warned of: {intent.says})" if intent.says else ""
        return f"made: {shown(intent.output() or '')}{warned}"
    return f"turned back: {intent.says} See {shown(next(p.final for p in intent.placed))}"


def _withdraw_review(shop: Shop, arrival: int, intent: Intent) -> Outcome:
    """The photographer took or replaced the picture meanwhile: a reason without its picture helps nobody."""
    for placed in intent.placed:
        to_past(shop, arrival, placed.final)
    says = "the picture was taken away or replaced while it was being judged"
    shop.ledger.settle(arrival, State.WITHDRAWN, says)
    return Outcome(Ending.WITHDRAWN, says)


def to_past(shop: Shop, arrival: int, path: str) -> None:
    """Move a companion of ours (relative to the studio) into `.printqueue/past/`."""
    folder = shop.studio.private("past", str(arrival))
    source = shop.studio.path(path)
    if not durable.exists(source):
        return
    with durable.world("Moving", path):
        durable.make_folder(shop.studio.state, folder, 0o700)
        durable.move_aside(source, os.path.join(folder, os.path.basename(path)))


def _original_gone(shop: Shop, attempt: Attempt) -> Outcome | None:
    """The last look before anything becomes visible: still the same picture, still the same order?"""
    seen, ready = attempt.seen, shop.studio.path("ready")
    stamp = durable.lstamp(os.path.join(ready, seen.path))
    if stamp is None:
        shop.studio.require_folder("ready")
        shop.studio.require_mounts(os.path.dirname(os.path.join("ready", seen.path)))
        shop.ledger.settle(attempt.arrival.id, State.WITHDRAWN, "it was taken out of ready/ before it was made")
        return Outcome(Ending.WITHDRAWN, "it was taken out of ready/ before it was made")
    if not _same_bytes(os.path.join(ready, seen.path), stamp, attempt):
        raise claim.ChangedError(seen.path)
    if not _same_order(shop, attempt):
        raise OrderChangedError(seen.path)
    return None


def _same_bytes(path: str, stamp: Stamp, attempt: Attempt) -> bool:
    """The picture of before. Where another inode or another time of attributes leaves that open, its bytes are read."""
    before = attempt.seen.stamp
    if (stamp.size, stamp.mtime_ns) != (before.size, before.mtime_ns):
        return False
    if (stamp.inode, stamp.ctime_ns) == (before.inode, before.ctime_ns):
        return True
    with durable.world("Reading", attempt.seen.path):
        return durable.sha256(path) == attempt.sha256


def _same_order(shop: Shop, attempt: Attempt) -> bool:
    """The order of before, and no other that could be meant; one whose attributes alone have changed is the same."""
    path, stamp, held = order_now(shop.studio.path("ready"), attempt.seen.path)
    if held:
        return False
    if path is None or (path, stamp) == (attempt.seen.order, attempt.seen.order_stamp):
        return path == attempt.seen.order
    if path != attempt.seen.order:
        return False
    return claim.read_regular(shop.studio.path("ready", path), MAX_BYTES + 1) == attempt.order_bytes
