"""What a picture is, is decided by its bytes: inode numbers, times of attributes and paths change with disks and mounts.

A studio that was restored to another disk, moved to another path or mounted anew has other inode numbers. A kill before
that must not make a second print of it, nor lose a master.
"""

from __future__ import annotations

import mmap
import os
import shutil
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from printqueue.core.model.job import State
from printqueue.sandbox import ForkServer
from printqueue.service import steps, waiting
from printqueue.studio.folders import Studio, open_studio
from tests.running import support

pytestmark = pytest.mark.slow

MTIME_NS = 1_500_000_000_987_654_321
# Between the written intent and the end of the job; what is left out takes the same way back as the step before it.
STEPS = [
    ("intent-written", 1),
    ("companion-published", 1),
    ("print-published", 1),
    ("published-written", 1),
    ("original-moved", 1),
]
ORDER = b"copies: 2\n"


@pytest.fixture(scope="module")
def nursery() -> Iterator[support.Nursery]:
    """A process that forks services and kills them."""
    running = support.Nursery()
    yield running
    running.close()


@pytest.fixture(autouse=True)
def patient(monkeypatch: pytest.MonkeyPatch) -> None:
    """What changes while it is in hand is waited for, however long a busy machine has it in hand."""
    monkeypatch.setattr(waiting, "_GIVE_UP", 1000.0)


def _killed(studio: Studio, nursery: support.Nursery, kill: tuple[str, int], data: bytes | None = None) -> None:
    support.drop(studio, "card/Fog.tif", data or support.picture(), mtime_ns=MTIME_NS)
    support.drop(studio, "card/Fog.order.yaml", ORDER, mtime_ns=MTIME_NS)
    assert nursery.run(studio, kill)["code"] == -9


def _moved(studio: Studio, path: Path) -> Studio:
    """The studio as `cp -a` brings it to another disk; the old one is gone."""
    subprocess.run(["cp", "-a", studio.root, str(path)], check=True)
    shutil.rmtree(studio.root)
    return open_studio(str(path))


def _renumbered(path: str) -> None:
    """The same file under another inode number, times and all."""
    before = os.stat(path).st_ino
    shutil.copy2(path, path + ".new")
    os.replace(path + ".new", path)
    assert os.stat(path).st_ino != before


def _made_once(studio: Studio, original: bytes | None = None) -> None:
    files = support.files(studio)
    assert sorted(files) == [
        "masters/card/Fog.order.yaml",
        "masters/card/Fog.tif",
        f"print/card/{support.SIZE}/Fog.print.txt",
        f"print/card/{support.SIZE}/Fog.proof.jpg",
        f"print/card/{support.SIZE}/Fog.tif",
    ]
    assert files["masters/card/Fog.tif"] == support.sha256(original or support.picture())
    assert files["masters/card/Fog.order.yaml"] == support.sha256(ORDER)
    assert os.stat(studio.path("masters", "card", "Fog.tif")).st_mtime_ns == MTIME_NS
    assert support.spool(studio) == []
    assert support.status(studio)["counts"]["printable"] == 1


@pytest.mark.parametrize("kill", STEPS, ids=lambda kill: f"{kill[0]}-{kill[1]}")
def test_killed_and_moved_to_another_path(
    studio: Studio, fork_server: ForkServer, nursery: support.Nursery, tmp_path: Path, kill: tuple[str, int]
) -> None:
    """Killed while publishing, the studio copied elsewhere: one print, its master and its order whole."""
    _killed(studio, nursery, kill)
    elsewhere = _moved(studio, tmp_path / "elsewhere")
    support.serve_once(elsewhere, fork_server)
    _made_once(elsewhere)


def test_killed_and_renumbered_where_it_stands(
    studio: Studio, fork_server: ForkServer, nursery: support.Nursery
) -> None:
    """Killed while publishing, the picture and its order under other inode numbers: one print, its master whole."""
    _killed(studio, nursery, ("print-published", 1))
    for name in ("Fog.tif", "Fog.order.yaml"):
        _renumbered(studio.path("ready", "card", name))
    support.serve_once(studio, fork_server)
    _made_once(studio)


@pytest.mark.parametrize("step", ["published-written", "original-moved"])
def test_turned_back_killed_and_moved(
    studio: Studio, fork_server: ForkServer, nursery: support.Nursery, tmp_path: Path, step: str
) -> None:
    """The same with a picture that is turned back: one reason, and the picture beside it."""
    _killed(studio, nursery, (step, 1), support.small_picture())
    elsewhere = _moved(studio, tmp_path / "elsewhere")
    support.serve_once(elsewhere, fork_server)
    assert sorted(support.files(elsewhere)) == [
        f"review/card/Fog.{ending}" for ending in ("order.yaml", "proof.jpg", "reason.txt", "tif")
    ]
    assert support.status(elsewhere)["counts"]["review"] == 1


