"""Children and services as processes: their deaths, their limits, what they hold, and how they stop."""

from __future__ import annotations

import json
import os
import signal
import sqlite3
import threading
import time
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from printqueue.core.errors import StudioError
from printqueue.ledger import LedgerReader
from printqueue.reports import print_note
from printqueue.sandbox import ChildLimits, ForkServer
from printqueue.sandbox.context import Context
from printqueue.service import delivery, loop
from printqueue.service.intake import claim
from printqueue.service.intake.claim import ChangedError
from printqueue.service.lock import StudioLock
from printqueue.service.loop import Service
from printqueue.studio.folders import Studio
from tests.running import faulty_worker as faults
from tests.running import support

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def faulty() -> Iterator[ForkServer]:
    """A fork server whose children obey the last bytes of a picture."""
    with support.fork_server_of("tests.running.faulty_worker") as running:
        yield running


LIMITS = ChildLimits(wall_s=0.5, memory=2_000_000_000)
DEATHS = {
    "killed by a signal": (faults.KILLED, "signal 11 (SIGSEGV)"),
    "asleep for ever": (faults.ASLEEP, "longer than"),
    "out of memory": (faults.HUNGRY, "more memory than allowed"),
    "ended by itself": (faults.ENDED, "code 7"),
    "answering nonsense": (faults.BABBLING, "makes no sense"),
}


@pytest.mark.parametrize(("fault", "words"), DEATHS.values(), ids=DEATHS.keys())
def test_child_that_fails_twice_parks_its_picture(
    studio: Studio, faulty: ForkServer, monkeypatch: pytest.MonkeyPatch, fault: bytes, words: str
) -> None:
    """Two strikes: the picture is parked with its reason, untouched, and the others are made."""
    if fault == faults.ASLEEP:
        monkeypatch.setattr(Context, "limits", LIMITS)
    data = support.picture() + fault
    support.drop(studio, "card/Fog.tif", data)
    support.drop(studio, "card/Good.tif", support.picture(2))
    tally = support.serve_once(studio, faulty)
    assert (tally.made, tally.turned_back, tally.stuck, tally.deferred) == (1, 0, 1, 0)
    (job,) = support.status(studio)["jobs"]
    assert job["state"] == "stuck"
    assert words in job["says"]
    assert "twice" in job["says"]
    assert "untouched in ready/" in job["says"]
    assert support.files(studio, "ready") == {"ready/card/Fog.tif": support.sha256(data)}
    assert support.files(studio, "review") == {}
    assert support.spool(studio) == []
    _stays_parked_until_it_changes(studio, faulty)


def _stays_parked_until_it_changes(studio: Studio, fork_server: ForkServer) -> None:
    tally = support.serve_once(studio, fork_server)
    assert (tally.made, tally.stuck) == (0, 0)
    support.drop(studio, "card/Fog.tif", support.picture())
    assert support.serve_once(studio, fork_server).made == 1


