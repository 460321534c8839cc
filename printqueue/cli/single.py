"""Judging and rendering single files for `check` and `render`: the same children, rules and words as the service."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator
from contextlib import contextmanager

from printqueue import sizes
from printqueue.delivery import conversion_words
from printqueue.disk import durable
from printqueue.disk.folders import as_named
from printqueue.errors import OwnError, PictureError, UsageError, WorldError
from printqueue.intake.claim import ChangedError, open_regular
from printqueue.intake.scan import order_now
from printqueue.model.finding import Finding, Verdict, verdict
from printqueue.model.request import Request
from printqueue.nearest import suggestion
from printqueue.orders import loader
from printqueue.orders.resolve import resolve
from printqueue.orders.schema import Order
from printqueue.outputs.print_tiff import Provenance
from printqueue.papers.loader import Shelf
from printqueue.running import WORKER
from printqueue.sandbox import Child, Template
from printqueue.service.repeat import look_up_file
from printqueue.shop import findings_json, measurements_json
from printqueue.stock import versions
from printqueue.strictyaml import MAX_BYTES
from printqueue.studio import Studio
from printqueue.text import shown
from printqueue.workbench import Workbench, ask, print_job
from printqueue.worker import Judged, JudgeOrder, Report, refusal


class Single:
    """One paper (and size) against any number of files."""

    def __init__(self, bench: Workbench, paper: str, size: str | None) -> None:
        self.bench, self._size = bench, size
        papers = bench.shelf.papers
        if paper not in papers:
            problems = "".join(f"\n{problem}" for problem in bench.shelf.problems)
            if any(problem.file == f"{paper}.yaml" for problem in bench.shelf.problems):
                raise UsageError(f"The rules of '{shown(paper)}' cannot be used as they are:{problems}")
            raise UsageError(f"There is no paper '{shown(paper)}'. {suggestion(paper, papers)}{problems}")
        if size is not None:
            try:
                sizes.parse(size)
            except sizes.SizeError as error:
                raise UsageError(str(error) if str(error).endswith(("?", ".")) else f"{error}.") from error
        self.paper = papers[paper]
        self.stock = bench.stock(self.paper)

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
            maker=self.bench.studio.config.maker,
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
                JudgeOrder((print_job(request, self.stock),), self.bench.bounds, self.bench.setting),
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
        raise UsageError(f"{shown(name)} is {held}.")
    if found is None:
        return None
    return loader.load_for_picture(durable.read_plain(os.path.join(folder, found), MAX_BYTES + 1), shown(found))


@contextmanager
def bench(studio: Studio) -> Iterator[Workbench]:
    """A workbench without a service: nothing is claimed, written or locked."""
    template = Template(WORKER)
    try:
        yield Workbench(studio, template, Shelf.load(studio.path("rules")))
    finally:
        template.close()


@contextmanager
def opened(path: str) -> Iterator[int]:
    """A regular file's descriptor. Raises `UsageError` where there is none."""
    try:
        descriptor = open_regular(as_named(path))
    except ChangedError as error:
        raise UsageError(f"There is no regular file {shown(path)}.") from error
    except OSError as error:
        raise UsageError(f"{shown(path)} cannot be opened: {error.strerror}.") from error
    try:
        yield descriptor
    finally:
        os.close(descriptor)


def check_file(single: Single, path: str) -> tuple[dict[str, object], list[Finding], int]:
    """The object of `check --json` for one file, its findings, and the exit code it calls for."""
    try:
        request = single.request(path)
        with single.bench.child() as child:
            report = single.judge(child, path, request)
    except PictureError as error:
        findings = [refusal(error)]
        return _object(single, path, None, Judged(tuple(findings), None), Verdict.TURNED_BACK, None), findings, 1
    except (UsageError, OwnError, WorldError) as error:
        code = int(error.exit_code)
        return _object(single, path, None, Judged((), None), None, str(error)), [], code
    one = report.prints[0]
    if report.picture is not None:
        one = look_up_file(single.bench.studio.ledger, path, one, report.picture, request, single.stock)
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
