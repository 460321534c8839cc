"""Watching ready/: what wakes the scan, what does not, and how events come back after anything that ends them.

Against the running kernel (inotify(7)); limits and mounts in a user and mount name space of its own.
"""

from __future__ import annotations

import errno
import logging
import os
import shutil
import struct
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from printqueue.disk import filesystems
from printqueue.disk.filesystems import FileSystem
from printqueue.intake import listening, scan, watch
from printqueue.intake.listening import Listener
from printqueue.intake.watch import Waker

ROOT = Path(__file__).parents[2]
PATIENCE_S = 10.0  # only a test that fails waits as long
# inotify(7), values from <linux/inotify.h>, written down here once more
CREATE, MODIFY, CLOSE_WRITE, MOVED_TO, OVERFLOW, ISDIR = 0x100, 0x2, 0x8, 0x80, 0x4000, 0x4000_0000


@contextmanager
def watching(folder: Path) -> Iterator[tuple[Waker, threading.Event]]:
    """A waker on `folder` and the event that it sets."""
    wake = threading.Event()
    waker = Waker(str(folder), wake.set)
    try:
        yield waker, wake
    finally:
        waker.close()


def listener(waker: Waker) -> Listener:
    """The one that a waker has."""
    assert waker._listener is not None
    return waker._listener


def watches(waker: Waker) -> int:
    """How many folders the kernel watches for it: lines of fdinfo, proc(5)."""
    with open(f"/proc/self/fdinfo/{listener(waker)._events}") as stream:
        return sum(line.startswith("inotify ") for line in stream)


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
    seen: list[int] = []
    take = Listener._take

    def note(self: Listener, data: bytes) -> None:
        seen.extend(listening.masks(data))
        take(self, data)

    monkeypatch.setattr(Listener, "_take", note)
    with watching(ready) as (waker, wake):
        with open(ready / "A.tif", "wb", buffering=0) as first, open(ready / "B.tif", "wb", buffering=0) as second:
            for _ in range(500):
                first.write(b"k")
                second.write(b"k")
        (ready / "A.tif").read_bytes()
        (ready / "last").mkdir()
        assert listener(waker).folders_changed.wait(PATIENCE_S)
        assert wake.wait(PATIENCE_S)
    assert sorted(seen) == sorted([CREATE, CREATE, CLOSE_WRITE, CLOSE_WRITE, CREATE | ISDIR])


@pytest.mark.parametrize("come", ["made", "moved in"])
def test_new_folders_are_watched(come: str, ready: Path, outside: Path) -> None:
    """A folder that came later is watched from the next check on, and so is what lies in it."""
    with watching(ready) as (waker, wake):
        if come == "made":
            (ready / "tree" / "A4").mkdir(parents=True)
        else:
            (outside / "tree").rename(ready / "tree")
        assert listener(waker).folders_changed.wait(PATIENCE_S)
        waker.check()
        assert watches(waker) == 5
        wake.clear()
        save(ready / "tree" / "A4" / "Slipway.tif")
        assert wake.wait(PATIENCE_S)


def test_folders_that_went_are_watched_no_more(ready: Path, outside: Path) -> None:
    """A folder that was moved out of ready/ or removed gives its watch back."""
    with watching(ready) as (waker, _):
        (ready / "kozo").rename(outside / "kozo")
        assert listener(waker).folders_changed.wait(PATIENCE_S)
        waker.check()
        assert watches(waker) == 1


def test_only_what_the_scan_looks_into(ready: Path, outside: Path) -> None:
    """Hidden folders, the file server's own and those behind links are not watched; nor deeper than the scan looks."""
    for name in ("@eaDir", "#recycle", ".printqueue-x"):
        (ready / name / "inside").mkdir(parents=True)
    (ready / "link").symlink_to(outside)
    (ready / "/".join("abcdefghijklmno")).mkdir(parents=True)
    with watching(ready) as (waker, _):
        assert watches(waker) == 1 + len(["kozo", "kozo/A4"]) + scan.DEEPEST


def test_links_are_never_listened_through(ready: Path, tmp_path: Path) -> None:
    """A link that took a folder's place after it was listed is refused; so is a file (IN_ONLYDIR, IN_DONT_FOLLOW)."""
    (tmp_path / "link").symlink_to(ready)
    heard = Listener(lambda: None)
    try:
        for path in (tmp_path / "link", ready / "Old.tif"):
            with pytest.raises(NotADirectoryError):
                heard.add(str(path))
    finally:
        heard.close()


