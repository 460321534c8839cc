"""Watching ready/: what wakes the scan, what does not, and how events come back after anything that ends them.

Against the running kernel (inotify(7)); limits and mounts in a user and mount name space of its own.
"""

from __future__ import annotations

import ctypes
import errno
import logging
import os
import shutil
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from watchdog.events import FileSystemEvent

from printqueue.core.disk import filesystems
from printqueue.core.disk.filesystems import FileSystem
from printqueue.core.model.seen import Seen, Stamp
from printqueue.core.model.why import told
from printqueue.service.intake import scan, watch
from printqueue.service.intake.scan import Sweep
from printqueue.service.intake.watch import LATEST_S, Waker

ROOT = Path(__file__).parents[2]
PATIENCE_S = 10.0  # only a test that fails waits as long


@contextmanager
def watching(folder: Path) -> Iterator[tuple[Waker, threading.Event]]:
    """A waker on `folder` and the event that it sets."""
    wake = threading.Event()
    waker = Waker(str(folder), wake.set)
    try:
        yield waker, wake
    finally:
        waker.close()


def watches() -> int:
    """How many folders the kernel watches for this process: lines of fdinfo, proc(5)."""
    found = 0
    for descriptor in os.listdir("/proc/self/fdinfo"):
        try:
            found += Path(f"/proc/self/fdinfo/{descriptor}").read_text().count("inotify wd:")
        except OSError:
            continue  # that of the listing
    return found


def until(true: Callable[[], bool]) -> None:
    """Wait for what another thread does."""
    over = time.monotonic() + PATIENCE_S
    while not true():
        assert time.monotonic() < over, "it did not happen"
        time.sleep(0.005)


def save(path: Path) -> None:
    """What an editor does in the end: write and close."""
    path.write_bytes(b"fog")


# -- what wakes --------------------------------------------------------------

HAPPENINGS: dict[str, Callable[[Path, Path], object]] = {
    "saved": lambda ready, _: save(ready / "New.tif"),
    "saved over": lambda ready, _: save(ready / "Old.tif"),
    "saved inside": lambda ready, _: save(ready / "kozo" / "A4" / "New.tif"),
    "moved in": lambda ready, outside: (outside / "Fog.tif").rename(ready / "Fog.tif"),
    "moved out": lambda ready, outside: (ready / "Old.tif").rename(outside / "Old.tif"),
    "renamed": lambda ready, _: (ready / "Old.tif").rename(ready / "Other.tif"),
    "linked": lambda ready, outside: os.link(outside / "Fog.tif", ready / "Fog.tif"),
    "removed": lambda ready, _: (ready / "Old.tif").unlink(),
    "folder made": lambda ready, _: (ready / "baryta").mkdir(),
    "folder moved in": lambda ready, outside: (outside / "tree").rename(ready / "tree"),
    "not UTF-8": lambda ready, _: save(ready / os.fsdecode(b"net\xff\n\x1b[2J.tif")),
    "longest name": lambda ready, _: save(ready / ("k" * 255)),
}


@pytest.fixture
def outside(tmp_path: Path) -> Path:
    """A folder beside ready/ with a picture and a tree in it."""
    (tmp_path / "outside" / "tree" / "A4").mkdir(parents=True)
    save(tmp_path / "outside" / "Fog.tif")
    return tmp_path / "outside"


@pytest.fixture
def ready(tmp_path: Path) -> Path:
    """A watched folder as a studio has it."""
    (tmp_path / "ready" / "kozo" / "A4").mkdir(parents=True)
    save(tmp_path / "ready" / "Old.tif")
    return tmp_path / "ready"


@pytest.mark.parametrize("happening", HAPPENINGS)
def test_what_wakes(happening: str, ready: Path, outside: Path) -> None:
    """Whatever changes the set of finished files wakes the scan, whatever the name; the listener lives on."""
    with watching(ready) as (waker, wake):
        assert (waker.mode, waker.why) == ("events", "")
        HAPPENINGS[happening](ready, outside)
        assert wake.wait(PATIENCE_S)
        assert waker.mode == "events"