@pytest.mark.parametrize("step", ["intent-written", "print-published", "published-written"])
def test_killed_then_saved_again_then_moved(
    studio: Studio, fork_server: ForkServer, nursery: support.Nursery, tmp_path: Path, step: str
) -> None:
    """A newer version saved after the kill, then the studio moved: what was printed is kept, the newer one is printed too."""
    _killed(studio, nursery, (step, 1))
    support.drop(studio, "card/Fog.tif", support.picture(2), mtime_ns=MTIME_NS + 1)
    elsewhere = _moved(studio, tmp_path / "elsewhere")
    support.serve_once(elsewhere, fork_server)
    masters = support.files(elsewhere, "masters")
    assert masters["masters/card/Fog.tif"] == support.sha256(support.picture())
    assert masters["masters/card/Fog (2).tif"] == support.sha256(support.picture(2))
    assert len(support.prints(elsewhere)) == 2
    assert support.files(elsewhere, "ready") == {}


def test_a_spare_that_an_earlier_version_wrote_down_in_full(
    studio: Studio, fork_server: ForkServer, nursery: support.Nursery, tmp_path: Path
) -> None:
    """A ledger of before, with the spool copy's full path in it: found where the studio stands now."""
    _killed(studio, nursery, ("print-published", 1))
    with support.service(studio, fork_server) as one:
        (arrival,) = one.context.ledger.arrivals(State.WORKING)
        assert arrival.intent is not None
        assert studio.root not in arrival.intent
        full = arrival.intent.replace('"spool/', f'"{studio.private("spool")}/')
        assert full != arrival.intent
        one.context.ledger.intend(arrival.id, full)
    support.drop(studio, "card/Fog.tif", support.picture(2), mtime_ns=MTIME_NS + 1)
    elsewhere = _moved(studio, tmp_path / "elsewhere")
    support.serve_once(elsewhere, fork_server)
    masters = support.files(elsewhere, "masters")
    assert masters["masters/card/Fog.tif"] == support.sha256(support.picture())


def test_no_path_in_the_ledger_is_absolute(studio: Studio, fork_server: ForkServer) -> None:
    """Of a picture made and one turned back, no row of any table knows where the studio stands."""
    support.drop(studio, "card/Fog.tif", support.picture())
    support.drop(studio, "card/Fog.order.yaml", ORDER)
    support.drop(studio, "card/Small.tif", support.small_picture())
    support.serve_once(studio, fork_server)
    with support.service(studio, fork_server) as one:
        tables = [row[0] for row in one.context.ledger._all("SELECT name FROM sqlite_master WHERE type = 'table'")]
        rows = [row for name in tables for row in one.context.ledger._all(f"SELECT * FROM {name}")]
    assert rows
    found = [value for row in rows for value in row if os.fsencode(studio.root) in _raw(value)]
    assert found == []


def _raw(value: object) -> bytes:
    return value if isinstance(value, bytes) else os.fsencode(str(value))


# -- rewritten while in hand ---------------------------------------------------


def _at(step: str, act: Callable[[], None], monkeypatch: pytest.MonkeyPatch) -> None:
    """`act` once, at the first passing of `step`."""
    left = [act]

    def reached(name: str) -> None:
        if name == step and left:
            left.pop()()

    monkeypatch.setattr(steps, "reached", reached)


def _in_place(path: str, data: bytes) -> None:
    before = os.stat(path)
    with open(path, "r+b") as stream:
        stream.write(data)
    os.utime(path, ns=(before.st_atime_ns, before.st_mtime_ns))


def _two_versions() -> tuple[bytes, bytes]:
    """Two good pictures of the very same length."""
    one, other = (support.tiff(support.pixels(seed), compression=None, predictor=None) for seed in (1, 2))
    assert len(one) == len(other)
    assert one != other
    return one, other


@pytest.mark.parametrize("step", ["spooled", "rendered", "verified"])
def test_rewritten_before_anything_is_visible(
    studio: Studio, fork_server: ForkServer, monkeypatch: pytest.MonkeyPatch, step: str
) -> None:
    """Other bytes under the same inode, size and time while it is in hand: only they are printed and kept."""
    one, other = _two_versions()
    path = support.drop(studio, "card/Fog.tif", one, mtime_ns=MTIME_NS)
    with monkeypatch.context() as patch:
        _at(step, lambda: _in_place(path, other), patch)
        support.serve_once(studio, fork_server)
    assert support.files(studio, "masters") == {"masters/card/Fog.tif": support.sha256(other)}
    assert support.prints(studio) == [f"card/{support.SIZE}/Fog.tif"]
    note = Path(studio.path("print", "card", support.SIZE, "Fog.print.txt")).read_text()
    assert support.sha256(other)[:16] in note.replace("\n", "").replace(" ", "")


@pytest.mark.parametrize("step", ["intent-written", "published-written"])
def test_rewritten_while_it_is_published(
    studio: Studio, fork_server: ForkServer, monkeypatch: pytest.MonkeyPatch, step: str
) -> None:
    """The same after the intent: what was printed is kept beside its print, and the new bytes are a picture of their own."""
    one, other = _two_versions()
    path = support.drop(studio, "card/Fog.tif", one, mtime_ns=MTIME_NS)
    with monkeypatch.context() as patch:
        _at(step, lambda: _in_place(path, other), patch)
        support.serve_once(studio, fork_server)
    assert support.files(studio, "masters") == {
        "masters/card/Fog.tif": support.sha256(one),
        "masters/card/Fog (2).tif": support.sha256(other),
    }
    assert len(support.prints(studio)) == 2
    assert support.files(studio, "ready") == {}


