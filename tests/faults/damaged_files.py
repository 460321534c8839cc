"""Thousands of damaged pictures, profiles, orders and rule files: `python -m tests.faults.damaged_files [--seed N] [--count 5000]`.

Every picture is probed, judged and, where accepted, rendered in a real bounded child forked from the product's fork server,
as in the service; orders and rule files go through their loaders in this process, as in the service. Some more go
through a whole service (`--service 300`). Repeat one case with `--seed N --only NUMBER`.

The exit code is 1 if anything is not in order: an answer that blames us or the world, a death that is not for want of
memory or time, a limit that does not hold, an exception of a loader, a service that loses a picture.
"""

from __future__ import annotations

import argparse
import os
import re
import signal
import sys
import tempfile
import time
from collections import Counter, defaultdict
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from random import Random
from types import FrameType

from printqueue.core.errors import PictureError
from printqueue.core.model.finding import Level
from printqueue.imaging.decode.reader import Bounds
from printqueue.imaging.jobs import PrintJob, Provenance
from printqueue.sandbox import Child, ChildDiedError, ChildLimits, ForkServer
from printqueue.sandbox.context import Context, print_job
from printqueue.sandbox.protocol import ANSWER, Answer, JudgeTask, PrintTask, ProbeTask
from printqueue.studio.orders import resolve, schema
from printqueue.studio.papers.loader import Shelf
from tests.faults import damage_inside, sound_files
from tests.faults.damage import ways
from tests.running import support

LIMITS = ChildLimits(memory=1_700_000_000, cpu_s=30, wall_s=30.0)
BOUNDS = Bounds(pixels=40_000_000, samples_bytes=400_000_000)
LOADER_S = 5.0
PROVENANCE = Provenance("fault", "0" * 64, "card", "0" * 64, "60x50 mm", "fault", "0")
REFUSED, ACCEPTED, ENDED, WRONG = "refused", "accepted", "child ended", "NOT IN ORDER"


@dataclass(frozen=True, slots=True)
class Case:
    """One damaged file. `data` is made when asked for, always the same for one seed and number."""

    number: int
    kind: str
    way: str
    data: bytes


@dataclass(frozen=True, slots=True)
class Result:
    """What became of it."""

    case: Case
    ending: str
    says: str
    seconds: float
    peak_bytes: int = 0

    def without_data(self) -> Result:
        """The same without the file, which its number makes again."""
        return replace(self, case=replace(self.case, data=b""))


# -- the cases ------------------------------------------------------------------------


def case(seed: int, number: int) -> Case:
    """The damaged file of this number: the kinds take turns."""
    random = Random(f"{seed}:{number}")
    kinds = (*sound_files.PICTURES, *damage_inside.PICTURES_WITH, "order", "rules")
    kind = kinds[number % len(kinds)]
    if kind in damage_inside.PICTURES_WITH:
        return Case(number, kind, "inside", damage_inside.PICTURES_WITH[kind](random))
    if kind in ("order", "rules"):
        return Case(number, kind, "text", (damage_inside.order if kind == "order" else damage_inside.rules)(random))
    way, break_it = random.choice(list(ways(kind).items()))
    return Case(number, kind, way, break_it(_sound(kind), random))


_SOUND: dict[str, bytes] = {}


def _sound(kind: str) -> bytes:
    return _SOUND.setdefault(kind, sound_files.PICTURES[kind]())


# -- through a child --------------------------------------------------------------------


