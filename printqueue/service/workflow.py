"""One picture's path: claim → judge → render → publish, or → review.

What follows an error depends on whose fault it is: the picture's sends it to review with a reason, the world's makes it
wait for a retry, ours parks it as stuck. See `errors`.
"""

from __future__ import annotations

import fcntl
import logging
import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace

from printqueue.core.disk import durable
from printqueue.core.errors import IncompletePictureError, OwnError, PictureError, PrintqueueError, WorldError
from printqueue.core.model.finding import Finding, Verdict
from printqueue.core.model.job import Phase, State
from printqueue.core.model.seen import Seen
from printqueue.core.model.why import Reason, Why, told
from printqueue.judging.judged import Judged
from printqueue.judging.refusal import refusal
from printqueue.ledger import LedgerError, LedgerWaitsError
from printqueue.reports.why_words import words
from printqueue.sandbox import AnswerTooLongError, ChildDiedError, ChildInterruptedError, ForkServerDiedError
from printqueue.sandbox.context import Children, ask, print_job
from printqueue.sandbox.needs import COPY_BYTES
from printqueue.sandbox.protocol import JudgeTask
from printqueue.service import delivery, repeat, steps
from printqueue.service.context import Attempt, Ending, Outcome, ServiceContext
from printqueue.service.intake import claim
from printqueue.service.lanes import Refusal
from printqueue.service.preparing import Prepared, prepare
from printqueue.service.standing import recognised
from printqueue.studio.orders.drop_folder import drop_folder

log = logging.getLogger("printqueue")

_STRIKES = 2
_MAX_INTERRUPTIONS = 6  # over a quarter of an hour, with `waiting.back_off_s`


def process(context: ServiceContext, seen: Seen, *, patient: bool = True) -> Outcome:
    """One attempt at one settled picture. Raises only `LedgerError` and `ForkServerDiedError`, which end the service.

    Without `patient`, a file that looks cut short gets more time instead of being judged.
    """
    try:
        if (known := recognised(context, seen)) is not None:
            return known
        with context.children() as children:
            prepared = prepare(context, seen, children, patient=patient)
            return _with_room(context, seen, prepared, children)
    except IncompletePictureError as error:
        return Outcome(Ending.AGAIN, Reason(Why.CUT_SHORT, said=error.says))
    except claim.ChangedError:
        return Outcome(Ending.AGAIN, Reason(Why.CHANGED))
    except AnswerTooLongError as error:  # from the header alone
        return _refused_unread(context, seen, error)
    except ChildDiedError as error:  # from the header alone
        return _strike(context, _claimed(context, seen, None), error)
    except (ForkServerDiedError, LedgerError):
        raise
    except (WorldError, OSError) as error:
        return Outcome(Ending.DEFERRED, _world_reason(error))
    except PrintqueueError:
        raise
    except Exception as error:  # not claimed yet; uncaught, it would end the service at every start
        return _own_fault(context, _claimed(context, seen, None), error)


def _refused_unread(context: ServiceContext, seen: Seen, error: AnswerTooLongError) -> Outcome:
    attempt = _claimed(context, seen, None)
    attempt.refused = _too_much_said(error)
    with context.children() as children:
        return _attempt(context, attempt, children)


def _too_much_said(error: AnswerTooLongError) -> Finding:
    return refusal(
        PictureError(
            f"Reading it gave far more than any picture has to say: the reading process {error.how}.",
            do="Open it in an image editor and save it as a new TIFF; if you do not know where it comes from, leave it out.",
        )
    )


def _with_room(context: ServiceContext, seen: Seen, prepared: Prepared, children: Children) -> Outcome:
    """Proceed if there is room beside the pictures in hand."""
    ticket = context.lanes.take(prepared.need)
    if isinstance(ticket, Refusal):
        if context.lanes.is_idle:
            raise WorldError(
                f"It must wait: {words(ticket.reason)}.", do="Close other programs; it is tried again by itself."
            )
        return Outcome(Ending.QUEUED, ticket.reason, prepared.need)
    try:
        children.tighten(prepared.need)
        return _attempt(context, _claimed(context, seen, prepared), children)
    finally:
        context.lanes.give_back(ticket)


def _claimed(context: ServiceContext, seen: Seen, prepared: Prepared | None) -> Attempt:
    arrival = context.ledger.claim(seen.path, seen.stamp)
    steps.reached("row-written")
    spool = context.studio.private("spool", str(arrival.id), str(arrival.attempt))
    if prepared is None:
        return Attempt(seen, arrival, spool, drop_folder(seen.parts, context.shelf.papers))
    return Attempt(
        seen,
        arrival,
        spool,
        prepared.drop_folder,
        order_bytes=prepared.order_bytes,
        requests=prepared.requests,
        stocks=prepared.stocks,
        refused=prepared.refused,
    )


