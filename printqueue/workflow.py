"""One picture's way: claim → judge → render → publish, or → review. The one paragraph of the service.

Whose fault an error is decides what happens: the picture's goes to review with a reason,
the world's waits and is tried again, ours is parked as stuck. See `errors`.
"""

from __future__ import annotations

import logging
import os
import shutil

from printqueue import delivery, durable, steps
from printqueue.errors import IncompletePictureError, OwnError, PictureError, WorldError
from printqueue.intake import claim
from printqueue.intake.scan import Seen
from printqueue.ledger import LedgerError, LedgerFullError
from printqueue.model.finding import Finding, Verdict
from printqueue.model.job import Phase, State
from printqueue.orders import loader, resolve
from printqueue.orders.place import place
from printqueue.sandbox import Child, ChildDiedError
from printqueue.shop import Attempt, Ending, Outcome, Shop, findings_json, settings_json, verdict_of
from printqueue.text import shown
from printqueue.workbench import ask, print_job
from printqueue.worker import Judged, JudgeOrder, refusal

log = logging.getLogger("printqueue")

_STRIKES = 2


def process(shop: Shop, seen: Seen) -> Outcome:
    """One attempt at one settled picture. Raises only `LedgerError`: without a ledger nothing may go on."""
    arrival = shop.ledger.claim(seen.path, seen.stamp.inode, seen.stamp.size, seen.stamp.mtime_ns)
    steps.reached("row-written")
    spool = shop.studio.private("spool", str(arrival.id), str(arrival.attempt))
    attempt = Attempt(seen, arrival, spool, place(seen.parts, shop.shelf.papers))
    try:
        outcome = _guarded(shop, attempt)
    except LedgerFullError:
        if shop.ledger.arrival(arrival.id).phase is Phase.CLAIMED:
            _sweep_up(shop, attempt)  # makes room for the ledger
        raise
    if shop.ledger.arrival(arrival.id).state is not State.WORKING:  # else `recovery.finish` needs spool and temps
        _sweep_up(shop, attempt)
    steps.reached("spool-dropped")
    return outcome


def looks_unfinished(shop: Shop, seen: Seen) -> str | None:
    """Why a quiet file looks as if it had not arrived whole; None where it may be judged. Claims nothing."""
    descriptor = claim.open_regular(os.path.join(shop.studio.path("ready"), seen.path))
    try:
        with shop.child() as child:
            ask(child, "probe", shop.bounds, (descriptor,))
    except IncompletePictureError as error:
        return error.says
    except (PictureError, OwnError, WorldError):
        return None  # judging will find out, and say so
    finally:
        os.close(descriptor)
    return None


def _guarded(shop: Shop, attempt: Attempt) -> Outcome:
    try:
        return _work(shop, attempt)
    except claim.ChangedError:
        return _put_back(shop, attempt, Ending.AGAIN, "it changed while it was being copied; waiting until it is quiet")
    except (WorldError, OSError) as error:
        return _interrupted(shop, attempt, Ending.DEFERRED, _world_words(error))
    except ChildDiedError as error:
        return _strike(shop, attempt, error)
    except LedgerError:
        raise
    except Exception as error:
        # Ours. One picture must not stop the others, nor end the service again at every start.
        log.exception("an unexpected error")
        says = str(error) if isinstance(error, OwnError) else f"Something went wrong in printqueue itself ({error!r})."
        return _interrupted(shop, attempt, Ending.STUCK, says)


def _world_words(error: WorldError | OSError) -> str:
    if isinstance(error, WorldError):
        return str(error)
    return f"The disk or share failed ({error.strerror}). Nothing is lost; it is tried again."


def _interrupted(shop: Shop, attempt: Attempt, ending: Ending, says: str) -> Outcome:
    """Nothing of it is visible: wait, or park it. Something may be: it stays `working`, and is finished later."""
    if shop.ledger.arrival(attempt.arrival.id).phase is not Phase.CLAIMED:
        shop.ledger.say(attempt.arrival.id, says)
        return Outcome(Ending.UNFINISHED, says)
    if ending is Ending.DEFERRED:
        _sweep_up(shop, attempt)  # first: where the disk is full, the ledger needs the room
        return _put_back(shop, attempt, ending, says)
    says = f"{says} The picture stands untouched in ready/; move it out and in again to retry."
    shop.ledger.settle(attempt.arrival.id, State.STUCK, says)
    return Outcome(Ending.STUCK, says)


def _put_back(shop: Shop, attempt: Attempt, ending: Ending, says: str) -> Outcome:
    shop.ledger.settle(attempt.arrival.id, State.WAITING, says)
    return Outcome(ending, says)


