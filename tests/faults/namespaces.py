"""Disk full, read-only, share gone, under a service that goes on running: `python -m tests.faults.namespaces`.

Everything happens in an unprivileged user and mount namespace (`unshare -Urm`), on file systems of its own in memory,
so that it is real and harms nobody, root or not. The service must say what is wrong, blame no picture, and resume by
itself. Each case is one run of this program inside such a namespace.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from printqueue.core.disk import room
from printqueue.service import waiting
from printqueue.studio.folders import Studio, open_studio, put_back
from tests.faults import kit
from tests.faults.kit import Gate, Served
from tests.running import support

NAME, SECOND = "card/Fog.tif", "card/Salt marsh.tif"
_QUICK_S = 0.15
_SETTINGS = "settle: 0 s\nscan: 0.2 s\nwatch: {watch}\nworkers: 1\n"


# -- disks in memory --------------------------------------------------------------


def _run(*line: str) -> None:
    subprocess.run(line, check=True, capture_output=True, text=True)


def _mount(path: Path, size: str) -> Path:
    path.mkdir(parents=True, exist_ok=True)
    _run("mount", "-t", "tmpfs", "-o", f"size={size}", "tmpfs", str(path))
    return path


@contextmanager
def _filled(folder: Path) -> Iterator[None]:
    """No byte and no block is left on the disk of `folder`."""
    filler = folder / ".filler"
    with filler.open("wb", buffering=0) as stream:
        for size in (1 << 20, 4096, 1):
            try:
                while True:
                    stream.write(b"\1" * size)
            except OSError:
                continue
    try:
        yield
    finally:
        filler.unlink()


def _impatient() -> None:
    """Short pauses between tries, and no reserve: these disks are small."""
    waiting._BACK_OFF_S = (_QUICK_S,) * 4
    room.RESERVE_BYTES = 0


@contextmanager
def _service(studio: Studio, gate: Gate | None = None) -> Iterator[Served]:
    served = kit.begin(studio, gate=gate, first=_impatient)
    try:
        _until(lambda: "looking after" in served.said(), served)
        yield served
    finally:
        served.close()


def _until(true: Callable[[], object], served: Served) -> None:
    """Wait; a service that ends meanwhile has failed."""
    end = time.monotonic() + support.SOON_S
    while not true():
        assert not served.ended(), f"the service ended with {served.code}: {served.said()}"
        assert time.monotonic() < end, f"it never happened: {served.said()[-1500:]}"
        time.sleep(0.02)


def _made(studio: Studio, *names: str) -> bool:
    files = support.files(studio, "masters", "print")
    return all(f"masters/{name}" in files for name in names)


def _check_end(studio: Studio, served: Served, *names: str) -> None:
    """All made, each once; nothing blamed, nothing left once it was started again (which clears the hidden temps)."""
    _until(lambda: _made(studio, *names), served)
    assert served.stop() == 0, served.said()
    assert kit.serve(studio) == 0, served.said()
    files = support.files(studio)
    prints = [name for name in files if name.startswith("print/") and name.endswith(".tif")]
    assert len(prints) == len(names), prints
    blamed = [name for name in files if name.startswith(("review/", "ready/")) or "/." in name]
    assert not blamed, blamed
    assert not support.spool(studio)
    counts = {name: many for name, many in support.status(studio)["counts"].items() if many}
    assert counts == {"printable": len(names)}, counts


def _drop(studio: Studio, name: str, seed: int) -> None:
    support.drop(studio, name, support.picture(seed), mtime_ns=kit.MTIME_NS)


def _said(served: Served, words: str, since: int) -> bool:
    return words in served.said()[since:]


# -- the cases ----------------------------------------------------------------------


def print_disk_full(folder: Path, watch: str) -> str:
    """print/ is a disk of its own: full before anything begins, then it has room again."""
    studio = support.new_studio(folder / "studio", _SETTINGS.format(watch=watch))
    disk = _mount(Path(studio.path("print")), "4m")
    list(put_back(studio))  # its mark
    with _service(studio) as served:
        with _filled(disk):
            since = len(served.said())
            _drop(studio, NAME, 1)
            _until(lambda: _said(served, "The disk", since), served)
            assert not support.prints(studio)
        _check_end(studio, served, NAME)
    return "said so, resumed by itself"


def print_disk_fills_up(folder: Path, watch: str) -> str:
    """The same disk is filled up by somebody else just when the print is to be written."""
    studio = support.new_studio(folder / "studio", _SETTINGS.format(watch=watch))
    disk = _mount(Path(studio.path("print")), "4m")
    list(put_back(studio))  # its mark
    with _service(studio, "render") as served:
        _drop(studio, NAME, 1)
        _until(lambda: served.comes(0), served)
        with _filled(disk):
            since = len(served.said())
            served.go()
            _until(lambda: _said(served, "No space left", since) or _said(served, "The disk", since), served)
            assert not support.prints(studio)
        _until(lambda: _made(studio, NAME) or _passes(served), served)
        _check_end(studio, served, NAME)
    return "deferred while it was written, resumed by itself"


def _passes(served: Served) -> bool:
    """Let the next child through; never true itself."""
    if served.comes(0) is not None:
        served.go()
    return False


def state_disk_full(folder: Path, watch: str) -> str:
    """Ledger and spool lie on a full disk while a picture comes."""
    state = _mount(folder / "state", "8m")
    studio = support.new_studio(folder / "studio", _SETTINGS.format(watch=watch) + f"state: {state}\n")
    with _service(studio) as served:
        _drop(studio, SECOND, 2)
        _until(lambda: _made(studio, SECOND), served)
        with _filled(state):
            since = len(served.said())
            _drop(studio, NAME, 1)
            _until(lambda: len(served.said()) > since, served)
            time.sleep(4 * _QUICK_S)  # several tries
            assert not served.ended(), served.said()
            said = served.said()[since:]
        _check_end(studio, served, NAME, SECOND)
    return "went on; said: " + said.strip().splitlines()[-1][:100]


def read_only(folder: Path, watch: str) -> str:
    """The studio's disk turns read-only, as after an error, and back."""
    share = _mount(folder / "studio", "16m")
    studio = support.new_studio(share, _SETTINGS.format(watch=watch) + f"state: {folder / 'state'}\n")
    with _service(studio) as served:
        _drop(studio, NAME, 1)
        _until(lambda: _made(studio, NAME), served)
        _drop(studio, ".aside.tif", 2)
        os.rename(studio.path("ready", ".aside.tif"), studio.path("ready", SECOND))
        _remount(share, "ro")
        since = len(served.said())
        _until(lambda: _made(studio, SECOND) or _said(served, "ead-only", since), served)
        time.sleep(2 * _QUICK_S)
        _remount(share, "rw")
        _check_end(studio, served, NAME, SECOND)
    return "resumed by itself"


