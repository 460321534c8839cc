"""What fails for a moment, or stands where it should not: one bad look is no proof, and nothing is made twice for it."""

from __future__ import annotations

import errno
import os
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from printqueue.core.disk import folders
from printqueue.core.errors import PrintqueueError
from printqueue.core.model.job import State
from printqueue.sandbox import ForkServer
from printqueue.service import steps, waiting
from printqueue.service.intake import scan
from printqueue.service.starting import running_service
from printqueue.studio.folders import Studio, open_studio
from tests.running import support

pytestmark = pytest.mark.slow

Patch = pytest.MonkeyPatch


def at_step(patch: Patch, wanted: str, do: Callable[[], object]) -> None:
    """Do something once, when a step is reached."""
    done: list[bool] = []

    def reached(step: str) -> None:
        if step == wanted and not done:
            done.append(True)
            do()

    patch.setattr(steps, "reached", reached)


def share(tmp_path: Path) -> Studio:
    """A studio whose record is elsewhere, as on a share."""
    return support.new_studio(tmp_path / "share", support.SETTINGS + f"state: {tmp_path / 'state'}\n")


def unmount(studio: Studio) -> None:
    """The share goes; its mount point is an empty folder."""
    os.rename(studio.root, studio.root + "-away")
    os.mkdir(studio.root)


def mount(studio: Studio) -> list[str]:
    """Put it back; what was written beneath the bare mount point."""
    beneath = sorted(str(p.relative_to(studio.root)) for p in Path(studio.root).rglob("*"))
    shutil.rmtree(studio.root)
    os.rename(studio.root + "-away", studio.root)
    return beneath


@pytest.mark.parametrize(
    "step",
    [
        "row-written",
        "spooled",
        "judged",
        "temp-made",
        "rendered",
        "intent-written",
        "folders-synced",
        "published-written",
    ],
)
def test_share_goes_at_a_step(tmp_path: Path, fork_server: ForkServer, monkeypatch: Patch, step: str) -> None:
    """A share that goes at any step: nothing is written beneath its mount point, and there is one print in the end."""
    studio = share(tmp_path)
    support.drop(studio, "card/Fog.tif", support.picture())
    monkeypatch.setattr(waiting, "_BACK_OFF_S", (0.0,))
    with monkeypatch.context() as patch:
        at_step(patch, step, lambda: unmount(studio))
        support.serve_once(studio, fork_server)
    beneath = mount(studio)
    support.serve_once(studio, fork_server)
    assert support.prints(studio) == ["card/60x50 mm/Fog.tif"]
    assert beneath == []


def test_stuck_picture_in_a_folder_that_cannot_be_read_for_a_moment(
    tmp_path: Path, fork_server: ForkServer, monkeypatch: Patch
) -> None:
    """What is parked stays parked when its folder could not be listed once."""
    studio = support.new_studio(tmp_path / "studio")
    support.drop(studio, "card/Fog.tif", support.picture())
    seen = scan.sweep(studio.path("ready")).pictures[0]
    with support.service(studio, fork_server) as one:
        arrival = one.context.ledger.claim(seen.path, seen.stamp)
        one.context.ledger.settle(arrival.id, State.STUCK, "it ended its child twice", strike=True)
    real = folders.open_folder
    failed = list[str]()

    def open_folder(path: str, *flags: int) -> int:
        if path.rstrip("/").endswith("ready/card"):
            failed.append(path)
            raise OSError(errno.EIO, os.strerror(errno.EIO), path)
        return real(path, *flags)

    with monkeypatch.context() as patch:
        patch.setattr(folders, "open_folder", open_folder)
        support.serve_once(studio, fork_server)
    assert failed
    support.serve_once(studio, fork_server)
    assert support.prints(studio) == []
    with support.service(studio, fork_server) as one:
        assert one.context.ledger.arrival(arrival.id).state is State.STUCK


@pytest.mark.parametrize("where", ["ready", "ready/card", "print", "review/x", "masters", "rules"])
def test_state_among_the_pictures(tmp_path: Path, where: str) -> None:
    """A private folder inside a folder of the photographer's is refused before anything is made in it."""
    studio = support.new_studio(tmp_path / "studio", support.SETTINGS + f"state: {where}\n")
    before = support.files(studio)
    with pytest.raises(PrintqueueError), running_service(open_studio(studio.root), once=True, watch=False) as service:
        service.run()
    assert support.files(studio) == before


def test_read_only_ready_and_a_lost_ledger(tmp_path: Path, fork_server: ForkServer, monkeypatch: Patch) -> None:
    """Where originals cannot leave ready/, a lost ledger makes no second print of each."""
    from printqueue.core.disk import durable

    studio = support.new_studio(tmp_path / "studio")
    support.drop(studio, "card/Fog.tif", support.picture())
    real = durable.rename_no_clobber

    def rename(source: str, target: str) -> None:
        if "/ready/" in source:
            raise OSError(errno.EROFS, os.strerror(errno.EROFS), source)
        real(source, target)

    monkeypatch.setattr(durable, "rename_no_clobber", rename)
    monkeypatch.setattr(os, "access", lambda path, mode: "/ready" not in str(path))
    support.serve_once(studio, fork_server)
    support.serve_once(studio, fork_server)
    assert support.prints(studio) == ["card/60x50 mm/Fog.tif"]
    for path in Path(studio.state).glob("ledger.sqlite*"):
        path.unlink()
    support.serve_once(studio, fork_server)
    assert support.prints(studio) == ["card/60x50 mm/Fog.tif"]


def test_review_that_cannot_be_looked_at_for_a_moment(
    tmp_path: Path, fork_server: ForkServer, monkeypatch: Patch
) -> None:
    """A picture in review/ keeps its reason when one look at it fails."""
    studio = support.new_studio(tmp_path / "studio")
    support.drop(studio, "card/Small.tif", support.small_picture())
    support.serve_once(studio, fork_server)
    before = support.files(studio, "review")
    assert len(before) == 3
    real, failed = os.lstat, list[int]()

    def lstat(path: Any, **named: Any) -> os.stat_result:
        if str(path).endswith("review/card/Small.tif") and not failed:
            failed.append(1)
            raise OSError(errno.EIO, os.strerror(errno.EIO), path)
        return real(path, **named)

    with monkeypatch.context() as patch:
        patch.setattr(os, "lstat", lstat)
        support.serve_once(studio, fork_server)
    assert support.files(studio, "review") == before


def test_stop_while_prints_are_remembered(tmp_path: Path, fork_server: ForkServer, monkeypatch: Patch) -> None:
    """Asked to stop, the service does not first hash all of masters/ (a new ledger over a large studio)."""
    from printqueue.core.disk import durable

    studio = support.new_studio(tmp_path / "studio")
    for n in range(8):
        support.drop(studio, f"card/{n}.tif", support.picture(n + 1))
    support.serve_once(studio, fork_server)
    for path in Path(studio.state).glob("ledger.sqlite*"):
        path.unlink()
    hashed: list[str] = []
    real = durable.sha256
    with support.service(studio, fork_server) as service:

        def sha256(path: str) -> str | None:
            hashed.append(path)
            service.stop()
            return real(path)

        monkeypatch.setattr(durable, "sha256", sha256)
        service.run()
    assert len(hashed) <= 2
