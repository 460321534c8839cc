"""Was the picture made before? The ledger is asked, and its answer judged, in one turn with recording the verdict.

The child that measures knows no ledger, so its finding `repeat` only says that nothing was looked up. Here it is
replaced. Two equal pictures in hand at once cannot both be the first: whoever is judged second finds the other's verdict.
That turn is the ledger's own lock, held for all pictures together: an order may ask for several papers and sizes at
once, and an edition is counted over all of them, so one lock for each (picture, paper, size) would have to be several.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import replace
from datetime import datetime
from typing import Any

from printqueue.checks import REGISTRY
from printqueue.disk import durable
from printqueue.disk.folders import as_named
from printqueue.errors import StudioError
from printqueue.judge import allow
from printqueue.ledger import LedgerReader
from printqueue.ledger.freshness import age_s
from printqueue.model.earlier import EarlierPrint
from printqueue.model.finding import Finding, Value, Verdict
from printqueue.model.picture import PictureFacts
from printqueue.model.request import Request
from printqueue.model.subject import Subject
from printqueue.shop import Attempt, Shop, findings_json, measurements_json, settings_json, verdict_of
from printqueue.stock import Stock
from printqueue.worker import Judged, Report

CHECK = "repeat"
Readings = dict[str, Value]
# Said about a print, not part of it: an order that differs in these alone asks for the same print.
_REMARKS = frozenset({"allow", "note", "distance_mm", "size_listed", "size"})
_HOUR_S = 3600.0


def judge_and_record(shop: Shop, attempt: Attempt, report: Report) -> list[Judged]:
    """The report's findings with what the ledger knows of earlier prints, recorded as this attempt's verdict."""
    with shop.ledger.undisturbed():
        judged = _judged(shop, attempt, report)
        record(shop, attempt, judged)
    return judged


def record(shop: Shop, attempt: Attempt, judged: Sequence[Judged]) -> None:
    """Findings, numbers and verdict of every print of this attempt; what was accepted is from now on a print in work."""
    for job, one, kept in zip(attempt.jobs, judged, attempt.stocks, strict=True):
        shop.ledger.judged(job, str(verdict_of(one, kept)), findings_json(one), measurements_json(one))


def record_refused(shop: Shop, attempt: Attempt, refused: Finding) -> list[Judged]:
    """The same for a picture that is turned back unjudged: all its prints have the one finding that says why."""
    judged = [Judged((refused,), None)] * len(attempt.jobs)
    for job, one in zip(attempt.jobs, judged, strict=True):
        shop.ledger.judged(job, str(Verdict.TURNED_BACK), findings_json(one), measurements_json(one))
    return judged


def _judged(shop: Shop, attempt: Attempt, report: Report) -> list[Judged]:
    picture = report.picture
    if picture is None or not any(CHECK in kept.paper.checks for kept in attempt.stocks):
        return list(report.prints)
    earlier = shop.ledger.earlier_prints(attempt.sha256, attempt.arrival.id)
    now = shop.now()
    return [
        looked_up(
            one,
            picture,
            attempt.requests[index],
            attempt.stocks[index],
            readings(
                earlier,
                attempt.requests[index],
                attempt.stocks[index].profile_sha256,
                now,
                siblings=attempt.requests[:index],
                job=attempt.jobs[index],
            ),
        )
        for index, one in enumerate(report.prints)
    ]


def look_up_file(ledger: str, path: str, one: Judged, picture: PictureFacts, request: Request, kept: Stock) -> Judged:
    """The same for a file outside the queue: the ledger at `ledger` is only read, and may be missing.

    `now` is that of this machine; a ledger that cannot be read is said in the finding, and stops nothing else.
    """
    if CHECK not in kept.paper.checks:
        return one
    reader = LedgerReader(ledger)
    if not reader.exists:
        return one
    try:
        sha256 = durable.sha256(as_named(path))
        earlier = reader.earlier_prints(sha256) if sha256 is not None else []
    except StudioError as error:
        return looked_up(one, picture, request, kept, {"repeat.problem": error.says})
    now = datetime.now().astimezone().isoformat()
    return looked_up(one, picture, request, kept, readings(earlier, request, kept.profile_sha256, now))


def looked_up(one: Judged, picture: PictureFacts, request: Request, kept: Stock, found: Mapping[str, Value]) -> Judged:
    """`one` with its finding `repeat` judged by what was found; unchanged on a paper whose rules leave it off."""
    limits = kept.paper.checks.get(CHECK)
    if limits is None:
        return one
    numbers = {**one.measurements, **found}
    subject = Subject(picture, kept.facts, request, one.placement, numbers)
    finding = allow(REGISTRY[CHECK].judge(subject, limits), request.allow)
    findings = [finding if known.check == CHECK else known for known in one.findings]
    return replace(one, findings=tuple(findings), measurements=numbers)


def readings(
    earlier: Sequence[EarlierPrint],
    request: Request,
    profile_sha256: str,
    now: str,
    *,
    siblings: Sequence[Request] = (),
    job: int | None = None,
) -> Readings:
    """Numbers for the check `repeat`. Pure.

    `earlier`: prints of the same bytes, oldest first; `now`: RFC 3339; `siblings`: prints that the same order asks for
    before this one (they count for the edition, and are no repeats); `job`: this print's own number.

    Of two in hand at once the one judged second tells of the first. If a kill or a fault lets that one overtake, and the
    first is judged anew, it does not tell of the other in turn: each note would send the photographer to the other print.

    | key | what |
    | --- | --- |
    | repeat.earlier | prints on this paper at this size |
    | repeat.earlier_job, repeat.earlier_made | the newest of them; `made` is None while it is in work |
    | repeat.same_job, repeat.same_made, repeat.same_hours | the newest by the same order and profile, 0 h while in work |
    | repeat.beside | jobs among them that are in work, as text; left out where there are none |
    | repeat.edition_made | copies with the same edition, over all papers and sizes, and of `siblings` |
    """
    asked = json.loads(settings_json(request))
    here = [one for one in earlier if _is_here(one, asked) and job not in one.gave_way_to]
    same = [one for one in here if _same_order(one, asked) and one.profile_sha256 in (None, profile_sha256)]
    found: Readings = {"repeat.earlier": len(here)}
    if here:
        newest = _newest(here)
        found |= {"repeat.earlier_job": newest.job, "repeat.earlier_made": newest.made}
    if beside := [str(one.job) for one in here if one.made is None]:
        found["repeat.beside"] = " ".join(beside)
    if same:
        newest = _newest(same)
        hours = _hours_since(newest.made, now)
        found |= {"repeat.same_job": newest.job, "repeat.same_made": newest.made, "repeat.same_hours": hours}
    if request.edition_of is not None:
        made = sum(one.copies for one in earlier if one.settings.get("edition_of") == request.edition_of)
        made += sum(one.copies for one in siblings if one.edition_of == request.edition_of)
        found["repeat.edition_made"] = made
    return found


def _newest(prints: Sequence[EarlierPrint]) -> EarlierPrint:
    """What is in work comes after what was made; job numbers alone do not tell, a waiting job keeps its old one."""
    return max(prints, key=lambda one: (one.made is None, one.made or "", one.job))


def _is_here(one: EarlierPrint, asked: Mapping[str, Any]) -> bool:
    """On the same paper, on the same sheet whichever way round and whatever it is called; by the sheet's name where the
    record has no sides.
    """
    recorded = _sheet(one.settings)
    same_sheet = one.size == asked["size"]["name"] if recorded is None else recorded == _sheet(asked)
    return one.paper == asked["paper"] and same_sheet


def _sheet(settings: Mapping[str, Any]) -> tuple[float, ...] | None:
    """(shorter, longer) side in mm to 0.1 mm."""
    size = settings.get("size")
    if isinstance(size, dict):
        with suppress(KeyError, TypeError, ValueError):
            return tuple(sorted(round(float(size[side]), 1) for side in ("width_mm", "height_mm")))
    return None


def _same_order(one: EarlierPrint, asked: Mapping[str, Any]) -> bool:
    return {k: v for k, v in one.settings.items() if k not in _REMARKS} == {
        k: v for k, v in asked.items() if k not in _REMARKS
    }


def _hours_since(made: str | None, now: str) -> float | None:
    """0 for what is in work, and where the clock was set back since; None where the record's time makes no sense."""
    if made is None:
        return 0.0
    try:
        return max(0.0, age_s(made, datetime.fromisoformat(now)) / _HOUR_S)
    except (TypeError, ValueError):
        return None
