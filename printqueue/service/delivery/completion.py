"""Takes a job from the written intent to its end; after a kill, recovery enters at `complete`."""

from __future__ import annotations

import os
from collections.abc import Callable

from printqueue.core.disk import durable
from printqueue.core.model.job import State
from printqueue.core.model.publication import Publication
from printqueue.core.model.seen import Stamp
from printqueue.core.model.why import told
from printqueue.core.yaml.plain_yaml import MAX_BYTES
from printqueue.reports import delivery as words
from printqueue.service import steps
from printqueue.service.context import Attempt, Ending, Outcome, ServiceContext
from printqueue.service.intake import claim
from printqueue.service.publication import originals, publish
from printqueue.studio.orders.pairing import order_now


def carry_out(
    context: ServiceContext, attempt: Attempt, write: Callable[[], Publication], record: Callable[[Publication], None]
) -> Outcome:
    """Write the temps, verify them, record the intent, make everything visible, move the original.

    `write` chooses names and writes companions, and is called again whenever a name was taken meanwhile; `record` notes
    in the ledger what the intent will make.
    """
    while True:
        intent = write()
        steps.reached("companions-written")
        publish.verify_temps(context.studio, intent, attempt.proved)
        steps.reached("verified")
        if (gone := _original_gone(context, attempt)) is not None:
            return gone
        with context.ledger.together():
            record(intent)
            context.ledger.intend(attempt.arrival.id, intent.to_json())
        steps.reached("intent-written")
        try:
            publish.show(context.studio, intent)
        except publish.NameTakenError:
            publish.hide(context.studio, intent)
            context.ledger.unpublish(attempt.arrival.id)
            continue
        return complete(context, attempt.arrival.id, intent)


def complete(context: ServiceContext, arrival: int, intent: Publication) -> Outcome:
    """Once all our files are visible: record that, move the original, record that too. Recovery calls this as well."""
    publish.require_places(context.studio, intent)
    intent = originals.with_free_targets(context.studio, intent)
    context.ledger.published(arrival, intent.to_json())
    steps.reached("published-written")
    with durable.world("Making", intent.kind):
        for moved in intent.moved:
            context.studio.make_folder(os.path.dirname(context.studio.path(moved.target)))
    intent, unusual = originals.move_originals(context.studio, intent)
    steps.reached("original-moved")
    if intent.kind == "review" and not durable.exists(context.studio.path(intent.moved[0].target)):
        publish.require_places(context.studio, intent)
        return _withdraw_review(context, arrival, intent)
    if any(moved.stays for moved in intent.moved):
        context.ledger.published(arrival, intent.to_json())  # or the picture that stays would be claimed again
    state = State.PRINTABLE if intent.kind == "print" else State.REVIEW
    says = "; ".join([_words(intent), *unusual])
    context.ledger.settle(arrival, state, says)
    steps.reached("done-written")
    return Outcome(Ending(str(state)), told(says))


def _words(intent: Publication) -> str:
    if intent.kind == "print":
        return words.made_words(intent.output() or "", intent.says)
    return words.turned_back_words(intent.says, next(placed.final for placed in intent.placed))


def _withdraw_review(context: ServiceContext, arrival: int, intent: Publication) -> Outcome:
    """Withdraw a reason whose picture the photographer took or replaced meanwhile: on its own it helps nobody."""
    for placed in intent.placed:
        to_past(context, arrival, placed.final)
    return _withdrawn(context, arrival, words.WITHDRAWN)


def _withdrawn(context: ServiceContext, arrival: int, says: str) -> Outcome:
    context.ledger.settle(arrival, State.WITHDRAWN, says)
    return Outcome(Ending.WITHDRAWN, told(says))


def to_past(context: ServiceContext, arrival: int, path: str) -> None:
    """Move a companion of ours (relative to the studio) into `.printqueue/past/`."""
    folder = context.studio.private("past", str(arrival))
    source = context.studio.path(path)
    if not durable.exists(source):
        return
    with durable.world("Moving", path):
        durable.make_folder(context.studio.state, folder, 0o700)
        durable.move_aside(source, os.path.join(folder, os.path.basename(path)))


def _original_gone(context: ServiceContext, attempt: Attempt) -> Outcome | None:
    """The last check before anything becomes visible: is it still the same picture, and the same order?"""
    name = attempt.seen.path
    path = context.studio.path("ready", name)
    stamp = durable.lstamp(path)
    if stamp is None:
        context.studio.require_folder("ready")
        context.studio.require_mounts(os.path.dirname(os.path.join("ready", name)))
        return _withdrawn(context, attempt.arrival.id, words.TAKEN_OUT)
    if not _same_bytes(path, stamp, attempt) or not _same_order(context, attempt):
        raise claim.ChangedError(name)
    return None


def _same_bytes(path: str, stamp: Stamp, attempt: Attempt) -> bool:
    """Whether it is the same picture. If its inode or change time differs, its bytes decide."""
    before = attempt.seen.stamp
    if (stamp.size, stamp.mtime_ns) != (before.size, before.mtime_ns):
        return False
    if (stamp.inode, stamp.ctime_ns) == (before.inode, before.ctime_ns):
        return True
    with durable.world("Reading", attempt.seen.path):
        return durable.sha256(path) == attempt.sha256


def _same_order(context: ServiceContext, attempt: Attempt) -> bool:
    """Whether the order is the same, and the only one. Changed attributes do not matter."""
    path, stamp, held = order_now(context.studio.path("ready"), attempt.seen.path)
    if held or path != attempt.seen.order:
        return False
    if path is None or stamp == attempt.seen.order_stamp:
        return True
    return claim.read_regular(context.studio.path("ready", path), MAX_BYTES + 1) == attempt.order_bytes
