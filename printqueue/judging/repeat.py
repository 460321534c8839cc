"""Was this picture printed before? Numbers for the check `repeat` from the prints on record, and its finding. Pure."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any

from printqueue.core.model.earlier import EarlierPrint
from printqueue.core.model.finding import Value
from printqueue.core.model.measures import Key, Measure, Measurements, Word
from printqueue.core.model.paper import PaperFacts
from printqueue.core.model.picture import PictureFacts
from printqueue.core.model.request import Request
from printqueue.core.model.subject import Subject
from printqueue.core.yaml.limits import Limits
from printqueue.judging.checks import REGISTRY
from printqueue.judging.judge import allow
from printqueue.judging.judged import Judged

CHECK = "repeat"
# Remarks about a print: orders that differ only in these ask for the same print.
_REMARKS = frozenset({"allow", "note", "distance_mm", "size_listed", "size"})


@dataclass(frozen=True, slots=True)
class Asked:
    """One print as asked for. `limits`: None on a paper whose rules leave the check off."""

    picture: PictureFacts
    request: Request
    paper: PaperFacts
    profile_sha256: str
    limits: Limits | None


def looked_up(one: Judged, asked: Asked, found: Measurements) -> Judged:
    """Judge `repeat` by what was found and add the finding to `one`; unchanged if the check is off."""
    if asked.limits is None:
        return one
    numbers = {**one.measurements, **found}
    subject = Subject(asked.picture, asked.paper, asked.request, one.placement, numbers)
    finding = allow(REGISTRY[CHECK].judge(subject, asked.limits), asked.request.allow)
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
) -> dict[Key, Value]:
    """Numbers for the check `repeat`. Pure.

    `earlier`: prints of the same bytes, oldest first; `now`: RFC 3339; `siblings`: prints that the same order asks for
    before this one (they count towards the edition, not as repeats); `job`: this print's own number.

    When two are in hand at once, the one judged second reports the first. If a kill or a fault lets the second overtake
    and the first is judged again, it does not report the second in turn: each note would send the photographer to the
    other print.

    | key | what |
    | --- | --- |
    | repeat.earlier | prints on this paper at this size |
    | repeat.earlier_job, repeat.earlier_made | the newest of them; `made` is None while it is in work |
    | repeat.same_job, repeat.same_made, repeat.same_hours | the newest by the same order and profile, 0 h while in work |
    | repeat.beside | the jobs among them that are in work, as text; left out if there are none |
    | repeat.edition_made | copies with the same edition, over all papers and sizes, including `siblings` |
    """
    asked = json.loads(request.to_json())
    here = [one for one in earlier if _is_here(one, asked) and job not in one.gave_way_to]
    same = [one for one in here if _same_order(one, asked) and one.profile_sha256 in (None, profile_sha256)]
    found: dict[Key, Value] = {Measure.REPEAT_EARLIER: len(here)}
    if here:
        newest = _newest(here)
        found |= {Measure.REPEAT_EARLIER_JOB: newest.job, Word.REPEAT_EARLIER_MADE: newest.made}
    if beside := [str(one.job) for one in here if one.made is None]:
        found[Word.REPEAT_BESIDE] = " ".join(beside)
    if same:
        newest = _newest(same)
        hours = _hours_since(newest.made, now)
        found |= {
            Measure.REPEAT_SAME_JOB: newest.job,
            Word.REPEAT_SAME_MADE: newest.made,
            Measure.REPEAT_SAME_HOURS: hours,
        }
    if request.edition_of is not None:
        made = sum(one.copies for one in earlier if one.settings.get("edition_of") == request.edition_of)
        made += sum(one.copies for one in siblings if one.edition_of == request.edition_of)
        found[Measure.REPEAT_EDITION_MADE] = made
    return found


def _newest(prints: Sequence[EarlierPrint]) -> EarlierPrint:
    """Prints in work sort after finished ones; job numbers do not tell, because a waiting job keeps its old one."""
    return max(prints, key=lambda one: (one.made is None, one.made or "", one.job))


def _is_here(one: EarlierPrint, asked: Mapping[str, Any]) -> bool:
    """Whether it is on the same paper and sheet, whichever way round and whatever its name; the sheet's name decides if
    the record has no sides.
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
    """0 for what is in work, or if the clock was set back since; None if the recorded time makes no sense."""
    if made is None:
        return 0.0
    try:
        return max(0.0, (datetime.fromisoformat(now) - datetime.fromisoformat(made)) / timedelta(hours=1))
    except (TypeError, ValueError):
        return None
