"""Was this picture printed before? The ledger is queried and the verdict recorded under one lock.

The child that measures cannot see the ledger, so its finding `repeat` only says that nothing was looked up; it is
replaced here. Of two identical pictures in hand at once, only one can be first: the one judged second finds the other's
verdict. The lock is the ledger's own and covers all pictures: an order may ask for several papers and sizes, and an
edition counts them all, so locks per (picture, paper, size) would have to be taken several at a time.
"""

from __future__ import annotations

from collections.abc import Sequence

from printqueue.core.model.finding import Finding, Verdict
from printqueue.judging.judged import Judged, Report
from printqueue.judging.repeat import CHECK, Asked, looked_up, readings
from printqueue.reports.record import findings_json, measurements_json
from printqueue.service.context import Attempt, ServiceContext


def judge_and_record(context: ServiceContext, attempt: Attempt, report: Report) -> list[Judged]:
    """Add what the ledger knows of earlier prints to the report's findings; record them as this attempt's verdict."""
    with context.ledger.undisturbed():
        judged = _judged(context, attempt, report)
        record(context, attempt, judged)
    return judged


def record(context: ServiceContext, attempt: Attempt, judged: Sequence[Judged]) -> None:
    """Record findings, numbers and verdict of every print. From then on an accepted one counts as in progress."""
    for job, one, kept in zip(attempt.jobs, judged, attempt.stocks, strict=True):
        context.ledger.judged(job, str(kept.verdict(one.findings)), findings_json(one), measurements_json(one))


def record_refused(context: ServiceContext, attempt: Attempt, refused: Finding) -> list[Judged]:
    """Record a picture turned back unjudged: each of its prints gets the one finding that says why."""
    judged = [Judged((refused,), None)] * len(attempt.jobs)
    for job, one in zip(attempt.jobs, judged, strict=True):
        context.ledger.judged(job, str(Verdict.TURNED_BACK), findings_json(one), measurements_json(one))
    return judged


def _judged(context: ServiceContext, attempt: Attempt, report: Report) -> list[Judged]:
    picture = report.picture
    if picture is None or not any(CHECK in kept.paper.checks for kept in attempt.stocks):
        return list(report.prints)
    earlier = context.ledger.earlier_prints(attempt.sha256, attempt.arrival.id)
    now = context.now()
    judged = []
    for index, one in enumerate(report.prints):
        request, kept = attempt.requests[index], attempt.stocks[index]
        siblings = attempt.requests[:index]
        found = readings(earlier, request, kept.profile_sha256, now, siblings=siblings, job=attempt.jobs[index])
        asked = Asked(picture, request, kept.facts, kept.profile_sha256, kept.paper.checks.get(CHECK))
        judged.append(looked_up(one, asked, found))
    return judged
