"""A SIGKILL at every named step: starting again reaches the same end as if nothing had happened (DESIGN invariant 3).

Each case is a picture in a studio of its own. A service is killed at the n-th passing of a
step, another one is started normally, and what then stands in the folders and in the
ledger is compared, name by name and byte by byte, with an undisturbed run.
"""

from __future__ import annotations

import os
import queue
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from printqueue.ledger import LedgerReader
from printqueue.service import steps
from printqueue.studio.folders import Studio
from tests.running import support

pytestmark = pytest.mark.slow

MTIME_NS = 1_500_000_000_987_654_321
Kill = tuple[str, int]


# -- the cases ----------------------------------------------------------------


def _accepted(studio: Studio) -> None:
    support.drop(studio, "card/Slipway/Fog.tif", support.picture(), mtime_ns=MTIME_NS)


def _own_order(studio: Studio) -> None:
    support.drop(studio, "card/Fog.tif", support.picture(), mtime_ns=MTIME_NS)
    support.drop(studio, "card/Fog.order.yaml", b"copies: 2\nnote: for the harbour office\n", mtime_ns=MTIME_NS)


def _folder_order(studio: Studio) -> None:
    support.drop(studio, "card/Fog.tif", support.picture(), mtime_ns=MTIME_NS)
    support.drop(studio, "card/order.yaml", b"lift: 1/4 stop\n", mtime_ns=MTIME_NS)


def _two_prints(studio: Studio) -> None:
    support.drop(studio, "card/Fog.tif", support.picture(), mtime_ns=MTIME_NS)
    order = b"prints:\n  - {size: 60x50 mm}\n  - {size: 80x60 mm, copies: 3}\n"
    support.drop(studio, "card/Fog.tif.order.yaml", order, mtime_ns=MTIME_NS)


def _turned_back(studio: Studio) -> None:
    support.drop(studio, "card/Fog.tif", support.small_picture(), mtime_ns=MTIME_NS)
    support.drop(studio, "card/Fog.order.yaml", b"copies: 2\n", mtime_ns=MTIME_NS)


def _times(order: Sequence[str], companions: int, prints: int = 1) -> tuple[str, ...]:
    """`order` with as many passings of the steps that publish a file as there are files."""
    many = {"companion-published": companions, "print-published": prints}
    return tuple(step for name in order for step in [name] * many.get(name, 1))


@dataclass(frozen=True)
class Case:
    """How the studio is filled, and the steps of an undisturbed run in their order."""

    fill: Callable[[Studio], None]
    trace: tuple[str, ...]
    prints: int = 1


_AFTER_JUDGING = steps.ACCEPTED[steps.ACCEPTED.index("companions-written") :]
CASES = {
    # companions: the proof picture and the note
    "accepted": Case(_accepted, _times(steps.ACCEPTED, 2)),
    "own-order": Case(_own_order, _times(steps.ACCEPTED, 2)),
    # and the master's copy of the folder's order
    "folder-order": Case(_folder_order, _times(steps.ACCEPTED, 3)),
    "two-prints": Case(
        _two_prints,
        ("row-written", "spooled", "judged") + ("temp-made", "rendered", "proofed") * 2 + _times(_AFTER_JUDGING, 4, 2),
        prints=2,
    ),
    "turned-back": Case(_turned_back, _times(steps.TURNED_BACK, 2), prints=0),
}


def _passings(trace: Sequence[str]) -> list[Kill]:
    return [(step, trace[: index + 1].count(step)) for index, step in enumerate(trace)]


POINTS: list[tuple[str, tuple[Kill, ...]]] = [
    (name, (kill,)) for name, case in CASES.items() for kill in _passings(case.trace)
]
# Between the named steps: after every rename (thumbnail, proof picture, note, print, picture, order) and after every small
# file written.
BETWEEN: list[tuple[str, tuple[Kill, ...]]] = [
    *(("own-order", (("durable.rename_no_clobber", n),)) for n in range(1, 7)),
    *(("own-order", (("durable.write_temp", n),)) for n in (1, 2, 3)),
    *(("turned-back", (("durable.rename_no_clobber", n),)) for n in range(1, 6)),
]
TWICE: list[tuple[str, tuple[Kill, ...]]] = [
    ("accepted", (("rendered", 1), ("rendered", 1))),
    ("own-order", (("intent-written", 1), ("companion-published", 1))),
    ("own-order", (("print-published", 1), ("published-written", 1))),
    ("folder-order", (("companion-published", 1), ("companion-published", 2))),
    ("two-prints", (("print-published", 1), ("print-published", 2))),
    ("two-prints", (("published-written", 1), ("original-moved", 1), ("done-written", 1))),
    ("turned-back", (("companion-published", 1), ("original-moved", 1))),
    ("turned-back", (("row-written", 1), ("intent-written", 1), ("folders-synced", 1))),
    ("accepted", (("proofed", 1), ("proofed", 1), ("companion-published", 2))),
]


def _label(point: tuple[str, tuple[Kill, ...]]) -> str:
    return " ".join([point[0], *(f"{step}-{n}" for step, n in point[1])])


# -- running them, two at a time ------------------------------------------------


@dataclass(frozen=True)
class End:
    """What stands there when nothing is left to do, and how it came to it."""

    runs: list[dict[str, Any]]
    files: dict[str, str]
    stamps: dict[str, int]
    records: list[tuple[Any, ...]]
    counts: dict[str, int]
    spool: list[str]
    hidden: list[str]