def _strike(shop: Shop, attempt: Attempt, error: ChildDiedError) -> Outcome:
    """Two strikes: what has ended its child twice is never offered a third time by itself."""
    if shop.stopping:
        return _put_back(shop, attempt, Ending.DEFERRED, "the service was stopped while working on it; it starts again")
    if attempt.arrival.strikes + 1 < _STRIKES:
        says = f"{error} It is tried once more."
        shop.ledger.settle(attempt.arrival.id, State.WAITING, says, strike=True)
        return Outcome(Ending.RETRY, says)
    says = (
        f"{error} That happened twice, so it is parked. The picture stands untouched in ready/. "
        "Export it again under the same name, or move it out and in again to retry."
    )
    shop.ledger.settle(attempt.arrival.id, State.STUCK, says, strike=True)
    return Outcome(Ending.STUCK, says)


def _work(shop: Shop, attempt: Attempt) -> Outcome:
    _copy(shop, attempt)
    refused = _plan(shop, attempt)
    if refused is not None:
        return delivery.turn_back(shop, attempt, [Judged((refused,), None)])
    if (finished := delivery.finish_lost(shop, attempt)) is not None:
        return finished
    with shop.child() as child:
        judged = _judge(shop, attempt, child)
        if any(verdict_of(one, kept) is Verdict.TURNED_BACK for one, kept in zip(judged, attempt.stocks, strict=True)):
            return delivery.turn_back(shop, attempt, judged)
        try:
            made = delivery.render(shop, attempt, child, judged)
        except PictureError as error:  # damage that only shows when every row is drawn
            return delivery.turn_back(shop, attempt, [Judged((refusal(error),), None)] * len(judged))
    return delivery.publish_prints(shop, attempt, judged, made)


def _copy(shop: Shop, attempt: Attempt) -> None:
    """Private copies of picture and order, hashed on the way."""
    seen, ready = attempt.seen, shop.studio.path("ready")
    shop.studio.require_marker()
    with durable.world("Copying", seen.path):
        os.makedirs(attempt.spool, 0o700, exist_ok=True)
        copied = claim.copy(os.path.join(ready, seen.path), attempt.picture, seen.stamp)
        if seen.order is not None and seen.order_stamp is not None:
            attempt.order_bytes = claim.read_order(os.path.join(ready, seen.order), seen.order_stamp)
            durable.write_temp(os.path.join(attempt.spool, claim.ORDER), attempt.order_bytes)
    attempt.sha256 = copied.sha256
    shop.ledger.copied(attempt.arrival.id, copied.sha256)
    steps.reached("spooled")


def _plan(shop: Shop, attempt: Attempt) -> Finding | None:
    """Resolve folders, order and papers into prints; the finding of the check `order` where that fails."""
    papers = shop.shelf.papers
    try:
        order = None
        if attempt.order_bytes is not None:
            order = loader.load_for_picture(
                attempt.order_bytes, shown(os.path.basename(attempt.seen.order or "order.yaml"))
            )
        attempt.requests = resolve.resolve(
            papers,
            folder_paper=attempt.place.paper or attempt.place.unknown,
            folder_size=attempt.place.size,
            order=order,
            default_paper=shop.studio.config.default_paper,
        )
    except PictureError as error:
        _plan_rows(shop, attempt, [(attempt.place.paper or "", attempt.place.size or "", 1, "{}")])
        return refusal(error)
    attempt.stocks = tuple(shop.stock(papers[request.paper]) for request in attempt.requests)
    rows = [(r.paper, r.size.name, r.copies, settings_json(r)) for r in attempt.requests]
    _plan_rows(shop, attempt, rows)
    return None


def _plan_rows(shop: Shop, attempt: Attempt, rows: list[tuple[str, str, int, str]]) -> None:
    attempt.jobs = tuple(shop.ledger.plan_prints(attempt.arrival.id, rows))


def _judge(shop: Shop, attempt: Attempt, child: Child) -> list[Judged]:
    jobs = tuple(print_job(request, kept) for request, kept in zip(attempt.requests, attempt.stocks, strict=True))
    descriptor = os.open(attempt.picture, os.O_RDONLY | os.O_CLOEXEC)
    try:
        answer = ask(child, "judge", JudgeOrder(jobs, shop.bounds), (descriptor,))
    finally:
        os.close(descriptor)
    if answer.report is None or len(answer.report.prints) != len(jobs):
        raise ChildDiedError("gave an answer that makes no sense")
    attempt.report = answer.report
    for job, one, kept in zip(attempt.jobs, answer.report.prints, attempt.stocks, strict=True):
        shop.ledger.judged(job, str(verdict_of(one, kept)), findings_json(one), dict(one.measurements))
    steps.reached("judged")
    return list(answer.report.prints)


def _sweep_up(shop: Shop, attempt: Attempt) -> None:
    """Drop spool and temps; what cannot be dropped now is dropped at the next start."""
    for temp in attempt.temps:
        try:
            durable.remove(shop.studio.path(temp))
        except OSError:
            continue
    shutil.rmtree(os.path.dirname(attempt.spool), ignore_errors=True)
