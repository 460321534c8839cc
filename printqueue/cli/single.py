"""Judges and renders single files for `check`, `render` and `strip`, using the service's children, rules and words."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from printqueue.core import sizes
from printqueue.core.disk import durable
from printqueue.core.disk.folders import as_named, open_file
from printqueue.core.errors import OwnError, PictureError, PrintqueueError, StudioError, UsageError, WorldError
from printqueue.core.model.finding import Verdict, verdict
from printqueue.core.model.measures import Word
from printqueue.core.model.request import Request
from printqueue.core.nearest import suggestion
from printqueue.core.text import shown
from printqueue.core.yaml.plain_yaml import MAX_BYTES
from printqueue.imaging.jobs import Provenance
from printqueue.judging.judged import Judged, Report
from printqueue.judging.refusal import refusal
from printqueue.judging.repeat import CHECK, Asked, looked_up, readings
from printqueue.ledger import LedgerReader
from printqueue.reports.phrases import conversion_words
from printqueue.reports.record import findings_json, measurements_json
from printqueue.reports.why_words import words
from printqueue.sandbox import ForkServer, protocol
from printqueue.sandbox.context import Context, ask, print_job
from printqueue.sandbox.protocol import JudgeTask
from printqueue.studio.folders import Studio
from printqueue.studio.orders.pairing import order_now
from printqueue.studio.orders.resolve import resolve
from printqueue.studio.orders.schema import Order, load_for_picture
from printqueue.studio.papers.loader import Shelf
from printqueue.studio.stock import versions

_UNJUDGED = Judged((), None)


class FileJudge:
    """Judges any number of files for one paper (and size)."""

    def __init__(self, context: Context, paper: str, size: str | None) -> None:
        self.context, self._size = context, size
        papers = context.shelf.papers
        if paper not in papers:
            problems = "".join(f"\n{problem}" for problem in context.shelf.problems)
            if any(problem.file == f"{paper}.yaml" for problem in context.shelf.problems):
                raise UsageError(f"The rules of '{shown(paper)}' cannot be used as they are:{problems}")
            raise UsageError(f"There is no paper '{shown(paper)}'. {suggestion(paper, papers)}{problems}")
        if size is not None:
            try:
                sizes.parse(size)
            except sizes.SizeError as error:
                raise UsageError(str(error) if str(error).endswith(("?", ".")) else f"{error}.") from error
        self.paper = papers[paper]
        self.stock = context.stock(self.paper)

    def request(self, path: str) -> Request:
        """What the service would print given this paper and size: the order file beside the picture applies."""
        order = _order_beside(path)
        fixed: dict[str, object] = {"paper": None, "prints": []} | ({"size": None} if self._size else {})
        order = order.model_copy(update=fixed) if order is not None else None
        return resolve(
            {self.paper.key: self.paper},
            folder_paper=self.paper.key,
            folder_size=self._size,
            order=order,
            maker=self.context.studio.config.maker,
        )[0]

    def provenance(self, path: str, request: Request, *, also: str = "") -> Provenance:
        """How a file made here came about; `also` distinguishes a strip from the print of the same request."""
        master = durable.sha256(as_named(path))
        if master is None:
            raise UsageError(f"There is no regular file {shown(path)}.")
        recipe = self.stock.recipe(master, request)
        return Provenance(
            recipe=hashlib.sha256(f"{recipe}{also}".encode()).hexdigest() if also else recipe,
            master_sha256=master,
            paper=request.paper,
            profile_sha256=self.stock.profile_sha256,
            profile_name=self.stock.facts.profile_name,
            settings=conversion_words(request) + also,
            versions=versions(),
        )

    def check(self, path: str) -> Checked:
        """Judge one file. Never raises for a fault in the file."""
        try:
            request = self.request(path)
            report = self._judge(path, request)
        except PictureError as error:
            return Checked(path, self.paper.key, judged=Judged((refusal(error),), None), verdict=Verdict.TURNED_BACK)
        except (UsageError, OwnError, WorldError) as error:
            return Checked(path, self.paper.key, error=error)
        one = report.prints[0]
        if report.picture is not None:
            stock = self.stock
            asked = Asked(report.picture, request, stock.facts, stock.profile_sha256, stock.paper.checks.get(CHECK))
            one = look_up_file(self.context.studio.ledger, path, one, asked)
        return Checked(path, self.paper.key, request, one, verdict(one.findings, self.paper.turn_back_at))

    def _judge(self, path: str, request: Request) -> Report:
        task = JudgeTask((print_job(request, self.stock),), self.context.bounds, self.context.setting)
        with self.context.child() as child, opened(path) as descriptor:
            answer = ask(child, "judge", task, (descriptor,))
        if answer.report is None:
            raise OwnError("The reading process gave an answer that makes no sense.")
        return answer.report


@dataclass(frozen=True, slots=True)
class Checked:
    """The result of judging one file; `verdict` is None if it could not be judged, for the reason in `error`."""

    path: str
    paper: str
    request: Request | None = None
    judged: Judged = _UNJUDGED
    verdict: Verdict | None = None
    error: PrintqueueError | None = None

    @property
    def code(self) -> int:
        """The exit code for this result."""
        return int(self.error.exit_code) if self.error is not None else int(self.verdict is Verdict.TURNED_BACK)

    def as_json(self) -> dict[str, Any]:
        """The object of `check --json`."""
        placement, printed = self.judged.placement, None
        if placement is not None:
            width, height = (round(side, 2) for side in placement.picture_mm)
            printed = {"width_mm": width, "height_mm": height, "ppi": round(placement.source_ppi, 1)}
        return {
            "file": shown(self.path),
            "paper": self.paper,
            "size": self.request.size.name if self.request is not None else None,
            "print": printed,
            "verdict": None if self.verdict is None else str(self.verdict),
            "findings": findings_json(self.judged),
            "measurements": measurements_json(self.judged),
            "error": None if self.error is None else str(self.error),
        }


def _order_beside(path: str) -> Order | None:
    """The order the service would use. Raises `UsageError` if the service would hold the picture."""
    folder, name = os.path.split(path)
    try:
        found, _, held = order_now(os.path.realpath(folder or "."), name)
    except OSError:  # opening the picture will hit it too, and report it
        return None
    if held:
        raise UsageError(f"{shown(name)} is {words(held)}.")
    if found is None:
        return None
    return load_for_picture(durable.read_plain(os.path.join(folder, found), MAX_BYTES + 1), shown(found))


@contextmanager
def context(studio: Studio) -> Iterator[Context]:
    """What judging needs, without a service: claims, writes and locks nothing."""
    fork_server = ForkServer(protocol.WORKER)
    try:
        yield Context(studio, fork_server, Shelf.load(studio.path("rules")))
    finally:
        fork_server.close()


@contextmanager
def opened(path: str) -> Iterator[int]:
    """A descriptor of the regular file `path`. Raises `UsageError` if there is none."""
    try:
        descriptor = open_file(as_named(path))
    except OSError as error:
        raise UsageError(f"{shown(path)} cannot be opened: {error.strerror}.") from error
    if descriptor is None:
        raise UsageError(f"There is no regular file {shown(path)}.")
    try:
        yield descriptor
    finally:
        os.close(descriptor)


def look_up_file(ledger: str, path: str, one: Judged, asked: Asked) -> Judged:
    """`one` with its finding `repeat` from the studio's ledger, which is only read and may be missing. If the ledger
    cannot be read, the finding says so and nothing else stops.
    """
    reader = LedgerReader(ledger)
    if asked.limits is None or not reader.exists:
        return one
    try:
        sha256 = durable.sha256(as_named(path))
        earlier = reader.earlier_prints(sha256) if sha256 is not None else []
    except StudioError as error:
        return looked_up(one, asked, {Word.REPEAT_PROBLEM: error.says})
    now = datetime.now().astimezone().isoformat()
    return looked_up(one, asked, readings(earlier, asked.request, asked.profile_sha256, now))
