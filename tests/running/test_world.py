"""The machine's faults: full disk, lost share, failing fsync. They wait, blame no picture, and end as if nothing had been."""

from __future__ import annotations

import errno
import os
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from printqueue.core.disk import durable
from printqueue.core.errors import WorldError
from printqueue.ledger import LedgerReader
from printqueue.sandbox import ForkServer
from printqueue.service import steps, waiting
from printqueue.service.intake import claim
from printqueue.studio.folders import Studio
from tests.running import support

pytestmark = pytest.mark.slow

Patch = pytest.MonkeyPatch


def _fill(studio: Studio) -> None:
    support.drop(studio, "card/Fog.tif", support.picture())
    support.drop(studio, "card/Fog.order.yaml", b"copies: 2\n")


@pytest.fixture(scope="module")
def undisturbed(tmp_path_factory: pytest.TempPathFactory, fork_server: ForkServer) -> dict[str, str]:
    """Names and hashes after a run in a world without faults."""
    studio = support.new_studio(tmp_path_factory.mktemp("world") / "studio")
    _fill(studio)
    support.serve_once(studio, fork_server)
    return support.files(studio)


def _failing(patch: Patch, module: Any, name: str, number: int, code: int = errno.ENOSPC) -> list[int]:
    """The `number`-th call of a function fails with `code`; returns a list that tells how often it was called."""
    real, calls = getattr(module, name), [0]

    def call(*values: Any, **named: Any) -> Any:
        calls[0] += 1
        if calls[0] == number:
            raise OSError(code, os.strerror(code))
        return real(*values, **named)

    patch.setattr(module, name, call)
    return calls


FAULTS = [
    (claim, "_pour", 1),
    *((durable, "write_temp", n) for n in (1, 2)),
    *((durable, "create", n) for n in (1, 2, 3, 4)),
    *((durable, "make_folder", n) for n in (1, 3)),
    *((durable, "sync", n) for n in (1, 2)),
    *((durable, "sync_folder", n) for n in range(1, 8)),
    *((durable, "rename_no_clobber", n) for n in (1, 2, 3, 4)),
]


# Restarted at every one of them; in a service that runs on, at the first of each kind.
BOTH = [(*fault, True) for fault in FAULTS] + [(*fault, False) for fault in FAULTS if fault[2] in (1, 3)]


@pytest.mark.parametrize(
    ("module", "name", "number", "restart"),
    BOTH,
    ids=[f"{name}-{number}-{'restarted' if restart else 'running on'}" for _, name, number, restart in BOTH],
)
def test_disk_fault_is_waited_for(
    studio: Studio,
    fork_server: ForkServer,
    undisturbed: dict[str, str],
    monkeypatch: Patch,
    module: Any,
    name: str,
    number: int,
    restart: bool,
) -> None:
    """A full disk at any single call blames no picture, loses nothing, makes no second print, and is got over."""
    _fill(studio)
    monkeypatch.setattr(waiting, "_BACK_OFF_S", (0.0,))
    with monkeypatch.context() as patch:
        calls = _failing(patch, module, name, number)
        if restart:
            tally = support.serve_once(studio, fork_server)
            assert calls[0] >= number, "the call never came"
            assert (tally.turned_back, tally.stuck) == (0, 0)
            assert "review/" not in "".join(support.files(studio))
        else:
            with support.serving(studio, fork_server):
                support.until(lambda: support.status(studio)["counts"]["printable"], "the print is made")
    if restart:
        support.serve_once(studio, fork_server)
    assert support.files(studio) == undisturbed
    assert support.spool(studio) == []
    assert [p.state for p in LedgerReader(studio.ledger).prints()] == ["printable"]


def test_waiting_for_the_disk_is_said(studio: Studio, fork_server: ForkServer, monkeypatch: Patch) -> None:
    """While the disk is full, status says so beside the picture, and what to do."""
    _fill(studio)
    with monkeypatch.context() as patch:
        _failing(patch, claim, "_pour", 1)
        assert support.serve_once(studio, fork_server).deferred == 1
    (job,) = support.status(studio)["jobs"]
    assert job["state"] == "waiting"
    assert "disk is full" in job["says"]


