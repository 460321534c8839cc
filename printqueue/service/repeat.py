"""Was the picture made before? Asking the ledger and recording the verdict are one turn.

The child that measures knows no ledger, so its finding `repeat` only says that nothing was looked up; it is replaced here. Two
equal pictures in hand at once cannot both be the first: the one judged second finds the verdict of the other. The turn is the
ledger's own lock, held for all pictures: an order may ask for several papers and sizes, and an edition counts them all, so
locks per (picture, paper, size) would have to be taken several at a time.
"""

from __future__ import annotations

from collections.abc import Sequence

from printqueue.core.model.finding import Finding, Verdict
from printqueue.judging.judged import Judged, Report
from printqueue.judging.repeat import CHECK, Asked, looked_up, readings
from printqueue.reports.record import findings_json, measurements_json
from printqueue.service.context import Attempt, ServiceContext


def judge_and_record(context: ServiceContext, attempt: Attempt, report: Report) -> list[Judged]:
    """The report's findings, with what the ledger knows of earlier prints; recorded as this attempt's verdict."""
    with context.ledger.undisturbed():
        judged = _judged(context, attempt, report)
        record(context, attempt, judged)
    return judged


def record(context: ServiceContext, attempt: Attempt, judged: Sequence[Judged]) -> None:
    """Record findings, numbers and verdict of every print. From now on an accepted one counts as a print in work."""
    for job, one, kept in zip(attempt.jobs, judged, attempt.stocks, strict=True):
        context.ledger.judged(job, str(kept.verdict(one.findings)), findings_json(one), measurements_json(one))


def record_refused(context: ServiceContext, attempt: Attempt, refused: Finding) -> list[Judged]:
    """The same for a picture turned back unjudged: each of its prints has the one finding that says why."""
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