def test_error_of_our_own_parks_one_picture(
    studio: Studio, fork_server: ForkServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A fault in printqueue itself parks the picture and neither ends the service nor comes back at every start."""
    real = print_note.print_text

    def broken(made: object) -> str:
        if getattr(made, "picture", "") == "Fog.tif":
            raise KeyError("no such word")
        return real(made)  # type: ignore[arg-type]

    monkeypatch.setattr(delivery.accepted, "print_text", broken)
    support.drop(studio, "card/Fog.tif", support.picture())
    support.drop(studio, "card/Good.tif", support.picture(2))
    tally = support.serve_once(studio, fork_server)
    assert (tally.made, tally.stuck) == (1, 1)
    (job,) = support.status(studio)["jobs"]
    assert "went wrong in printqueue itself" in job["says"]
    assert support.serve_once(studio, fork_server).stuck == 0
    assert support.files(studio, "ready").keys() == {"ready/card/Fog.tif"}
    assert not [name for name in support.files(studio) if os.path.basename(name).startswith(".")]


# -- stopping and dying ----------------------------------------------------------


def _asleep(studio: Studio) -> None:
    support.drop(studio, "card/Fog.tif", support.picture() + faults.ASLEEP)


def _working_child(fork_server_pid: int) -> int:
    """The child that has been handed the picture; one that was just forked, or only looked at the profile, is not it."""
    found: list[int] = []

    def looked() -> bool:
        found[:] = [child for child in support.children(fork_server_pid) if _holds_a_picture(child)]
        return bool(found)

    support.until(looked, "a child works")
    return found[0]


def _holds_a_picture(child: int) -> bool:
    try:
        numbers = os.listdir(f"/proc/{child}/fd")
        return any(os.readlink(f"/proc/{child}/fd/{number}").endswith("/picture") for number in numbers)
    except OSError:  # it has ended meanwhile
        return False


def _is_working(studio: Studio) -> bool:
    return [p.state for p in LedgerReader(studio.ledger).prints()] == ["working"]


def test_real_service(studio: Studio) -> None:
    """One real `serve`: it holds the lock, answers readers, its child holds nothing of it, and SIGTERM ends it soon."""
    _asleep(studio)
    with support.started(studio, "tests.running.faulty_worker") as process:
        support.until(lambda: _is_working(studio), "the picture is being judged")
        (fork_server_pid,) = support.children(process.pid)
        child = _working_child(fork_server_pid)
        _holds_nothing_of_the_service(child, process.pid)

        second = support.command(studio, "serve", "--once")
        assert second.returncode == 3
        assert "already looks after" in second.stderr
        answer = json.loads(support.command(studio, "status", "--json").stdout)
        assert answer["running"] is True
        assert [job["state"] for job in answer["jobs"]] == ["working"]

        began = time.monotonic()
        process.send_signal(signal.SIGTERM)
        assert process.wait(10) == 0
        assert time.monotonic() - began < 10
        support.until(lambda: not any(map(support.alive, (fork_server_pid, child))), "fork server and child have gone")
    (record,) = LedgerReader(studio.ledger).prints()
    assert record.state == "waiting"
    assert "stopped" in record.says
    with closing(sqlite3.connect(studio.ledger)) as connection:
        assert connection.execute("SELECT strikes FROM arrivals").fetchall() == [(0,)]
    assert support.files(studio).keys() == {"ready/card/Fog.tif"}
    assert support.spool(studio) == []


def _holds_nothing_of_the_service(child: int, service: int) -> None:
    """The child has its standard streams, its socket, the picture and room in memory for its working copy; ledger, lock and
    studio are not among them.
    """
    held = {number: os.readlink(f"/proc/{child}/fd/{number}") for number in os.listdir(f"/proc/{child}/fd")}
    assert sorted(held, key=int)[:3] == ["0", "1", "2"]
    others = [target for number, target in held.items() if int(number) > 2]
    assert sorted(target.partition(":")[0].rpartition("/")[2] for target in others) == ["memfd", "picture", "socket"]
    sockets = {os.readlink(f"/proc/{service}/fd/{n}") for n in os.listdir(f"/proc/{service}/fd")}
    assert not sockets & {target for target in others if target.startswith("socket")}
    assert any("ledger.sqlite" in target for target in sockets), "the look itself works"


def test_killed_service_takes_its_children_along(studio: Studio, fork_server: ForkServer) -> None:
    """A service that is killed while its child works leaves no process, and the next start goes on."""
    _asleep(studio)
    with support.started(studio, "tests.running.faulty_worker") as process:
        support.until(lambda: _is_working(studio), "the picture is being judged")
        (fork_server_pid,) = support.children(process.pid)
        child = _working_child(fork_server_pid)
        process.kill()
        process.wait()
        support.until(lambda: not any(map(support.alive, (fork_server_pid, child))), "fork server and child have gone")
    assert (
        support.serve_once(studio, fork_server).made == 1
    )  # the trailing bytes mean nothing to the product's own tasks


def test_stop_in_the_middle_of_a_picture_is_no_strike(studio: Studio, faulty: ForkServer) -> None:
    """Stopping in the middle of a picture puts it back to waiting, without a strike, within ten seconds."""
    _asleep(studio)
    began = 0.0
    with support.serving(studio, faulty):
        support.until(lambda: _is_working(studio), "the picture is being judged")
        began = time.monotonic()
    assert time.monotonic() - began < 10
    with closing(sqlite3.connect(studio.ledger)) as connection:
        rows = connection.execute("SELECT state, phase, strikes FROM arrivals").fetchall()
    assert rows == [("waiting", "claimed", 0)]


def test_thread_that_hangs_on_a_dead_share_does_not_keep_the_service(
    studio: Studio, fork_server: ForkServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Asked to stop while a thread hangs in the kernel, the process leaves at once, as if it had been killed:
    it would otherwise go on publishing after the lock is free. The next start finishes the picture.
    """
    left: list[int] = []
    go_on, hanging = threading.Event(), threading.Event()

    def hang(*_: object) -> None:
        hanging.set()
        go_on.wait(support.SOON_S)
        raise ChangedError

    def leave(code: int) -> None:
        left.append(code)
        go_on.set()

    def stop(running: Service) -> None:
        hanging.wait(support.SOON_S)
        running.stop()

    support.drop(studio, "card/Fog.tif", support.picture())
    monkeypatch.setattr(loop, "_STOP_S", 0.05)
    with monkeypatch.context() as patch, support.service(studio, fork_server, once=False) as running:
        patch.setattr(claim, "copy", hang)
        running._leave = leave
        stopper = threading.Thread(target=stop, args=(running,))
        stopper.start()
        running.run()
        stopper.join()
        support.until(lambda: not running._workers.let_go(0), "the thread came back")
    assert left == [0]
    assert support.serve_once(studio, fork_server).made == 1


def test_a_fork_server_that_dies_ends_the_service_and_blames_nobody(studio: Studio) -> None:
    """Without the process that children are forked from nothing can be read: exit 3 at once, every picture waits
    untouched without a strike, and the next start makes it.
    """
    _asleep(studio)
    with support.started(studio, "tests.running.faulty_worker") as process:
        support.until(lambda: _is_working(studio), "the picture is being judged")
        (fork_server_pid,) = support.children(process.pid)
        os.kill(fork_server_pid, signal.SIGKILL)
        support.drop(studio, "card/Second.tif", support.picture(2))
        assert process.wait(10) == 3
        assert process.stderr is not None
        assert "forked from has ended" in process.stderr.read()
    with closing(sqlite3.connect(studio.ledger)) as connection:
        rows = connection.execute("SELECT state FROM arrivals WHERE state NOT IN ('waiting', 'withdrawn')").fetchall()
    assert rows == []
    assert {"ready/card/Fog.tif", "ready/card/Second.tif"} == support.files(studio).keys()


def test_one_service_per_studio(studio: Studio) -> None:
    """The lock is the kernel's: taken twice in one studio it is refused, given up it is free at once."""
    os.makedirs(studio.state, exist_ok=True)
    first = StudioLock(studio)
    with pytest.raises(StudioError, match="already looks after"):
        StudioLock(studio)
    first.release()
    StudioLock(studio).release()


def test_once_by_the_real_command(studio: Studio) -> None:
    """`serve --once` with the product's own worker: codes 0, 1 and 3, and an answer for each picture in history."""
    support.drop(studio, "card/Fog.tif", support.picture())
    assert support.command(studio, "serve", "--once").returncode == 0
    support.drop(studio, "card/Small.tif", support.small_picture())
    assert support.command(studio, "serve", "--once").returncode == 1
    os.unlink(studio.path("profiles", "card.icc"))
    support.drop(studio, "card/Fog.tif", support.picture(2))
    assert support.command(studio, "serve", "--once").returncode == 3
    history = json.loads(support.command(studio, "history", "--json").stdout)
    assert [(entry["picture"], entry["verdict"]) for entry in history] == [
        ("card/Small.tif", "turned-back"), ("card/Fog.tif", "accepted")
    ]  # fmt: skip


def test_corrupt_ledger_is_set_aside_and_said(studio: Studio) -> None:
    """A damaged ledger is kept under another name; what stands in print/ is remembered, so nothing is made twice;
    the service, `status` and `doctor` say so.
    """
    support.drop(studio, "card/Fog.tif", support.picture())
    assert support.command(studio, "serve", "--once").returncode == 0
    made = support.files(studio, "print", "masters")
    damage = b"no database " * 1000
    with open(studio.ledger, "wb") as stream:
        stream.write(damage)
    for leftover in ("-wal", "-shm"):
        Path(studio.ledger + leftover).unlink(missing_ok=True)
    os.rename(
        studio.path("masters", "card", "Fog.tif"), studio.path("ready", "card", "Fog.tif")
    )  # as killed before it moved
    ended = support.command(studio, "serve", "--once")
    assert ended.returncode == 0
    assert "Traceback" not in ended.stderr
    assert "set aside" in ended.stderr
    assert support.files(studio, "print", "masters") == made
    kept = [name for name in os.listdir(studio.state) if Path(studio.private(name)).is_file()]
    assert [Path(studio.private(name)).read_bytes() for name in kept].count(damage) == 1
    for question in ("status", "doctor"):
        assert "ledger-set-aside-" in support.command(studio, question).stdout


def test_readers_are_not_blocked(studio: Studio, fork_server: ForkServer) -> None:
    """`status` and `history` answer while a write transaction is open."""
    support.drop(studio, "card/Fog.tif", support.picture())
    support.serve_once(studio, fork_server)
    with closing(sqlite3.connect(studio.ledger, isolation_level=None)) as writer:
        writer.execute("BEGIN IMMEDIATE")
        writer.execute("UPDATE arrivals SET says = 'half way'")
        assert support.status(studio)["counts"]["printable"] == 1
        assert [p.says for p in LedgerReader(studio.ledger).prints()] == [f"made: print/card/{support.SIZE}/Fog.tif"]
        writer.execute("ROLLBACK")
