"""Pictures that cannot be taken out of ready/: made once, kept in masters/ as a copy, and said; never a loop.

Read-only mounts and missing rights are real, in a user and mount namespace of its own (user_namespaces(7)): where the
tests run as root, a mode alone proves nothing.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from printqueue.sandbox import ForkServer
from printqueue.service import steps
from printqueue.studio.folders import Studio
from tests.running import support

pytestmark = pytest.mark.slow

_BIND = """
def close():
    subprocess.run(["mount", "--bind", ready, ready], check=True)
    subprocess.run(["mount", "-o", "remount,ro,bind", ready], check=True)
REASON = "Read-only file system"
"""
_TMPFS = """
def close():
    inside = {name: (Path(ready, name).read_bytes(), os.stat(os.path.join(ready, name))) for name in NAMES}
    subprocess.run(["mount", "-t", "tmpfs", "tmpfs", ready], check=True)
    os.mkdir(ready + "/card")
    for name, (data, seen) in inside.items():
        Path(ready, name).write_bytes(data)
        os.utime(os.path.join(ready, name), ns=(seen.st_mtime_ns, seen.st_mtime_ns))
    subprocess.run(["mount", "-o", "remount,ro", ready], check=True)
REASON = "Read-only file system"
"""
_MODE = """
def close():
    os.chmod(ready + "/card", 0o555)
REASON = "Permission denied"
"""
_WRITABLE_TMPFS = _TMPFS.replace(
    'subprocess.run(["mount", "-o", "remount,ro", ready], check=True)', "list(put_back(studio))  # its mark"
)

_BEGIN = """
import os, subprocess, sys
from pathlib import Path
from printqueue.core.disk import durable
from printqueue.ledger import LedgerReader
from printqueue.studio.folders import put_back
from tests.running import support
studio = support.new_studio(sys.argv[1])
ready = studio.path("ready")
NAMES = ["card/Fog.tif", "card/Fog.order.yaml", "card/Small.tif"]
MTIME_NS = 1_500_000_000_987_654_321
GOOD, SMALL, ORDER = support.picture(), support.small_picture(), b"copies: 2\\n"
for name, data in zip(NAMES, (GOOD, ORDER, SMALL)):
    support.drop(studio, name, data, mtime_ns=MTIME_NS)
durable._PAUSES_S = ()

def kept():
    files = support.files(studio)
    for name, data in (("masters/card/Fog.tif", GOOD), ("masters/card/Fog.order.yaml", ORDER), ("review/card/Small.tif", SMALL)):
        assert files[name] == support.sha256(data), name
        assert os.stat(studio.path(name)).st_mtime_ns == MTIME_NS, name
    hidden = [name for name in files if os.path.basename(name).startswith(".")]
    assert hidden == [] and support.spool(studio) == [], (hidden, support.spool(studio))
    assert len(support.prints(studio)) == 1 and len(support.files(studio, "print")) == 3, files
    assert len(support.files(studio, "review")) == 3 and len(support.files(studio, "masters")) == 2, files
    return files
"""
_STAYS = """
with support.fork_server_of("tests.running.quick_worker") as fork_server:
    close()
    tally = support.serve_once(studio, fork_server)
    assert (tally.made, tally.turned_back, tally.stuck, tally.deferred) == (1, 1, 0, 0), tally
    before = kept()
    assert len(support.files(studio, "ready")) == 3
    says = {a.path: a.says for a in LedgerReader(studio.ledger).prints()}
    for name in ("card/Fog.tif", "card/Small.tif"):
        assert f"ready/{name} could not be taken away ({REASON}): please remove it" in says[name], says
    for _ in range(2):
        tally = support.serve_once(studio, fork_server)
        assert (tally.made, tally.turned_back, tally.stuck, tally.deferred) == (0, 0, 0, 0), tally
        assert support.files(studio) == before
    standing = {one["file"]: one["why"] for one in support.status(studio)["passed_over"]}
    assert all("please remove" in standing[name] for name in ("card/Fog.tif", "card/Small.tif")), standing
print("got over it")
"""
_LEAVES = """
with support.fork_server_of("tests.running.quick_worker") as fork_server:
    close()
    tally = support.serve_once(studio, fork_server)
    assert (tally.made, tally.turned_back, tally.stuck, tally.deferred) == (1, 1, 0, 0), tally
    kept()
    assert support.files(studio, "ready") == {}
    assert not [r for r in LedgerReader(studio.ledger).prints() if "remove" in r.says]
print("got over it")
"""
_RENUMBERED = """
FIVE = [f"card/Fog {n}.tif" for n in range(5)]
UNLIKE = support.tiff(support.pixels(20), compression=None, predictor=None)
LIKE = [support.tiff(support.pixels(n), compression=None, predictor=None) for n in range(5)]

def mount(pictures, before, mtime_ns=MTIME_NS):
    # A file system made anew, whose files have other inode numbers: `before` takes up the first ones.
    subprocess.run(["mount", "-t", "tmpfs", "tmpfs", ready], check=True)
    for n in range(before):
        Path(ready, f".used {n}").write_bytes(b"")
    os.makedirs(ready + "/card")
    for name, data in zip(FIVE, pictures):
        Path(ready, name).write_bytes(data)
        os.utime(os.path.join(ready, name), ns=(mtime_ns, mtime_ns))
    numbers = [os.stat(os.path.join(ready, name)).st_ino for name in FIVE]
    subprocess.run(["mount", "-o", "remount,ro", ready], check=True)
    return numbers

def remount(*what):
    subprocess.run(["umount", ready], check=True)
    return mount(*what)

for name in NAMES:
    os.unlink(os.path.join(ready, name))