def _remount(path: Path, how: str) -> None:
    """Refused while a file is being written there, so a few times."""
    for _ in range(100):
        done = subprocess.run(["mount", "-o", f"remount,{how}", str(path)], capture_output=True, check=False)
        if done.returncode == 0:
            return
        time.sleep(0.02)
    raise AssertionError(f"remount {how}: {done.stderr.decode()}")


def share_gone(folder: Path, watch: str) -> str:
    """The share is unmounted, the bare mount point stands there, and it comes back; pictures wait in it meanwhile."""
    share, point = _mount(folder / "share", "16m"), folder / "studio"
    point.mkdir()
    _run("mount", "--bind", str(share), str(point))
    support.new_studio(point, _SETTINGS.format(watch=watch) + f"state: {folder / 'state'}\n")
    studio = open_studio(str(point))
    _drop(studio, "plain wood/Net.tif", 3)  # names no paper: it stands there, and must not be taken for gone
    with _service(studio) as served:
        _until(lambda: _waits(studio, "plain wood"), served)
        _run("umount", "-l", str(point))  # the service holds the marker open
        since = len(served.said())
        _until(lambda: _said(served, "is not there", since), served)
        time.sleep(2 * _QUICK_S)
        bare = _beneath(point)
        (share / "ready" / "card").mkdir(exist_ok=True)
        (share / "ready" / NAME).write_bytes(support.picture(1))
        os.utime(share / "ready" / NAME, ns=(kit.MTIME_NS, kit.MTIME_NS))
        _run("mount", "--bind", str(share), str(point))
        _until(lambda: _made(studio, NAME), served)
        assert bare == [], f"written on the bare mount point: {bare}"
        _drop(studio, SECOND, 2)  # seen after the remount too
        _until(lambda: _made(studio, SECOND), served)
        assert os.listdir(studio.path("ready", "plain wood")) == ["Net.tif"]
        Path(studio.path("ready", "plain wood", "Net.tif")).unlink()
        assert Path(studio.path("review", "plain wood.reason.txt")).exists()  # it is said why it stands there
        Path(studio.path("review", "plain wood.reason.txt")).unlink()
        _check_end(studio, served, NAME, SECOND)
    return "nothing written beneath, resumed by itself"