def test_half_published_is_said_while_it_waits(studio: Studio, fork_server: ForkServer, monkeypatch: Patch) -> None:
    """A publication that the disk stopped stays `working` with why, and its picture is not offered again meanwhile."""
    _fill(studio)
    with monkeypatch.context() as patch:
        _failing(patch, durable, "rename_no_clobber", 5, errno.EIO)  # thumbnail, proof, note, print; the picture
        assert support.serve_once(studio, fork_server).deferred == 1
    assert support.status(studio)["counts"]["working"] == 1
    (record,) = LedgerReader(studio.ledger).prints()
    assert "Input/output error" in record.says
    assert len(support.prints(studio)) == 1


def test_name_taken_in_masters_after_the_intent(studio: Studio, fork_server: ForkServer, monkeypatch: Patch) -> None:
    """Somebody's file under the master's name, come after the print: it stays, the master gets the next number."""
    _fill(studio)

    def reached(step: str) -> None:
        if step == "print-published":
            Path(studio.path("masters", "card", "Fog.tif")).write_bytes(b"mine")

    monkeypatch.setattr(steps, "reached", reached)
    assert support.serve_once(studio, fork_server).made == 1
    assert Path(studio.path("masters", "card", "Fog.tif")).read_bytes() == b"mine"
    assert support.files(studio)["masters/card/Fog (2).tif"] == support.sha256(support.picture())
    assert len(support.prints(studio)) == 1


def test_missing_marker_at_start(studio: Studio, fork_server: ForkServer) -> None:
    """Without its marker the studio is taken for not mounted: `--once` ends with the fault, nothing is written."""
    _fill(studio)
    support.serve_once(studio, fork_server)
    support.drop(studio, "card/Slipway.tif", support.picture(2))
    os.rename(studio.private("studio"), studio.private("away"))
    before = support.files(studio)
    with pytest.raises(WorldError, match="marker"):
        support.serve_once(studio, fork_server)
    assert support.files(studio) == before


def _hidden(studio: Studio) -> list[str]:
    return [name for name in support.files(studio, "print") if os.path.basename(name).startswith(".")]


def test_marker_that_goes_and_comes(studio: Studio, fork_server: ForkServer, monkeypatch: Patch) -> None:
    """A share that goes while the service runs: nothing is written or taken for gone; when it is back, work goes on."""
    with support.serving(studio, fork_server) as running:
        support.until(lambda: support.status(studio)["last_scan"], "a first look")
        os.rename(studio.private("studio"), studio.private("away"))
        support.drop(studio, "card/Fog.tif", support.picture())
        support.until(lambda: any("marker" in said for said in support.problems(studio)), "the loss is said")
        assert support.files(studio).keys() == {"ready/card/Fog.tif"}
        Path(
            studio.path("print", f"{durable.TEMP_PREFIX}99-1-0.tif")
        ).touch()  # as left by an attempt when the share went
        os.rename(studio.private("away"), studio.private("studio"))
        support.until(lambda: support.prints(studio), "the print is made")
        support.until(lambda: not _hidden(studio), "what was left hidden is removed")
        support.until(lambda: not support.problems(studio), "nothing more is said")
    assert running.tally.deferred == 0


def test_marker_lost_before_publication(studio: Studio, fork_server: ForkServer, monkeypatch: Patch) -> None:
    """A share that goes between rendering and publication: nothing appears, and the picture waits."""
    _fill(studio)

    def reached(step: str) -> None:
        if step == "intent-written":
            os.rename(studio.private("studio"), studio.private("away"))

    monkeypatch.setattr(steps, "reached", reached)
    support.serve_once(studio, fork_server)
    monkeypatch.undo()
    visible = [name for name in support.files(studio) if not os.path.basename(name).startswith(".")]
    assert sorted(visible) == ["ready/card/Fog.order.yaml", "ready/card/Fog.tif"]
    os.rename(studio.private("away"), studio.private("studio"))
    support.serve_once(studio, fork_server)
    assert len(support.prints(studio)) == 1