def _attempt(context: ServiceContext, attempt: Attempt, children: Children) -> Outcome:
    try:
        outcome = _guarded(context, attempt, children)
    except LedgerWaitsError:
        if context.ledger.arrival(attempt.arrival.id).phase is Phase.CLAIMED:
            _sweep_up(context, attempt)  # makes room for the ledger
        raise
    if context.ledger.arrival(attempt.arrival.id).state is not State.WORKING:  # else recovery needs spool and temps
        _sweep_up(context, attempt)
    steps.reached("spool-dropped")
    return outcome


def _guarded(context: ServiceContext, attempt: Attempt, children: Children) -> Outcome:
    try:
        with _working_copy(attempt):
            return _work(context, attempt, children)
    except claim.ChangedError:
        return _put_back(context, attempt, Ending.AGAIN, Reason(Why.CHANGED_WHILE_COPIED))
    except (WorldError, OSError) as error:
        return _interrupted(context, attempt, Ending.DEFERRED, _world_reason(error))
    except ChildDiedError as error:
        return _strike(context, attempt, error)
    except LedgerError:
        raise
    except ForkServerDiedError:
        _put_back(context, attempt, Ending.DEFERRED, Reason(Why.STOPPED))
        raise
    except Exception as error:
        return _own_fault(context, attempt, error)


def _own_fault(context: ServiceContext, attempt: Attempt, error: Exception) -> Outcome:
    """Our own fault: one picture must not stop the others, nor end the service at every start."""
    log.error("an unexpected error", exc_info=error)
    reason = told(str(error)) if isinstance(error, OwnError) else Reason(Why.OWN_FAULT, said=repr(error))
    return _interrupted(context, attempt, Ending.STUCK, reason)


def _world_reason(error: WorldError | OSError) -> Reason:
    if isinstance(error, WorldError):
        return told(str(error))
    return Reason(Why.DISK_FAILED, said=str(error.strerror))


def _interrupted(context: ServiceContext, attempt: Attempt, ending: Ending, reason: Reason) -> Outcome:
    """Put it back or park it. If anything of it may be visible, it stays `working` and is finished later."""
    if context.ledger.arrival(attempt.arrival.id).phase is not Phase.CLAIMED:
        context.ledger.say(attempt.arrival.id, words(reason))
        return Outcome(Ending.UNFINISHED, reason)
    if ending is Ending.DEFERRED:
        _sweep_up(context, attempt)  # first: on a full disk the ledger needs the room
        return _put_back(context, attempt, ending, reason)
    return _parked(context, attempt, Reason(Why.PARKED, said=words(reason)))


def _parked(context: ServiceContext, attempt: Attempt, reason: Reason, *, strike: bool = False) -> Outcome:
    context.ledger.settle(attempt.arrival.id, State.STUCK, words(reason), strike=strike)
    return Outcome(Ending.STUCK, reason)


def _put_back(
    context: ServiceContext, attempt: Attempt, ending: Ending, reason: Reason, *, strike: bool = False
) -> Outcome:
    context.ledger.settle(attempt.arrival.id, State.WAITING, words(reason), strike=strike)
    return Outcome(ending, reason)


def _strike(context: ServiceContext, attempt: Attempt, error: ChildDiedError) -> Outcome:
    """Two strikes: a picture that has killed its child twice is not tried a third time unless someone asks."""
    if context.stopping:
        return _put_back(context, attempt, Ending.DEFERRED, Reason(Why.STOPPED))
    if isinstance(error, ChildInterruptedError):
        return _interruption(context, attempt, error)
    if attempt.arrival.strikes + 1 < _STRIKES:
        return _put_back(context, attempt, Ending.RETRY, Reason(Why.STRUCK_ONCE, said=str(error)), strike=True)
    return _parked(context, attempt, Reason(Why.STRUCK_TWICE, said=str(error)), strike=True)


def _interruption(context: ServiceContext, attempt: Attempt, error: ChildInterruptedError) -> Outcome:
    """No strike, since something outside was at fault; but after `_MAX_INTERRUPTIONS` the picture is parked."""
    times = context.interrupted(attempt.seen)
    if times < _MAX_INTERRUPTIONS:
        if attempt.temps:  # a disk that kept the child from ending must not hang this thread too
            context.disks.without_waiting(context.studio.path(attempt.temps[-1]), lambda: _drop_temps(context, attempt))
        return _put_back(context, attempt, Ending.DEFERRED, Reason(Why.OUTSIDE_FAULT, said=str(error)))
    return _parked(context, attempt, Reason(Why.OUTSIDE_FAULTS, (times,), said=str(error)))