def test_blocks_do_not_wake(ready: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Writing block by block, opening and reading send no events: only making a file and closing it do."""
    seen: list[str] = []
    take = watch._Announcements.take

    def note(self: watch._Announcements, event: FileSystemEvent) -> None:
        seen.append(type(event).__name__)
        take(self, event)

    monkeypatch.setattr(watch._Announcements, "take", note)
    with watching(ready):
        with open(ready / "A.tif", "wb", buffering=0) as first, open(ready / "B.tif", "wb", buffering=0) as second:
            for _ in range(500):
                first.write(b"k")
                second.write(b"k")
        (ready / "A.tif").read_bytes()
        (ready / "last").mkdir()
        until(lambda: "DirCreatedEvent" in seen)
    assert sorted(seen) == sorted(["FileCreatedEvent", "FileClosedEvent"] * 2 + ["DirCreatedEvent"])


@pytest.mark.parametrize("come", ["made", "moved in"])
def test_new_folders_are_watched(come: str, ready: Path, outside: Path) -> None:
    """A folder that came later is watched too, and so is what lies in it."""
    with watching(ready) as (_, wake):
        if come == "made":
            (ready / "tree" / "A4").mkdir(parents=True)
        else:
            (outside / "tree").rename(ready / "tree")
        until(lambda: watches() == 5)
        assert wake.wait(PATIENCE_S)
        wake.clear()
        save(ready / "tree" / "A4" / "Slipway.tif")
        assert wake.wait(PATIENCE_S)


def test_what_the_scan_does_not_look_at_does_not_wake(ready: Path, outside: Path) -> None:
    """Hidden names, what a file server keeps for itself, and what lies behind a link: nothing there wakes the scan."""
    for name in ("@eaDir", "#recycle", ".printqueue-x"):
        (ready / name / "inside").mkdir(parents=True)
    (ready / "link").symlink_to(outside)
    with watching(ready) as (_, wake):
        for folder in ("@eaDir/inside", "#recycle/inside", ".printqueue-x", "link/tree"):
            save(ready / folder / "Fog.tif")
        save(ready / ".hidden.tif")
        assert not wake.wait(0.5)
        save(ready / "Slipway.tif")
        assert wake.wait(PATIENCE_S)


# -- what was found and never announced --------------------------------------


class Event:
    """An event of the library, as far as it is looked at."""

    def __init__(self, src_path: str, dest_path: str = "") -> None:
        self.src_path, self.dest_path = src_path, dest_path


def sweep(*paths: str, passed: tuple[str, ...] = ()) -> Sweep:
    """What a scan found."""
    return Sweep([Seen(path, Stamp(1, 2, 3, 4, 5)) for path in paths], [(path, told("why")) for path in passed])


@pytest.fixture
def announcements() -> Any:
    """Of a folder in which two pictures stand and were seen once."""
    found = watch._Announcements("/ready", lambda: None)
    assert found.missed(sweep("a.tif", "kozo/b.tif"), 0.0) is None
    return found


@pytest.mark.parametrize(
    "event",
    [
        Event("/ready/kozo/c.tif"),
        Event("/ready/kozo"),
        Event("/ready/.part", "/ready/kozo/c.tif"),
        Event("/ready/elsewhere", "/ready/kozo"),
    ],
    ids=["it", "its folder", "renamed", "its folder renamed"],
)
@pytest.mark.parametrize("when", ["before the last look", "before", "a little late"])
def test_announced(announcements: Any, event: Event, when: str) -> None:
    """A new picture is announced by its own event or its folder's, before or shortly after the look that finds it."""
    new = sweep("a.tif", "kozo/b.tif", "kozo/c.tif")
    if when == "before the last look":
        announcements.take(event)
        assert announcements.missed(sweep("a.tif", "kozo/b.tif"), 1.0) is None
    elif when == "before":
        announcements.take(event)
    assert announcements.missed(new, 10.0) is None
    if when == "a little late":
        announcements.take(event)
    assert announcements.missed(new, 10.0 + LATEST_S + 1) is None
    assert announcements.missed(new, 100.0) is None


def test_not_announced(announcements: Any) -> None:
    """What no event tells of in time is named, not before; an event for another picture is no excuse."""
    new = sweep("a.tif", "kozo/b.tif", "kozo/c.tif", "d.tif")
    announcements.take(Event("/ready/d.tif"))
    assert announcements.missed(new, 10.0) is None
    assert announcements.missed(new, 10.0 + LATEST_S / 2) is None
    assert announcements.missed(new, 10.0 + LATEST_S + 0.1) == "kozo/c.tif"


def test_neither_growing_nor_gone(announcements: Any) -> None:
    """A file that grows sends no events, one that was passed over while it was empty is known, and one that went away again
    is not missed.
    """
    announcements.missed(sweep("a.tif", "kozo/b.tif", passed=("empty.tif",)), 1.0)
    announcements.take(Event("/ready/empty.tif"))
    announcements.missed(sweep("a.tif", "kozo/b.tif", passed=("empty.tif",)), 2.0)
    announcements.missed(sweep("a.tif", "kozo/b.tif", passed=("empty.tif",)), 3.0)
    assert announcements.missed(sweep("a.tif", "kozo/b.tif", "empty.tif", "gone.tif"), 10.0) is None
    assert announcements.missed(sweep("a.tif", "kozo/b.tif", "empty.tif"), 50.0) is None


def look(waker: Waker, ready: Path, now_s: float) -> None:
    """What the service does at each look."""
    waker.check()
    waker.scanned(scan.sweep(str(ready)), now_s)


def deafen(waker: Waker) -> None:
    """As an unmount does: the kernel drops its watches, all threads live on (inotify_rm_watch(2))."""
    assert waker._observer is not None
    events = waker._observer._inotify_fd._inotify_fd
    for line in Path(f"/proc/self/fdinfo/{events}").read_text().splitlines():
        if line.startswith("inotify wd:"):
            ctypes.CDLL(None).inotify_rm_watch(events, int(line.split()[1].removeprefix("wd:"), 16))
    until(lambda: watches() == 0)


def test_a_deaf_listener_is_built_anew(ready: Path, caplog: pytest.LogCaptureFixture) -> None:
    """A picture that only the scan finds has listening built anew, the log names it, and events come again."""
    with watching(ready) as (waker, wake):
        look(waker, ready, 0.0)
        observer = waker._observer
        assert observer is not None
        deafen(waker)
        save(ready / "Fog.tif")
        look(waker, ready, 15.0)
        assert waker._observer is observer
        look(waker, ready, 30.0)
        assert "no file event told of Fog.tif, found by looking; listening is built anew" in caplog.text
        waker.check()
        assert (waker.mode, waker.why) == ("events", "")
        assert waker._observer is not observer
        wake.clear()
        save(ready / "Slipway.tif")
        assert wake.wait(PATIENCE_S)


def test_overflow(ready: Path) -> None:
    """When the kernel drops events for want of room, the next look finds what they would have told of, and events come again."""
    with open("/proc/sys/fs/inotify/max_queued_events") as stream:
        room = int(stream.read())
    if room > 100_000:
        pytest.skip("the queue of this machine is too long to be filled quickly")
    with watching(ready) as (waker, wake):
        look(waker, ready, 0.0)
        assert waker._observer is not None
        with waker._observer._inotify_fd._lock:  # nothing is read while this is held
            for _ in range(room // 4 + 100):  # two events each: moved from, moved to
                (ready / "Old.tif").rename(ready / "Other.tif")
                (ready / "Other.tif").rename(ready / "Old.tif")
            save(ready / "Lost.tif")
        for now_s in (15.0, 30.0, 45.0):
            look(waker, ready, now_s)
        assert (waker.mode, waker.why) == ("events", "")
        time.sleep(1.0)  # for the last of the flood
        wake.clear()
        save(ready / "Slipway.tif")
        assert wake.wait(PATIENCE_S)


def test_a_deaf_folder_that_went_is_no_reason(ready: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the kernel refused to watch a folder, and that folder has gone, nothing is held against it any more."""
    with watching(ready) as (waker, _):
        look(waker, ready, 0.0)
        with monkeypatch.context() as refusing:
            refusing.setattr(watch, "refusal", lambda _: errno.ENOSPC)
            deafen(waker)
            save(ready / "kozo" / "A4" / "Fog.tif")
            look(waker, ready, 15.0)
            look(waker, ready, 30.0)
            waker.check()
            assert "max_user_watches" in waker.why
        shutil.rmtree(ready / "kozo")
        waker.check()
        assert (waker.mode, waker.why) == ("events", "")


def test_where_it_is_in_vain_the_clock_is_trusted(ready: Path) -> None:
    """A folder that never announces anything (a share that nobody took for one) is looked through on the clock, and said so."""
    with watching(ready) as (waker, _):
        for number in range(3):
            look(waker, ready, 100.0 * number)
            deafen(waker)
            save(ready / f"Fog {number}.tif")
            look(waker, ready, 100.0 * number + 15)
            look(waker, ready, 100.0 * number + 30)
        waker.check()
        assert (waker.mode, waker.why) == ("poll", "file events do not tell of all that comes into ready/")


# -- what ends events, and how they come back --------------------------------


def test_another_folder_under_the_name(ready: Path, tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    """When ready/ is replaced, the new folder is watched, the old one is not, and the log says why."""
    with watching(ready) as (waker, wake):
        ready.rename(tmp_path / "before")
        ready.mkdir()
        waker.check()
        assert watches() == 1
        assert "another folder" in caplog.text
        wake.clear()
        save(ready / "Fog.tif")
        assert wake.wait(PATIENCE_S)


def test_missing_folder(ready: Path, tmp_path: Path) -> None:
    """While ready/ is not there the mode is `poll` with the reason; when it is back, so are events."""
    with watching(ready) as (waker, wake):
        ready.rename(tmp_path / "before")
        waker.check()
        assert (waker.mode, waker.why) == ("poll", "file events cannot be had: ready/ is not there")
        (tmp_path / "before").rename(ready)
        waker.check()
        assert (waker.mode, waker.why) == ("events", "")
        wake.clear()
        save(ready / "kozo" / "A4" / "Fog.tif")
        assert wake.wait(PATIENCE_S)


def test_dead_listener(ready: Path, caplog: pytest.LogCaptureFixture) -> None:
    """A listener whose thread has ended is no longer called `events`, and is replaced by `check`."""
    with watching(ready) as (waker, wake):
        assert waker._observer is not None
        waker._observer.stop()
        waker._observer.join(PATIENCE_S)
        assert waker.mode == "poll"
        waker.check()
        assert (waker.mode, waker.why) == ("events", "")
        wake.clear()
        save(ready / "Slipway.tif")
        assert wake.wait(PATIENCE_S)
        assert "it is started again" in caplog.text


def test_no_thread_to_be_had(ready: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the system refuses a thread, the mode is `poll` with the reason, and no descriptor is left open."""

    def refuse(_: threading.Thread) -> None:
        raise RuntimeError("can't start new thread")

    monkeypatch.setattr(threading.Thread, "start", refuse)
    before = len(os.listdir("/proc/self/fd"))
    with watching(ready) as (waker, _):
        assert (waker.mode, waker.why) == ("poll", "file events cannot be had: can't start new thread")
    assert len(os.listdir("/proc/self/fd")) == before


def test_network(ready: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture) -> None:
    """On a network file system ready/ is polled, and why is said once; a kind's name cannot lead a terminal astray."""
    kind = "nfs4"
    monkeypatch.setattr(filesystems, "of", lambda _: FileSystem("/mnt", kind))
    with watching(ready) as (waker, _):
        waker.check()
        assert (waker.mode, waker.why) == ("poll", "ready/ is on nfs4: no events for what other machines write")
        assert caplog.text.count("ready/ is on nfs4") == 1
        kind = "fuse.k\x1b[31m"
        waker.check()
        assert "fuse.k\\x1b[31m" in waker.why
        kind = "ext4"
        caplog.set_level(logging.INFO)
        waker.check()
        assert (waker.mode, waker.why) == ("events", "")
        assert "to be had again" in caplog.text


@pytest.mark.parametrize(
    ("code", "words"),
    [
        (errno.ENOSPC, ["fs.inotify.max_user_watches", "the disk is not full", "sysctl"]),
        (errno.EMFILE, ["fs.inotify.max_user_instances", "sysctl"]),
        (errno.ENOSYS, ["Function not implemented"]),
    ],
)
def test_reasons(code: int, words: list[str]) -> None:
    """Each refusal of the kernel is told in a way that names the limit; ENOSPC does not blame the disk."""
    said = watch.refusal_words(OSError(code, os.strerror(code)))
    assert all(word in said for word in words)


def test_everything_is_given_back(ready: Path) -> None:
    """Closing leaves neither descriptors nor threads, and closing twice is harmless."""
    descriptors, threads = len(os.listdir("/proc/self/fd")), threading.active_count()
    with watching(ready) as (waker, _):
        assert threading.active_count() > threads
        waker.close()
        assert waker.mode == "poll"
    assert (len(os.listdir("/proc/self/fd")), threading.active_count()) == (descriptors, threads)


def test_nothing_is_stranded(ready: Path) -> None:
    """Events and a clock find every file, in folders made the instant before, and while listening is built anew again and
    again (listen first, look second): what no event tells of waits for the next look, never longer.
    """
    wanted = {f"tide/{number}/A4/Net.tif" for number in range(300)}

    def write() -> None:
        for path in sorted(wanted):
            (ready / path).parent.mkdir(parents=True)
            save(ready / path)

    writer = threading.Thread(target=write)
    with watching(ready) as (waker, wake):
        writer.start()
        seen: set[str] = set()
        looks = 0
        over = time.monotonic() + PATIENCE_S
        while not wanted <= seen:
            assert time.monotonic() < over, f"nothing found {sorted(wanted - seen)[:3]}"
            wake.wait(0.2)
            wake.clear()
            looks += 1
            if looks % 3 == 0:
                waker.close()
            waker.check()
            seen = {picture.path for picture in scan.sweep(str(ready)).pictures}
        writer.join()
        assert (waker.mode, waker.why) == ("events", "")


# -- limits and mounts in a name space ---------------------------------------


def in_name_space(program: str, *words: str) -> None:
    """Run `program` as root of a user and mount name space of its own; it must print `held`."""
    if shutil.which("unshare") is None:
        if os.environ.get("PRINTQUEUE_REQUIRE_TOOLS") == "1":
            pytest.fail("unshare is missing, and PRINTQUEUE_REQUIRE_TOOLS=1")
        pytest.skip("unshare is missing")
    if subprocess.run(["unshare", "-Urm", "true"], capture_output=True, check=False).returncode:
        pytest.skip("this kernel does not permit user namespaces")
    command = ["unshare", "-Urm", sys.executable, "-c", _COMMON + program, *words]
    environment = os.environ | {"PYTHONPATH": str(ROOT)}
    ended = subprocess.run(command, capture_output=True, text=True, env=environment, timeout=60, check=False)
    assert ended.stdout.strip() == "held", ended.stderr


_COMMON = """
import os, subprocess, sys, threading
from printqueue.service.intake.scan import sweep
from printqueue.service.intake.watch import Waker
place = sys.argv[1]
wake = threading.Event()
def do(*words): subprocess.run(words, check=True)
def allow(name, number):
    with open("/proc/sys/user/max_inotify_" + name, "w") as stream: stream.write(str(number))
def wakes(path):
    wake.clear()
    with open(path, "wb") as stream: stream.write(b"fog")
    assert wake.wait(10), path
def look(now_s):
    waker.check()
    waker.scanned(sweep(ready), now_s)
"""

_REMOUNT = """
how = sys.argv[2:]
ready = place + "/ready"
def mount():
    do("mount", "-t", "tmpfs", "mill", place)
    os.makedirs(ready + "/kozo")
mount()
waker = Waker(ready, wake.set)
for round in range(3):  # device numbers and inodes are used again at once: the new mount looks like the old one
    wakes(ready + "/kozo/Fog.tif")
    do("umount", *how, place)
    waker.check()
    assert (waker.mode, "not there" in waker.why) == ("poll", True), waker.why
    mount()
    waker.check()
    assert (waker.mode, waker.why) == ("events", "")
    do("umount", *how, place)
    mount()  # and so quickly that no check saw it missing
    look(100 * round)
    with open(ready + "/kozo/Net.tif", "wb") as stream: stream.write(b"net")
    look(100 * round + 15)
    look(100 * round + 30)
    waker.check()
    assert (waker.mode, waker.why) == ("events", "")
waker.close()
print("held")
"""

_LIMITS = """
ready = place + "/ready"
os.makedirs(ready + "/kozo/A4")
allow("instances", 0)
waker = Waker(ready, wake.set)
assert waker.mode == "poll" and "max_user_instances" in waker.why, waker.why
allow("instances", 10)
allow("watches", 0)
waker.check()
assert waker.mode == "poll" and "max_user_watches" in waker.why and "disk is not full" in waker.why, waker.why
allow("watches", 2)
waker.check()
assert waker.mode == "events", waker.why
wakes(ready + "/kozo/Fog.tif")
look(0)
with open(ready + "/kozo/A4/Net.tif", "wb") as stream: stream.write(b"net")
look(15)
look(30)
waker.check()
assert "not had" not in waker.why and "in all folders" in waker.why and "max_user_watches" in waker.why, waker.why
assert waker.mode == "events"
allow("watches", 100)
waker.check()
assert (waker.mode, waker.why) == ("events", "")
wakes(ready + "/kozo/A4/Fog.tif")
waker.close()
print("held")
"""


@pytest.mark.parametrize("how", [[], ["-l"]], ids=["unmounted", "unmounted lazily"])
def test_mounted_again(how: list[str], tmp_path: Path) -> None:
    """After a share went and came back, events arrive again, even where device and inode numbers are the same."""
    in_name_space(_REMOUNT, str(tmp_path), *how)


def test_limits_of_the_kernel(tmp_path: Path) -> None:
    """No instance, no watch, or too few of them: each is said with its limit, and made good as soon as it is raised."""
    in_name_space(_LIMITS, str(tmp_path))