class Bench:
    """A studio with the small test paper, and one fork server of children."""

    def __init__(self, root: str, fork_server: ForkServer) -> None:
        studio = support.new_studio(os.path.join(root, "studio"))
        self.fork_server, self.root = fork_server, root
        self.shelf = Shelf.load(studio.path("rules"))
        context = Context(studio, fork_server, self.shelf)
        paper = self.shelf.papers["card"]
        (request,) = resolve.resolve(
            self.shelf.papers, folder_paper="card", folder_size=None, order=None, default_paper=None
        )
        self.job: PrintJob = print_job(request, context.stock(paper))

    def run(self, case: Case) -> Result:
        """What becomes of one case."""
        start = time.monotonic()
        if case.kind in ("order", "rules"):
            ending, says = self._load(case)
            return Result(case, ending, says, time.monotonic() - start)
        with _file(self.root, case.data) as (reading, writing), self.fork_server.child(LIMITS) as child:
            try:
                ending, says = self._ask(child, reading, writing)
                peak = peak_bytes(child._pid)
            except ChildDiedError as error:
                bounded = error.how.startswith(("needed more memory", "took longer", "used more"))
                ending, says, peak = (ENDED if bounded or _in_a_codec(error.how) else WRONG), error.how, 0
        return Result(case, ending, says, time.monotonic() - start, peak)

    def _ask(self, child: Child, reading: int, writing: int) -> tuple[str, str]:
        probed = ANSWER.validate_json(child.ask("probe", ProbeTask(BOUNDS), (reading,)))
        judged = ANSWER.validate_json(child.ask("judge", JudgeTask((self.job,), BOUNDS), (reading,)))
        if (wrong := _wrong(probed) or _wrong(judged)) is not None:
            return WRONG, wrong
        assert judged.report is not None
        found = [finding for one in judged.report.prints for finding in one.findings if finding.level is Level.REJECT]
        if found:
            return REFUSED, " ".join(finding.says for finding in found)
        if probed.failure is not None:
            return WRONG, f"judged without a fault, though probed: {probed.failure.says}"
        made = ANSWER.validate_json(child.ask("render", PrintTask(self.job, PROVENANCE, BOUNDS), (reading, writing)))
        if made.failure is not None:
            return (REFUSED if made.failure.family == "picture" else WRONG), f"while rendered: {made.failure.says}"
        return (ACCEPTED, "") if made.rendered is not None else (WRONG, "no answer")

    def _load(self, case: Case) -> tuple[str, str]:
        try:
            with _at_most(LOADER_S):
                return (self._order if case.kind == "order" else self._rules)(case.data)
        except Exception as error:
            return WRONG, f"{type(error).__name__}: {error}"

    def _order(self, data: bytes) -> tuple[str, str]:
        try:
            order = schema.load_for_picture(data, "Fog.order.yaml")
            resolve.resolve(self.shelf.papers, folder_paper="card", folder_size=None, order=order, default_paper=None)
        except PictureError as error:
            return (REFUSED if error.says.isprintable() and len(error.says) < 4000 else WRONG), error.says
        return ACCEPTED, ""

    def _rules(self, data: bytes) -> tuple[str, str]:
        """A broken paper must not take a sound one with it."""
        with tempfile.TemporaryDirectory(dir=self.root) as folder:
            for name, content in (("card.yaml", data), ("other.yaml", support.CARD.encode())):
                with open(os.path.join(folder, name), "wb") as stream:
                    stream.write(content)
            shelf = Shelf.load(folder)
        says = " ".join(str(problem) for problem in shelf.problems)
        if "other" not in shelf.papers or not says.isprintable():
            return WRONG, f"the sound paper beside it is gone, or a hidden character in: {says!r}"
        return (REFUSED, says) if "card" not in shelf.papers else (ACCEPTED, says)


def _wrong(answer: Answer) -> str | None:
    failure = answer.failure
    if failure is None or failure.family in ("picture", "incomplete"):
        return None
    return f"{failure.family}: {failure.says}"


def _in_a_codec(how: str) -> bool:
    """Our own code is Python: only a library can end by such a signal."""
    return re.search(r"SIG(SEGV|BUS|ABRT|FPE|ILL)", how) is not None


def peak_bytes(pid: int) -> int:
    """Largest resident size of a process so far, its fork server's libraries included; 0 for one that has gone."""
    try:
        with open(f"/proc/{pid}/status", encoding="ascii") as stream:
            found = re.search(r"^VmHWM:\s+(\d+) kB", stream.read(), re.MULTILINE)
    except OSError:
        return 0
    return int(found[1]) * 1024 if found else 0


@contextmanager
def _file(root: str, data: bytes) -> Iterator[tuple[int, int]]:
    """Descriptors of the damaged picture, and of an empty file to render into."""
    picture, out = os.path.join(root, "picture"), os.path.join(root, "out")
    with open(picture, "wb") as stream:
        stream.write(data)
    reading, writing = os.open(picture, os.O_RDONLY), os.open(out, os.O_RDWR | os.O_CREAT | os.O_TRUNC)
    try:
        yield reading, writing
    finally:
        os.close(reading)
        os.close(writing)


@contextmanager
def _at_most(seconds: float) -> Iterator[None]:
    def stop(_: int, __: FrameType | None) -> None:
        raise TimeoutError(f"took longer than {seconds} s")

    before = signal.signal(signal.SIGALRM, stop)
    signal.setitimer(signal.ITIMER_REAL, seconds)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.signal(signal.SIGALRM, before)


# -- the table ---------------------------------------------------------------------------