with support.fork_server_of("tests.running.quick_worker") as fork_server:
    first = mount(LIKE, 0)
    assert support.serve_once(studio, fork_server).made == 5
    before = support.files(studio, "print", "masters")
    second = remount(LIKE, 17)
    assert not set(first) & set(second), (first, second)
    for _ in range(2):
        tally = support.serve_once(studio, fork_server)
        assert (tally.made, tally.turned_back, tally.stuck, tally.deferred) == (0, 0, 0, 0), tally
        assert support.files(studio, "print", "masters") == before
        standing = {one["file"]: one["why"] for one in support.status(studio)["passed_over"]}
        assert all("please remove" in standing[name] for name in FIVE), standing
    # Out of an archive that keeps whole seconds.
    remount(LIKE, 29, MTIME_NS // 10**9 * 10**9)
    for _ in range(2):
        tally = support.serve_once(studio, fork_server)
        assert (tally.made, tally.turned_back, tally.stuck, tally.deferred) == (0, 0, 0, 0), tally
    assert support.files(studio, "print", "masters") == before
    # One of them has other bytes of the same length and time: that one is printed.
    remount([*LIKE[:4], UNLIKE], 40)
    assert support.serve_once(studio, fork_server).made == 1
    assert support.files(studio, "masters")["masters/card/Fog 4 (2).tif"] == support.sha256(UNLIKE)
    # And rewritten under the very same number: only the time of its attributes tells.
    subprocess.run(["mount", "-o", "remount,rw", ready], check=True)
    with open(os.path.join(ready, FIVE[0]), "r+b") as stream:
        stream.write(UNLIKE)
    os.utime(os.path.join(ready, FIVE[0]), ns=(MTIME_NS, MTIME_NS))
    subprocess.run(["mount", "-o", "remount,ro", ready], check=True)
    assert support.serve_once(studio, fork_server).made == 1
    assert support.files(studio, "masters")["masters/card/Fog 0 (2).tif"] == support.sha256(UNLIKE)
print("got over it")
"""
_WITHOUT_RIGHTS = ["setpriv", "--bounding-set=-all", "--inh-caps=-all"]


def _run(tmp_path: Path, script: str, *between: str) -> None:
    for tool in ("unshare", *between[:1]):
        if shutil.which(tool) is None:
            support.missing(tool)
    if subprocess.run(["unshare", "-Urm", "true"], capture_output=True, check=False).returncode:
        support.missing("a kernel that permits user namespaces")
    command = ["unshare", "-Urm", *between, sys.executable, "-c", script, str(tmp_path / "studio")]
    environment = os.environ | {"PYTHONPATH": str(support.ROOT)}
    ended = subprocess.run(command, capture_output=True, text=True, env=environment, timeout=60, check=False)
    assert ended.stdout.strip() == "got over it", ended.stderr


@pytest.mark.parametrize(
    ("closing", "between"),
    [(_BIND, []), (_TMPFS, []), (_MODE, _WITHOUT_RIGHTS)],
    ids=["read-only bind mount", "read-only file system", "no right to the folder"],
)
def test_ready_that_cannot_be_emptied(tmp_path: Path, closing: str, between: list[str]) -> None:
    """Each picture is made or turned back once, its original is kept as a copy with hash and time, and status asks for
    it to be removed; starting again takes none of them a second time.
    """
    _run(tmp_path, _BEGIN + closing + _STAYS, *between)


def test_ready_on_a_file_system_of_its_own(tmp_path: Path) -> None:
    """Where ready/ can be written but not renamed out of, originals come to their places all the same, and leave it."""
    _run(tmp_path, _BEGIN + _WRITABLE_TMPFS + _LEAVES)


def test_ready_that_comes_back_with_other_numbers(tmp_path: Path) -> None:
    """Five pictures of a read-only ready/ that is mounted anew are not printed again, nor with their times cut to the
    second; one with other bytes is, also where size, time and number are the same.
    """
    _run(tmp_path, _BEGIN + _RENUMBERED)


SWAPS = [
    ("spooled", "ready/card"),
    ("spooled", "print/card"),
    ("rendered", "print/card"),
    ("rendered", "masters/card"),
    ("intent-written", "print"),
    ("intent-written", "print/card"),
    ("print-published", "print/card"),
    ("published-written", "masters/card"),
    ("published-written", "ready/card"),
]


@pytest.mark.parametrize(("step", "swapped"), SWAPS)
def test_folder_swapped_while_a_picture_is_in_hand(
    studio: Studio, fork_server: ForkServer, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, step: str, swapped: str
) -> None:
    """Swapped for a link at any step: nothing comes into what the link leads to, no picture is blamed, and when the
    true folder is back the end is the undisturbed one.
    """
    outside = tmp_path / "outside"
    outside.mkdir()
    for folder in ("print/card", "masters/card"):
        os.makedirs(studio.path(folder))
    support.drop(studio, "card/Fog.tif", support.picture())
    place, away = studio.path(swapped), str(tmp_path / "away")

    def reached(name: str) -> None:
        if name == step:
            os.rename(place, away)
            os.symlink(outside, place)

    with monkeypatch.context() as patch:
        patch.setattr(steps, "reached", reached)
        tally = support.serve_once(studio, fork_server)
    assert (tally.turned_back, tally.stuck) == (0, 0)
    assert os.listdir(outside) == []
    os.unlink(place)
    os.rename(away, place)
    support.serve_once(studio, fork_server)
    files = support.files(studio)
    assert sorted(files) == [
        "masters/card/Fog.tif",
        f"print/card/{support.SIZE}/Fog.print.txt",
        f"print/card/{support.SIZE}/Fog.proof.jpg",
        f"print/card/{support.SIZE}/Fog.tif",
    ]
    assert files["masters/card/Fog.tif"] == support.sha256(support.picture())
    assert support.spool(studio) == []
