"""Makes the demo studio, runs the service over it once, and compares the results with the captions."""

from __future__ import annotations

import logging
import os
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context

from printqueue.core.model.job import PrintRecord, State
from printqueue.demo.cases import CASES, ORDERS, Case
from printqueue.ledger import LedgerReader
from printqueue.service.journal import added
from printqueue.service.starting import running_service
from printqueue.studio.folders import Studio
from printqueue.studio.starter import init

_SETTINGS = """\
# The demo's settings: its pictures are complete the moment they appear.
settle: 0.2 s
maker: The print studio at the tidal mill
"""


@dataclass(frozen=True, slots=True)
class CaseResult:
    """The outcome of one case; `wrong` says how it differs from what the caption promises."""

    case: Case
    verdict: str
    output: str
    wrong: str | None


Done = Callable[[float, str], None]  # how many more pictures, and which


def make(root: str, done: Done) -> Studio:
    """Make the studio, with all pictures in ready/."""
    studio = init(root, _SETTINGS)
    for name, text in ORDERS.items():
        os.makedirs(os.path.dirname(studio.path("ready", name)), exist_ok=True)
        with open(studio.path("ready", name), "x", encoding="utf-8") as stream:
            stream.write(text)
    scenes = _scenes()
    with ProcessPoolExecutor(2, mp_context=get_context("spawn")) as pool:
        for scene, _ in zip(scenes, pool.map(_drop, scenes, [studio.root] * len(scenes)), strict=True):
            done(len(scene), ", ".join(os.path.basename(case.name) for case in scene))
    return studio


def _scenes() -> list[list[Case]]:
    """Cases grouped by scene (a recipe's first word), so that each scene is painted just once; longest work first."""
    scenes: dict[str, list[Case]] = {}
    for case in CASES:
        scenes.setdefault(case.recipe.partition("-")[0], []).append(case)
    return sorted(scenes.values(), key=len, reverse=True)


def _drop(scene: list[Case], root: str) -> None:
    """In a separate process, paint, save and drop the pictures of one scene."""
    from printqueue.demo.saving import encoded

    with open(os.path.join(root, "profiles", "smooth-rag.icc"), "rb") as stream:
        printer = stream.read()
    for case in scene:
        path = os.path.join(root, "ready", case.name)
        os.makedirs(os.path.dirname(path), exist_ok=True)
        with open(path, "xb") as stream:
            stream.write(encoded(case, printer))


def run(studio: Studio, done: Done) -> list[CaseResult]:
    """Run the service once and compare the results with the captions."""
    with added(_Heard(done)), running_service(studio, once=True, watch=False) as service:
        service.run()
    records = {record.path: record for record in reversed(LedgerReader(studio.ledger).prints())}
    return [_compare(case, records.get(case.name)) for case in CASES]


class _Heard(logging.Handler):
    """Learns from the service's log which pictures are done."""

    def __init__(self, done: Done) -> None:
        super().__init__()
        self._done = done

    def emit(self, record: logging.LogRecord) -> None:
        """Count one more if the record says so."""
        if getattr(record, "event", "") in (State.PRINTABLE, State.REVIEW):
            self._done(1, os.path.basename(str(getattr(record, "picture", ""))))


def _compare(case: Case, record: PrintRecord | None) -> CaseResult:
    if record is None:
        return CaseResult(case, "missing", "", "it was not judged at all")
    verdict = "accepted" if record.state == "printable" else "turned back"
    found = next((f for f in record.findings if f["check"] == case.check), None)
    output = record.output if record.state == "printable" and record.output else f"review/{case.name}"
    return CaseResult(case, verdict, output, _wrong(case, verdict, found))


def _wrong(case: Case, verdict: str, found: dict[str, object] | None) -> str | None:
    if (verdict == "accepted") is not case.accepted:
        return f"it was {verdict}"
    level = found["level"] if found else "not there"
    return None if level == case.level else f"{case.check} is {level}, not {case.level}"
