"""Measures what reading a file takes, in forks of a clean process: paths on stdin, "HELD ESTIMATE" in bytes on stdout."""

from __future__ import annotations

import os
import sys
from concurrent.futures import ThreadPoolExecutor

from printqueue.imaging.decode.cost import decoding_bytes
from printqueue.imaging.decode.opening import open_picture
from printqueue.imaging.decode.reader import Bounds
from printqueue.imaging.source import Source
from printqueue.sandbox import tasks as worker

ROWS = 128


def read_all(source: Source) -> None:
    """Read every row in bands from two threads, and look at the alpha channel."""
    height = source.facts.height_px
    with ThreadPoolExecutor(2) as pool:
        for _ in pool.map(lambda top: source.rows(top, min(top + ROWS, height)).shape, range(0, height, ROWS)):
            pass
    source.transparent()


def measure(path: str) -> tuple[int, int]:
    """Return what a forked child needed to read the file, less its bands, and what was estimated (both in bytes)."""
    reading, writing = os.pipe()
    pid = os.fork()
    if pid == 0:
        with open("/proc/self/clear_refs", "w") as peak:
            peak.write("5")  # VmHWM begins anew, proc_pid_clear_refs(5)
        before = _resident("VmHWM")
        with open(path, "rb") as handle:
            source = open_picture(handle, Bounds())
            estimate = decoding_bytes(source)
            read_all(source)
        facts = source.facts
        bands = 2 * ROWS * facts.width_px * 3 * facts.bits // 8
        os.write(writing, f"{_resident('VmHWM') - before - bands} {estimate}".encode())
        os._exit(0)
    os.close(writing)
    with os.fdopen(reading) as stream:
        found = stream.read().split()
    assert os.waitpid(pid, 0)[1] == 0
    return int(found[0]), int(found[1])


def _resident(name: str) -> int:
    with open("/proc/self/status") as status:
        return next(int(line.split()[1]) * 1024 for line in status if line.startswith(name))


if __name__ == "__main__":
    worker.warm_up()  # the libraries are no part of what a picture needs
    for line in sys.stdin:
        print(*measure(line.removesuffix("\n")), flush=True)