def _beneath(point: Path) -> list[str]:
    return [str(path.relative_to(point)) for path in point.rglob("*")]


def _waits(studio: Studio, folder: str) -> bool:
    return any(folder in str(one) for one in support.status(studio).values())


def share_gone_in_hand(folder: Path, watch: str) -> str:
    """The share goes (`umount -l`) while a picture is being rendered, and comes back."""
    share, point = _mount(folder / "share", "16m"), folder / "studio"
    point.mkdir()
    _run("mount", "--bind", str(share), str(point))
    support.new_studio(point, _SETTINGS.format(watch=watch) + f"state: {folder / 'state'}\n")
    studio = open_studio(str(point))
    with _service(studio, "render") as served:
        _drop(studio, NAME, 1)
        _until(lambda: served.comes(0), served)
        _run("umount", "-l", str(point))
        since = len(served.said())
        served.go()
        _until(lambda: _said(served, "is not there", since), served)
        time.sleep(2 * _QUICK_S)
        bare = _beneath(point)
        _run("mount", "--bind", str(share), str(point))
        _until(lambda: _made(studio, NAME) or _passes(served), served)
        _check_end(studio, served, NAME)
        assert bare == [], f"written on the bare mount point: {bare}"
    return "nothing written beneath, resumed by itself"


CASES: dict[str, Callable[[Path, str], str]] = {
    "print disk full": print_disk_full,
    "print disk fills up": print_disk_fills_up,
    "state disk full": state_disk_full,
    "read-only": read_only,
    "share gone": share_gone,
    "share gone, picture in hand": share_gone_in_hand,
}


# -- one namespace for each -----------------------------------------------------------


def usable() -> str | None:
    """Why no namespace can be had here, or None."""
    line = ["unshare", "-Urm", "mount", "-t", "tmpfs", "tmpfs", "/mnt"]
    try:
        subprocess.run(line, check=True, capture_output=True, timeout=20)
    except (OSError, subprocess.SubprocessError) as error:
        return str(error)
    return None


def outside(names: Sequence[str], watch: str) -> tuple[list[tuple[str, ...]], list[str]]:
    """Each case in a namespace of its own: rows for the table, and what is wrong."""
    rows: list[tuple[str, ...]] = []
    problems: list[str] = []
    for name in names:
        line = ["unshare", "-Urm", sys.executable, "-m", "tests.faults.namespaces", "--inside", name, "--watch", watch]
        done = subprocess.run(line, cwd=support.ROOT, capture_output=True, text=True, timeout=200, check=False)
        last = (done.stdout.strip().splitlines() or ["no answer"])[-1]
        rows.append(
            (name, watch, "ok" if done.returncode == 0 else "WRONG", last if done.returncode == 0 else "see below")
        )
        problems += [] if done.returncode == 0 else [f"{name} ({watch}): {done.stdout[-300:]}{done.stderr[-1200:]}"]
    return rows, problems


def main(arguments: Sequence[str] | None = None) -> int:
    """All cases, woken by the clock and by events; 0 where each service resumed by itself."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=0, help="no effect: nothing is drawn")
    parser.add_argument("--quick", action="store_true", help="on the clock only")
    parser.add_argument("--inside", choices=CASES, help="used by itself: one case, in the namespace that is there")
    parser.add_argument("--watch", choices=("poll", "auto"), default="poll", help="used by itself")
    options = parser.parse_args(arguments)
    if options.inside:
        with kit.folder("namespace") as folder:
            disk = _mount(folder / "disk", "64m")
            try:
                print(CASES[options.inside](disk, options.watch))
            finally:
                _run("umount", "-l", str(disk))
        return 0
    if why := usable():
        print(f"no namespaces here: {why}")
        return 1
    rows: list[tuple[str, ...]] = [("case", "watch", "end", "what it did")]
    problems: list[str] = []
    for watch in ("poll",) if options.quick else ("poll", "auto"):
        more, wrong = outside(tuple(CASES), watch)
        rows, problems = rows + more, problems + wrong
    kit.table("namespaces", rows)
    return kit.verdict(problems)


if __name__ == "__main__":
    sys.exit(main())
