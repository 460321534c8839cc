"""Judging and rendering single files for `check` and `render`: the same children, rules and words as the service."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime

from printqueue.core import sizes
from printqueue.core.disk import durable
from printqueue.core.disk.folders import as_named, open_file
from printqueue.core.errors import OwnError, PictureError, StudioError, UsageError, WorldError
from printqueue.core.model.finding import Finding, Verdict, verdict
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
from printqueue.reports.making import conversion_words
from printqueue.reports.record import findings_json, measurements_json
from printqueue.reports.why_words import words
from printqueue.sandbox import Child, ForkServer, protocol
from printqueue.sandbox.context import Context, ask, print_job
from printqueue.sandbox.protocol import JudgeTask
from printqueue.studio.folders import Studio
from printqueue.studio.orders import loader
from printqueue.studio.orders.beside import order_now
from printqueue.studio.orders.resolve import resolve
from printqueue.studio.orders.schema import Order
from printqueue.studio.papers.loader import Shelf
from printqueue.studio.stock import versions


class Single:
    """One paper (and size) against any number of files."""

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
        """What the service would make of it here: the order file beside the picture counts, paper and size are given."""
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
        """How a file made here comes about; `also` tells one that is no print from the print of the same request."""
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

    def judge(self, child: Child, path: str, request: Request) -> Report:
        """Findings and measurements of one file."""
        with opened(path) as descriptor:
            answer = ask(
                child,
                "judge",
                JudgeTask((print_job(request, self.stock),), self.context.bounds, self.context.setting),
                (descriptor,),
            )
        if answer.report is None:
            raise OwnError("The reading process gave an answer that makes no sense.")
        return answer.report

    def verdict(self, one: Judged) -> Verdict:
        """The verdict by this paper's rules."""
        return verdict(one.findings, self.paper.turn_back_at)


def _order_beside(path: str) -> Order | None:
    """The order that the service would take. Raises `UsageError` where it would hold the picture."""
    folder, name = os.path.split(path)
    try:
        found, _, held = order_now(os.path.realpath(folder or "."), name)
    except OSError:  # whoever opens the picture finds out, and says so
        return None
    if held:
        raise UsageError(f"{shown(name)} is {words(held)}.")
    if found is None:
        return None
    return loader.load_for_picture(durable.read_plain(os.path.join(folder, found), MAX_BYTES + 1), shown(found))


@contextmanager
def context(studio: Studio) -> Iterator[Context]:
    """A workbench without a service: nothing is claimed, written or locked."""
    fork_server = ForkServer(protocol.WORKER)
    try:
        yield Context(studio, fork_server, Shelf.load(studio.path("rules")))
    finally:
        fork_server.close()


@contextmanager
def opened(path: str) -> Iterator[int]:
    """A regular file's descriptor. Raises `UsageError` where there is none."""
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


def check_file(single: Single, path: str) -> tuple[dict[str, object], list[Finding], int]:
    """The object of `check --json` for one file, its findings, and the exit code it calls for."""
    try:
        request = single.request(path)
        with single.context.child() as child:
            report = single.judge(child, path, request)
    except PictureError as error:
        findings = [refusal(error)]
        return _object(single, path, None, Judged(tuple(findings), None), Verdict.TURNED_BACK, None), findings, 1
    except (UsageError, OwnError, WorldError) as error:
        code = int(error.exit_code)
        return _object(single, path, None, Judged((), None), None, str(error)), [], code
    one = report.prints[0]
    if report.picture is not None:
        kept = single.stock
        asked = Asked(report.picture, request, kept.facts, kept.profile_sha256, kept.paper.checks.get(CHECK))
        one = look_up_file(single.context.studio.ledger, path, one, asked)
    said = single.verdict(one)
    return _object(single, path, request, one, said, None), list(one.findings), int(said is Verdict.TURNED_BACK)


def _object(
    single: Single, path: str, request: Request | None, one: Judged, said: Verdict | None, error: str | None
) -> dict[str, object]:
    place = one.placement
    printed = None
    if place is not None:
        width, height = place.picture_mm
        printed = {"width_mm": round(width, 2), "height_mm": round(height, 2), "ppi": round(place.source_ppi, 1)}
    return {
        "file": shown(path),
        "paper": single.paper.key,
        "size": request.size.name if request is not None else None,
        "print": printed,
        "verdict": None if said is None else str(said),
        "findings": findings_json(one),
        "measurements": measurements_json(one),
        "error": error,
    }


def look_up_file(ledger: str, path: str, one: Judged, asked: Asked) -> Judged:
    """`one` with its finding `repeat` by the studio's ledger, which is only read and may be missing; one that cannot be
    read is said in the finding, and stops nothing else.
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