def table(results: list[Result]) -> str:
    """Counts by kind, with the slowest and the hungriest; then everything that is not in order, and every death."""
    by_kind: dict[str, list[Result]] = defaultdict(list)
    for result in results:
        by_kind[result.case.kind].append(result)
    lines = [f"{'kind':28}{'refused':>9}{'accepted':>10}{'ended':>7}{'WRONG':>7}{'slowest':>10}{'most memory':>13}"]
    for kind, found in [*by_kind.items(), ("all", results)]:
        counts = Counter(result.ending for result in found)
        slowest, most = max(r.seconds for r in found), max(r.peak_bytes for r in found)
        lines.append(
            f"{kind:28}{counts[REFUSED]:9}{counts[ACCEPTED]:10}{counts[ENDED]:7}{counts[WRONG]:7}"
            f"{slowest:8.2f} s{most / 1e6:10.0f} MB"
        )
    for result in results:
        if result.ending in (WRONG, ENDED):
            where = f"number {result.case.number}, {result.case.kind}, {result.case.way}"
            lines.append(f"{result.ending}: {where}: {result.says[:300]}")
    return "\n".join(lines)


# -- through a whole service -----------------------------------------------------------


def through_service(root: str, fork_server: ForkServer, cases: list[Case]) -> list[str]:
    """Drop the cases and a sound picture into ready/, work until nothing is left, and say what is not in order."""
    studio = support.new_studio(os.path.join(root, "service"))
    dropped = {}
    for one in cases:
        name = f"{one.number:05}"
        if one.kind == "order":
            support.drop(studio, f"card/{name}.order.yaml", one.data)
        data = support.picture(one.number % 5) if one.kind == "order" else one.data
        support.drop(studio, f"card/{name}.tif", data)
        dropped[name] = support.sha256(data)
    support.drop(studio, "card/Sound.tif", support.picture(9))
    tally = support.serve_once(studio, fork_server)
    found = support.files(studio)
    wrong = [] if "print/card/60x50 mm/Sound.tif" in found else ["the sound picture was not made"]
    if tally.stuck or tally.deferred:
        wrong.append(f"{tally.stuck} stuck, {tally.deferred} deferred: {support.status(studio)['jobs']}")
    for name, sha in dropped.items():
        places = [path for path, content in found.items() if content == sha and f"/{name}" in path]
        if len(places) != 1:
            wrong.append(f"number {name}: the original stands in {places}")
        elif places[0].startswith("review/") and f"review/card/{name}.reason.txt" not in found:
            wrong.append(f"number {name}: no reason beside it")
    return wrong


def numbers_for_service(count: int) -> Callable[[int], list[Case]]:
    """The first `count` cases that are pictures or orders; rule files are no arrivals."""
    return lambda seed: [one for one in (case(seed, number) for number in range(2 * count)) if one.kind != "rules"][
        :count
    ]


# -- the command --------------------------------------------------------------------------


def main() -> int:
    """Run, print the table, and tell by the exit code."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--count", type=int, default=5000)
    parser.add_argument("--service", type=int, default=300, metavar="N", help="so many through a whole service")
    parser.add_argument("--only", type=int, metavar="NUMBER", help="one case; its file is written to ./damaged.bin")
    asked = parser.parse_args()
    print(f"seed {asked.seed}", flush=True)
    with tempfile.TemporaryDirectory() as root, support.fork_server_of("tests.running.quick_worker") as fork_server:
        context = Bench(root, fork_server)
        if asked.only is not None:
            return _only(context, case(asked.seed, asked.only))
        results = [_one(context, asked.seed, number) for number in range(asked.count)]
        print(table(results), flush=True)
        wrong = (
            through_service(root, fork_server, numbers_for_service(asked.service)(asked.seed)) if asked.service else []
        )
    print(f"{asked.service} through a service: {wrong or 'all in order'}")
    return int(bool(wrong) or any(result.ending == WRONG for result in results))


def _one(context: Bench, seed: int, number: int) -> Result:
    result = context.run(case(seed, number)).without_data()
    if number % 250 == 249:
        print(f"{number + 1} …", file=sys.stderr, flush=True)
    return result


def _only(context: Bench, one: Case) -> int:
    with open("damaged.bin", "wb") as stream:
        stream.write(one.data)
    result = context.run(one)
    print(one.kind, one.way, result.ending, result.says, f"{result.seconds:.2f} s", f"{result.peak_bytes / 1e6:.0f} MB")
    return int(result.ending == WRONG)


if __name__ == "__main__":
    sys.exit(main())