@pytest.mark.parametrize("step", ["judged", "intent-written", "published-written"])
def test_rewritten_while_it_is_turned_back(
    studio: Studio, fork_server: ForkServer, monkeypatch: pytest.MonkeyPatch, step: str
) -> None:
    """A reason stands beside the bytes that it speaks of: rewritten meanwhile, only the new ones are judged in the end."""
    one, other = (support.tiff(support.pixels(seed, 60, 40), compression=None, predictor=None) for seed in (1, 2))
    path = support.drop(studio, "card/Small.tif", one, mtime_ns=MTIME_NS)
    with monkeypatch.context() as patch:
        _at(step, lambda: _in_place(path, other), patch)
        support.serve_once(studio, fork_server)
    files = support.files(studio)
    assert sorted(files) == [f"review/card/Small.{ending}" for ending in ("proof.jpg", "reason.txt", "tif")]
    assert files["review/card/Small.tif"] == support.sha256(other)
    assert support.status(studio)["counts"]["review"] == 1


def test_written_through_a_mapping_that_leaves_no_trace(
    studio: Studio, fork_server: ForkServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A page of a mapping that is dirty already changes without any time of the file: the bytes are seen all the same."""
    one, other = _two_versions()
    path = support.drop(studio, "card/Fog.tif", one, mtime_ns=MTIME_NS)
    with open(path, "r+b") as stream, mmap.mmap(stream.fileno(), 0) as mapped:
        for start in range(0, len(one), mmap.PAGESIZE):
            mapped[start] = one[start]  # from now on each of its pages is dirty

        def write() -> None:
            mapped[:] = other

        with monkeypatch.context() as patch:
            _at("intent-written", write, patch)
            support.serve_once(studio, fork_server)
    assert support.files(studio, "masters") == {
        "masters/card/Fog.tif": support.sha256(one),
        "masters/card/Fog (2).tif": support.sha256(other),
    }


@pytest.mark.parametrize("step", ["spooled", "rendered", "published-written"])
def test_only_attributes_change(
    studio: Studio, fork_server: ForkServer, monkeypatch: pytest.MonkeyPatch, step: str
) -> None:
    """The mode of picture and order changes in hand, or they come under other numbers: the same bytes, one print."""
    path = support.drop(studio, "card/Fog.tif", support.picture(), mtime_ns=MTIME_NS)
    order = support.drop(studio, "card/Fog.order.yaml", ORDER, mtime_ns=MTIME_NS)
    passed = []

    def touch() -> None:
        passed.append(step)
        for one in (path, order):
            os.chmod(one, 0o640)
            _renumbered(one)

    with monkeypatch.context() as patch:
        _at(step, touch, patch)
        support.serve_once(studio, fork_server)
    assert passed == [step]
    _made_once(studio)


def test_order_whose_attributes_never_rest(
    studio: Studio, fork_server: ForkServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A file server touches the order's attributes at every step: judged and rendered once, made as ordered."""
    support.drop(studio, "card/Fog.tif", support.picture(), mtime_ns=MTIME_NS)
    order = support.drop(studio, "card/Fog.order.yaml", ORDER, mtime_ns=MTIME_NS)
    passed: list[str] = []

    def reached(name: str) -> None:
        passed.append(name)
        assert passed.count("rendered") < 4, "it is rendered again and again"
        if os.path.exists(order):
            os.chmod(order, 0o600 + len(passed) % 2 * 0o040)

    with monkeypatch.context() as patch:
        patch.setattr(steps, "reached", reached)
        tally = support.serve_once(studio, fork_server)
    assert (tally.made, tally.stuck, passed.count("rendered")) == (1, 0, 1)
    _made_once(studio)


# -- pictures that wait or are parked ------------------------------------------


def test_stuck_picture_under_another_number_stays_parked(
    studio: Studio, fork_server: ForkServer, tmp_path: Path, nursery: support.Nursery
) -> None:
    """What brought the service down four times is not offered again because its disk was changed; other bytes are."""
    one, other = _two_versions()
    support.drop(studio, "card/Fog.tif", one, mtime_ns=MTIME_NS)
    for _ in range(4):
        assert nursery.run(studio, ("judged", 1))["code"] == -9
    assert support.serve_once(studio, fork_server).made == 0
    elsewhere = _moved(studio, tmp_path / "elsewhere")
    for _ in range(2):
        tally = support.serve_once(elsewhere, fork_server)
        assert (tally.made, tally.turned_back, tally.stuck) == (0, 0, 0)
        assert support.status(elsewhere)["counts"]["stuck"] == 1
    _in_place(elsewhere.path("ready", "card", "Fog.tif"), other)
    assert support.serve_once(elsewhere, fork_server).made == 1
    assert support.status(elsewhere)["counts"]["stuck"] == 0
