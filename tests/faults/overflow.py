"""More file events than the kernel keeps: `python -m tests.faults.overflow`.

The service is stopped by SIGSTOP, 6000 tiny files are dropped (each a create, a write, a close and a rename), and it is let
go on. Many of the events are lost; the scan must find every file all the same.
"""

from __future__ import annotations

import argparse
import ctypes
import os
import signal
import struct
import sys
import time
from collections.abc import Iterator, Sequence
from pathlib import Path

from printqueue.studio.folders import Studio
from tests.faults import kit, stub_worker
from tests.running import support

SETTINGS = "settle: 0 s\nscan: 2 s\nwatch: auto\nworkers: 2\n"
_EVENT = struct.Struct("iIII")
_PAUSE_S = 0.2  # between two looks of this program


def drop_many(studio: Studio, number: int) -> None:
    """So many tiny files, each with bytes of its own: made, written, closed, renamed, all below ready/."""
    folder = Path(studio.path("ready", "card"))
    for index in range(number):
        temp = folder / ".dropping"
        temp.write_bytes(b"tiny %d" % index)
        os.utime(temp, ns=(kit.MTIME_NS, kit.MTIME_NS))
        temp.rename(folder / f"Net {index:05d}.tif")


class Witness:
    """A listener of our own on the same folder, not read meanwhile: it shows whether events were lost (inotify(7))."""

    def __init__(self, folder: str) -> None:
        libc = ctypes.CDLL(None, use_errno=True)
        self._events = libc.inotify_init1(os.O_NONBLOCK | os.O_CLOEXEC)
        assert libc.inotify_add_watch(self._events, os.fsencode(folder), 0xFFF) >= 0  # IN_ALL_EVENTS

    def overflowed(self) -> bool:
        """Whether the kernel said so; closes it."""
        found = False
        with os.fdopen(self._events, "rb", buffering=0) as events:
            while data := events.read(1 << 16):
                found = found or any(mask & 0x4000 for mask in masks(data))  # IN_Q_OVERFLOW
        return found


def masks(data: bytes) -> Iterator[int]:
    """The mask of each event in a buffer that the kernel filled (struct inotify_event, inotify(7))."""
    at = 0
    while at + _EVENT.size <= len(data):
        _, mask, _, name_bytes = _EVENT.unpack_from(data, at)
        yield mask
        at += _EVENT.size + name_bytes


def queue_limit() -> int:
    """How many events the kernel keeps for one listener (inotify(7))."""
    return int(Path("/proc/sys/fs/inotify/max_queued_events").read_text())


def run(folder: Path, number: int) -> tuple[list[tuple[str, ...]], list[str]]:
    """Rows, and what is wrong."""
    stub_worker.learn(folder)
    studio = support.new_studio(folder / "studio", SETTINGS)
    os.makedirs(studio.path("ready", "card"))
    served = kit.begin(studio, worker=stub_worker.MODULE)
    try:
        support.until(lambda: "looking after" in served.said(), "the service came up")
        support.until(lambda: support.status(studio)["last_scan"], "it looked once")
        os.kill(served.pid, signal.SIGSTOP)
        witness = Witness(studio.path("ready", "card"))
        drop_many(studio, number)
        lost = witness.overflowed()
        os.kill(served.pid, signal.SIGCONT)
        begun = time.monotonic()
        while _masters(studio) < number and not served.ended() and time.monotonic() - begun < 60 + number:
            time.sleep(_PAUSE_S)
        took_s = time.monotonic() - begun
        mode = support.status(studio)["watch"]
        code = served.stop()
    finally:
        served.close()
    prints, left = len(support.prints(studio)), len(support.files(studio, "ready"))
    rows: list[tuple[str, ...]] = [
        ("files", "event limit", "events lost", "watch", "made", "prints", "left in ready/", "seconds")
    ]
    rows += [
        (
            str(number),
            str(queue_limit()),
            "yes" if lost else "no",
            mode,
            str(_masters(studio)),
            str(prints),
            str(left),
            f"{took_s:.0f}",
        )
    ]
    right = (_masters(studio), prints, left, code, mode) == (number, number, 0, 0, "events")
    problems = [] if right else [f"not all handled, exit code {code}, mode {mode}: {served.said()[-500:]}"]
    return rows, problems + (["nothing overflowed"] if not lost and number * 4 > queue_limit() else [])


def _masters(studio: Studio) -> int:
    folder = studio.path("masters", "card")
    return sum(name.endswith(".tif") for name in os.listdir(folder)) if os.path.isdir(folder) else 0


def main(arguments: Sequence[str] | None = None) -> int:
    """Stop, drop, go on; 0 where every file was handled."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=0, help="no effect: nothing is drawn")
    parser.add_argument("--quick", action="store_true", help="300 files, which do not overflow a queue of 16384 events")
    parser.add_argument("--files", type=int)
    options = parser.parse_args(arguments)
    with kit.folder("overflow") as folder:
        rows, problems = run(folder, options.files or (300 if options.quick else 6000))
    kit.table("event overflow", rows)
    return kit.verdict(problems)


if __name__ == "__main__":
    sys.exit(main())