def test_review_that_cannot_be_written_does_not_end_the_service(
    studio: Studio, fork_server: ForkServer, monkeypatch: Patch
) -> None:
    """A read-only review folder while an unknown folder is answered: said, waited for, and got over."""
    support.drop(studio, "cart/Fog.tif", support.picture())
    monkeypatch.setattr(durable, "write_temp", _read_only)
    with support.serving(studio, fork_server):
        support.until(lambda: any("read-only" in said for said in support.problems(studio)), "the fault is said")
        monkeypatch.undo()
        support.until(lambda: support.files(studio, "review"), "the folder is answered")


def _read_only(path: str, data: bytes) -> str:
    with durable.world("Writing", path):
        raise OSError(errno.EROFS, os.strerror(errno.EROFS))


def test_missing_profile_of_a_paper_waits(studio: Studio, fork_server: ForkServer) -> None:
    """A paper's profile that is gone is no picture's fault: it waits, says which file, and goes on when it is back."""
    os.rename(studio.path("profiles", "card.icc"), studio.path("profiles", "away.icc"))
    _fill(studio)
    assert support.serve_once(studio, fork_server).deferred == 1
    (job,) = support.status(studio)["jobs"]
    assert job["state"] == "waiting"
    assert "card.icc" in job["says"]
    os.rename(studio.path("profiles", "away.icc"), studio.path("profiles", "card.icc"))
    assert support.serve_once(studio, fork_server).made == 1


_SMALL_DISK = """
import os, subprocess, sys
root, size = sys.argv[1], sys.argv[2]
subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={size}", "tmpfs", root], check=True)
from pathlib import Path
from printqueue.sandbox import ForkServer
from tests.running import support
studio = support.new_studio(root + "/studio")
support.drop(studio, "card/Fog.tif", support.picture(1, width=300, height=200))
fill = Path(root, "fill")
with open(fill, "wb", buffering=0) as stream:
    try:
        while stream.write(bytes(4096)): pass
    except OSError: pass
with open(fill, "r+b") as stream:
    stream.truncate(os.path.getsize(fill) - int(sys.argv[3]))
with support.fork_server_of("tests.running.quick_worker") as fork_server:
    tally = support.serve_once(studio, fork_server)
    assert (tally.made, tally.turned_back, tally.stuck, tally.deferred) == (0, 0, 0, 1), tally
    visible = [n for n in support.files(studio) if not os.path.basename(n).startswith(".")]
    assert visible == ["ready/card/Fog.tif"], visible
    (job,) = support.status(studio)["jobs"]
    assert job["state"] == "waiting" and "space" in job["says"].lower(), job
    fill.unlink()
    tally = support.serve_once(studio, fork_server)
    assert tally.made == 1, tally
    assert support.files(studio)["masters/card/Fog.tif"] == support.sha256(support.picture(1, width=300, height=200))
    assert support.spool(studio) == []
print("got over it")
"""


@pytest.mark.parametrize("room", [300_000, 500_000], ids=["no room for the copy", "no room for the print"])
def test_disk_that_is_really_full(tmp_path: Path, room: int) -> None:
    """On a file system that is really full the picture waits, and is made as soon as there is room."""
    command = ["unshare", "-Urm", sys.executable, "-c", _SMALL_DISK, str(tmp_path), "4m", str(room)]
    if shutil.which("unshare") is None:
        support.missing("unshare")
    if subprocess.run(["unshare", "-Urm", "true"], capture_output=True, check=False).returncode:
        pytest.skip("this kernel does not permit user namespaces")
    environment = os.environ | {"PYTHONPATH": str(support.ROOT)}
    ended = subprocess.run(command, capture_output=True, text=True, env=environment, timeout=60, check=False)
    assert ended.stdout.strip() == "got over it", ended.stderr