@contextmanager
def _working_copy(attempt: Attempt) -> Iterator[None]:
    """Memory for the working copy, which judging writes and another child needs for the proof picture. It counts
    towards no child's limit, so its size is sealed.
    """
    attempt.copy = os.memfd_create("working copy", os.MFD_CLOEXEC | os.MFD_ALLOW_SEALING)
    try:
        os.ftruncate(attempt.copy, COPY_BYTES)
        fcntl.fcntl(attempt.copy, fcntl.F_ADD_SEALS, fcntl.F_SEAL_GROW | fcntl.F_SEAL_SHRINK | fcntl.F_SEAL_SEAL)
        yield
    finally:
        os.close(attempt.copy)
        attempt.copy = None


def _work(context: ServiceContext, attempt: Attempt, children: Children) -> Outcome:
    _copy(context, attempt)
    _plan(context, attempt)
    if attempt.refused is not None:
        return _turn_back(context, attempt, attempt.refused, children)
    if (finished := delivery.finish_lost(context, attempt)) is not None:
        return finished
    try:
        return _decide(context, attempt, children)
    except AnswerTooLongError as error:
        return _turn_back(context, attempt, _too_much_said(error), children)


def _turn_back(context: ServiceContext, attempt: Attempt, finding: Finding, children: Children) -> Outcome:
    """Turn it back for one reason that applies to all its prints."""
    return delivery.turn_back(context, attempt, repeat.record_refused(context, attempt, finding), children)


def _decide(context: ServiceContext, attempt: Attempt, children: Children) -> Outcome:
    judged = _judge(context, attempt, children)
    if any(kept.verdict(one.findings) is Verdict.TURNED_BACK for one, kept in zip(judged, attempt.stocks, strict=True)):
        return delivery.turn_back(context, attempt, judged, children)
    try:
        made = delivery.render(context, attempt, children, judged)
    except PictureError as error:  # damage that shows only when every row is drawn
        judged = [replace(one, findings=(refusal(error),)) for one in judged]
        repeat.record(context, attempt, judged)  # no longer in progress
        return delivery.turn_back(context, attempt, judged, children)
    return delivery.publish_prints(context, attempt, made)


def _copy(context: ServiceContext, attempt: Attempt) -> None:
    """Make private copies of picture and order, hashing the picture on the way."""
    seen, ready = attempt.seen, context.studio.path("ready")
    context.studio.require_marker()
    with durable.world("Copying", seen.path):
        os.makedirs(attempt.spool, 0o700, exist_ok=True)
        attempt.sha256 = claim.copy(os.path.join(ready, seen.path), attempt.picture, seen.stamp)
        if attempt.order_bytes is not None:
            durable.write_temp(os.path.join(attempt.spool, claim.ORDER), attempt.order_bytes, synced=False)
        context.studio.note_mounts(os.path.dirname(os.path.join("ready", seen.path)))
    context.ledger.copied(attempt.arrival.id, attempt.sha256)
    steps.reached("spooled")


def _plan(context: ServiceContext, attempt: Attempt) -> None:
    """Plan one row per print; a single one if the order cannot be followed."""
    rows = [(r.paper, r.size.name, r.copies, r.to_json()) for r in attempt.requests]
    rows = rows or [(attempt.drop_folder.paper or "", attempt.drop_folder.size or "", 1, "{}")]
    attempt.jobs = tuple(context.ledger.plan_prints(attempt.arrival.id, rows))


def _judge(context: ServiceContext, attempt: Attempt, children: Children) -> list[Judged]:
    jobs = tuple(print_job(request, kept) for request, kept in zip(attempt.requests, attempt.stocks, strict=True))
    descriptor = claim.open_regular(attempt.picture)
    files = (descriptor,) if attempt.copy is None else (descriptor, attempt.copy)
    try:
        answer = ask(children, "judge", JudgeTask(jobs, context.bounds, context.setting), files)
    finally:
        os.close(descriptor)
    if answer.report is None or len(answer.report.prints) != len(jobs):
        raise ChildDiedError("gave an answer that makes no sense")
    attempt.report = answer.report
    judged = repeat.judge_and_record(context, attempt, answer.report)
    steps.reached("judged")
    return judged


def _sweep_up(context: ServiceContext, attempt: Attempt) -> None:
    """Drop spool and temps; the next start drops what cannot be dropped now."""
    _drop_temps(context, attempt)
    shutil.rmtree(os.path.dirname(attempt.spool), ignore_errors=True)


def _drop_temps(context: ServiceContext, attempt: Attempt) -> None:
    temps, attempt.temps = attempt.temps, []
    for temp in temps:
        try:
            durable.remove(context.studio.path(temp))
        except OSError:
            continue
