"""The fault programs of `tests/faults` with small numbers: what CI runs of them. The long runs stand in its README."""

from __future__ import annotations

import signal
import subprocess
import sys
from pathlib import Path

import pytest

from printqueue.ledger import LedgerReader, open_ledger
from tests.faults import namespaces, points
from tests.running import support

pytestmark = pytest.mark.slow
LONGEST_S = 120
OPENING = """
import sys
from printqueue.ledger import open_ledger
open_ledger(sys.argv[1], lambda: "2026-11-25T06:00:00Z", lambda _: True).close()
"""


def passes(program: str, *arguments: str) -> str:
    """What a fault program printed; fails with it unless the program ended with 0.

    In a process of its own, since these programs fork services from themselves.
    """
    line = [sys.executable, "-m", f"tests.faults.{program}", *arguments]
    done = subprocess.run(line, cwd=support.ROOT, capture_output=True, text=True, timeout=LONGEST_S, check=False)
    assert done.returncode == 0, f"{done.stdout[-6000:]}\n{done.stderr[-3000:]}"
    assert "nothing wrong" in done.stdout
    return done.stdout


@pytest.fixture
def strace() -> None:
    """Skips, or in CI fails, where strace cannot be used."""
    if points.usable() is not None:
        support.missing("strace")


@pytest.fixture
def unshare() -> None:
    """Skips, or in CI fails, where no user namespace can be had."""
    if namespaces.usable() is not None:
        support.missing("unshare -Urm")


@pytest.mark.usefixtures("strace")
def test_kills_and_errors_at_system_calls() -> None:
    """A kill, or an error of disk or share, at any of over a hundred system calls of a job leaves the undisturbed end."""
    printed = passes("error_syscalls", "--points", "8", "--kills", "12")
    assert int(printed.split(maxsplit=1)[0]) > 100


def test_orphans_and_twins() -> None:
    """Children that outlive a killed service change nothing, and a second service on one studio refuses."""
    passes("orphans", "--quick")


@pytest.mark.usefixtures("unshare")
@pytest.mark.parametrize("name", namespaces.CASES)
def test_world_fails_and_comes_back(name: str) -> None:
    """Disk full, read-only or share gone: a running service blames no picture and resumes by itself."""
    _, problems = namespaces.outside([name], "poll")
    assert not problems, "\n".join(problems)


def test_random_kills() -> None:
    """Killed at random again and again, every one of 30 pictures has its one right outcome and stands in one place."""
    passes("random_kills", "--quick", "--kills", "12", "--seed", "2")


@pytest.mark.usefixtures("strace")
def test_ledger_lost() -> None:
    """With the ledger deleted after any rename of a job, nothing is lost and nothing is printed a second time."""
    passes("ledger_lost", "--quick")


@pytest.mark.usefixtures("strace")
@pytest.mark.parametrize(("call", "number"), [*(("fdatasync", n) for n in range(1, 6)), ("unlink", 1)])
def test_killed_while_the_ledger_is_made(tmp_path: Path, call: str, number: int) -> None:
    """Before the ledger is in its lasting mode, too: a reader is answered, and the next start opens it."""
    path = str(tmp_path / "ledger.sqlite")
    kill = ["strace", "-f", "-qq", "-o", "/dev/null", "-e", f"inject={call}:signal=KILL:when={number}"]
    for part in ("", "-journal", "-wal", "-shm"):
        kill += ["-P", path + part]
    killed = subprocess.run(
        [*kill, sys.executable, "-c", OPENING, path], cwd=support.ROOT, timeout=LONGEST_S, check=False
    )
    assert killed.returncode == -signal.SIGKILL
    assert LedgerReader(path).prints() == []
    open_ledger(path, lambda: "2026-11-25T06:00:00Z", lambda _: True).close()
    assert LedgerReader(path).damage() == []


def test_stopped_service_misses_no_file() -> None:
    """Files that come while the service is stopped are all made once it goes on."""
    passes("overflow", "--files", "40")