class Matrix:
    """Runs cases in two nurseries in the background; `end` waits for one."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._nurseries = [support.Nursery() for _ in range(2)]
        self._idle: queue.Queue[support.Nursery] = queue.Queue()
        for nursery in self._nurseries:
            self._idle.put(nursery)
        self._pool = ThreadPoolExecutor(2)
        self._ends: dict[tuple[str, tuple[Kill, ...]], Future[End]] = {}

    def start(self, name: str, kills: tuple[Kill, ...]) -> Future[End]:
        """Begin with a case, once."""
        if (name, kills) not in self._ends:
            self._ends[name, kills] = self._pool.submit(self._run, name, kills, self._folder / str(len(self._ends)))
        return self._ends[name, kills]

    def end(self, name: str, kills: tuple[Kill, ...] = ()) -> End:
        """The end of a case."""
        return self.start(name, kills).result(support.SOON_S * 4)

    def _run(self, name: str, kills: tuple[Kill, ...], root: Path) -> End:
        studio = support.new_studio(root)
        CASES[name].fill(studio)
        nursery = self._idle.get()
        try:
            runs = [nursery.run(studio, kill) for kill in (*kills, None)]
        finally:
            self._idle.put(nursery)
        return _end(studio, runs)

    def close(self) -> None:
        """Stop everything, also a service that would never end."""
        self._pool.shutdown(wait=False, cancel_futures=True)
        for nursery in self._nurseries:
            nursery.close()
        self._pool.shutdown()


def _end(studio: Studio, runs: list[dict[str, Any]]) -> End:
    found = support.files(studio, "ready", "print", "review", "masters", "daybook/pictures")
    reader = LedgerReader(studio.ledger)
    return End(
        runs=runs,
        files=found,
        stamps={name: os.stat(studio.path(name)).st_mtime_ns for name in found if not name.startswith("print/")},
        records=[
            (p.job, p.path, p.paper, p.size, p.copies, p.state, p.verdict, p.output, p.recipe, p.sha256)
            for p in reader.prints()
        ],
        counts=reader.counts(),
        spool=support.spool(studio),
        hidden=[name for name in found if os.path.basename(name).startswith(".")],
    )


@pytest.fixture(scope="module")
def matrix(tmp_path_factory: pytest.TempPathFactory, request: pytest.FixtureRequest) -> Iterator[Matrix]:
    """Everything that this session will ask for is begun at once, so that both processors work."""
    running = Matrix(tmp_path_factory.mktemp("matrix"))
    try:
        for name in CASES:
            running.start(name, ())
        for item in request.session.items:
            point = getattr(item, "callspec", None) and item.callspec.params.get("point")  # type: ignore[attr-defined]
            if point is not None and item.path == request.path:
                running.start(*point)
        yield running
    finally:
        running.close()


# -- what must hold -----------------------------------------------------------


@pytest.mark.parametrize("name", CASES)
def test_undisturbed_run_passes_every_listed_step_in_order(matrix: Matrix, name: str) -> None:
    """The list of steps is complete and in order: an undisturbed run passes exactly these."""
    end = matrix.end(name)
    assert end.runs[0]["code"] == 0
    assert tuple(end.runs[0]["trace"]) == CASES[name].trace
    assert set(end.runs[0]["trace"]) == set(steps.TURNED_BACK if name == "turned-back" else steps.ACCEPTED)


@cache
def _dropped(name: str) -> dict[str, bytes]:
    small = name == "turned-back"
    return {"Fog.tif": support.small_picture() if small else support.picture()}


@pytest.mark.parametrize("name", CASES)
def test_undisturbed_end_is_right(matrix: Matrix, name: str) -> None:
    """The run that all others are compared with ends as the contract says."""
    end = matrix.end(name)
    assert end.spool == []
    assert end.hidden == []
    prints = [file for file in end.files if file.startswith("print/") and file.endswith(".tif")]
    assert len(prints) == CASES[name].prints
    folder = "review/" if name == "turned-back" else "masters/"
    (original,) = [file for file in end.files if file.startswith(folder) and file.endswith("Fog.tif")]
    assert end.files[original] == support.sha256(_dropped(name)["Fog.tif"])
    assert end.stamps[original] == MTIME_NS
    left = [file for file in end.files if file.startswith("ready/")]
    assert left == (["ready/card/order.yaml"] if name == "folder-order" else [])
    state = "review" if name == "turned-back" else "printable"
    assert {key: n for key, n in end.counts.items() if n} == {state: max(1, CASES[name].prints)}


def _same_end(matrix: Matrix, name: str, kills: tuple[Kill, ...]) -> None:
    end, undisturbed = matrix.end(name, kills), matrix.end(name)
    assert [run["code"] for run in end.runs] == [-9] * len(kills) + [0], "step not reached, or no restart"
    assert end.files == undisturbed.files
    kept = [name for name, at in undisturbed.stamps.items() if at == MTIME_NS]
    assert {end.stamps[name] for name in kept} == {MTIME_NS}
    assert end.records == undisturbed.records
    assert end.counts == undisturbed.counts
    assert end.spool == []
    assert end.hidden == []


@pytest.mark.parametrize("point", POINTS, ids=_label)
def test_kill_at_a_step(matrix: Matrix, point: tuple[str, tuple[Kill, ...]]) -> None:
    """Killed at any passing of any step, the next start reaches the undisturbed end."""
    _same_end(matrix, *point)


@pytest.mark.parametrize("point", BETWEEN, ids=_label)
def test_kill_between_steps(matrix: Matrix, point: tuple[str, tuple[Kill, ...]]) -> None:
    """Killed right after any single rename or write, the next start reaches the undisturbed end."""
    _same_end(matrix, *point)


@pytest.mark.parametrize("point", TWICE, ids=_label)
def test_kill_again_during_recovery(matrix: Matrix, point: tuple[str, tuple[Kill, ...]]) -> None:
    """Killed again while it cleans up or goes on, the start after that still reaches the undisturbed end."""
    _same_end(matrix, *point)