def test_overflow(ready: Path) -> None:
    """When the kernel drops events for want of room, the scan is woken and the folders are gone through again."""
    with open("/proc/sys/fs/inotify/max_queued_events") as stream:
        room = int(stream.read())
    if room > 100_000:
        pytest.skip("the queue of this machine is too long to be filled quickly")
    nudged, go_on = threading.Event(), threading.Event()

    def nudge() -> None:
        nudged.set()
        go_on.wait(PATIENCE_S)

    heard = Listener(nudge)
    try:
        heard.add(str(ready))
        save(ready / "First.tif")
        assert nudged.wait(PATIENCE_S)
        for _ in range(room // 4 + 100):  # two events each: moved from, moved to
            (ready / "Old.tif").rename(ready / "Other.tif")
            (ready / "Other.tif").rename(ready / "Old.tif")
        assert not heard.folders_changed.is_set()
        go_on.set()
        assert heard.folders_changed.wait(PATIENCE_S)
    finally:
        go_on.set()
        heard.close()


# -- what ends events, and how they come back --------------------------------


def test_another_folder_under_the_name(ready: Path, tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    """When ready/ is replaced, the new folder is watched, the old one is not, and the log says why."""
    with watching(ready) as (waker, wake):
        ready.rename(tmp_path / "before")
        ready.mkdir()
        waker.check()
        assert watches(waker) == 1
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


def test_dead_listener(ready: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture) -> None:
    """A listener whose thread has ended is no longer called `events`, wakes the scan, and is replaced by `check`."""

    def refuse(*_: object) -> bytes:
        raise OSError(errno.EIO, os.strerror(errno.EIO))

    with watching(ready) as (waker, wake):
        with monkeypatch.context() as broken:
            broken.setattr(os, "read", refuse)
            save(ready / "Fog.tif")
            listener(waker)._thread.join(PATIENCE_S)
        assert waker.mode == "poll"
        assert wake.is_set()
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
    monkeypatch.setattr(filesystems, "of", lambda _: FileSystem(7, "/mnt", kind))
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
    said = watch.refused(OSError(code, os.strerror(code)))
    assert all(word in said for word in words)


def test_everything_is_given_back(ready: Path) -> None:
    """Closing leaves neither descriptors nor threads, and closing twice is harmless."""
    descriptors, threads = len(os.listdir("/proc/self/fd")), threading.active_count()
    with watching(ready) as (waker, _):
        assert threading.active_count() == threads + 1
        waker.close()
        assert waker.mode == "poll"
    assert (len(os.listdir("/proc/self/fd")), threading.active_count()) == (descriptors, threads)


def test_nothing_is_stranded(ready: Path) -> None:
    """Events and the scans they wake find every file, without a clock: in folders made the instant before, and while
    the listener is built anew again and again (watch first, scan second).
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
        while not wanted <= seen:
            assert wake.wait(PATIENCE_S), f"no event told of {sorted(wanted - seen)[:3]}"
            wake.clear()
            looks += 1
            if looks % 3 == 0:
                waker.close()
            waker.check()
            seen = {picture.path for picture in scan.sweep(str(ready)).pictures}
        writer.join()
        assert (waker.mode, waker.why) == ("events", "")


# -- the kernel's own words --------------------------------------------------


def event(mask: int, name: bytes = b"") -> bytes:
    """`struct inotify_event` as inotify(7) lays it out, the name padded with NUL."""
    return struct.pack("iIII", 1, mask, 0, len(name)) + name


def test_buffers() -> None:
    """Each event's mask is found whatever the name holds; half an event at the end is none."""
    data = event(CREATE, struct.pack("iIII", 9, OVERFLOW, 0, 0)) + event(MOVED_TO | ISDIR, b"A4".ljust(16, b"\0"))
    assert listening.masks(data) == [CREATE, MOVED_TO | ISDIR]
    assert listening.masks(data + event(OVERFLOW)[:-1]) == [CREATE, MOVED_TO | ISDIR]
    assert listening.masks(b"") == []


@pytest.mark.parametrize(
    ("mask", "folders"),
    [
        (CREATE, False),
        (CLOSE_WRITE, False),
        (MOVED_TO, False),
        (CREATE | ISDIR, True),
        (MOVED_TO | ISDIR, True),
        (0x40 | ISDIR, True),
        (OVERFLOW, True),
        (0x2000 | 0x8000, True),  # unmounted, ignored
    ],
)
def test_what_tells_of_folders(mask: int, folders: bool) -> None:
    """Folders are gone through again after an overflow, an unmount, and any folder that came or went; not for files."""
    assert listening.tells_of_folders(mask) is folders


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
from printqueue.intake.watch import Waker
place = sys.argv[1]
wake = threading.Event()
def do(*words): subprocess.run(words, check=True)
def allow(name, number):
    with open("/proc/sys/user/max_inotify_" + name, "w") as stream: stream.write(str(number))
def wakes(path):
    wake.clear()
    with open(path, "wb") as stream: stream.write(b"fog")
    assert wake.wait(10), path
"""

_REMOUNT = """
how = sys.argv[2:]
ready = place + "/ready"
def mount():
    do("mount", "-t", "tmpfs", "mill", place)
    os.makedirs(ready + "/kozo")
mount()
waker = Waker(ready, wake.set)
for _ in range(3):  # device numbers and inodes are used again at once: the new mount looks like the old one
    wakes(ready + "/kozo/Fog.tif")
    wake.clear()
    do("umount", *how, place)
    assert wake.wait(10), "the kernel tells of the unmount"
    waker.check()
    assert (waker.mode, "not there" in waker.why) == ("poll", True), waker.why
    mount()
    waker.check()
    assert (waker.mode, waker.why) == ("events", "")
    do("umount", *how, place)
    mount()  # and so quickly that no check saw it missing
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
assert "in 1 of 3 folders" in waker.why and "max_user_watches" in waker.why, waker.why
wakes(ready + "/kozo/Fog.tif")
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
