"""What one picture costs the service, with the image step answered at once: `python -m tests.faults.many_pictures`.

Three runs over tiny pictures: one for time and processor, one under `strace -c` for the calls that wait for the disk,
and this disk's own fsync, timed in the same minute. Required: at most 12 fsync-class calls and 5 ms of processor a
picture in the service. Wall time is given as a multiple of this disk's own fsync; it has no limit, since others use the machine.
"""

from __future__ import annotations

import argparse
import os
import re
import subprocess
import sys
import time
from collections.abc import Sequence
from pathlib import Path
from statistics import median

from printqueue.studio.folders import Studio
from tests.faults import kit, overflow, stub_worker
from tests.faults.kit import Served
from tests.running import support

SETTINGS = "settle: 0 s\nscan: 60 s\nwatch: poll\nworkers: 2\n"
WAITING_CALLS = ("fsync", "fdatasync", "sync_file_range", "syncfs", "sync", "msync")
MOST_CALLS, MOST_CPU_MS = 12.0, 5.0
TICK_S = 1 / os.sysconf("SC_CLK_TCK")


def fsync_ms(folder: Path, times: int = 100) -> float:
    """Median of appending 4 KiB to a file and syncing it."""
    found = []
    with (folder / "fsync").open("wb", buffering=0) as stream:
        for _ in range(times):
            stream.write(b"\1" * 4096)
            begun = time.perf_counter()
            os.fsync(stream.fileno())
            found.append(1000 * (time.perf_counter() - begun))
    return median(found)


def cpu_s(pid: int) -> tuple[float, float]:
    """Processor seconds of a process, all threads, and of its ended children that it waited for (proc(5))."""
    with open(f"/proc/{pid}/stat", "rb") as stream:
        numbers = stream.read().rpartition(b")")[2].split()
    own, waited = sum(map(int, numbers[11:13])), sum(map(int, numbers[13:15]))
    return own * TICK_S, waited * TICK_S


def _filled(folder: Path, name: str, number: int) -> Studio:
    studio = support.new_studio(folder / name, SETTINGS)
    os.makedirs(studio.path("ready", "card"))
    overflow.drop_many(studio, number)
    return studio


def _worked_off(studio: Studio, number: int) -> list[str]:
    prints = len(support.prints(studio))
    return [] if prints == number else [f"{prints} prints of {number} pictures"]


def timed(folder: Path, number: int) -> tuple[dict[str, float], list[str]]:
    """Wall seconds, and processor milliseconds a picture of service and fork server (with its children)."""
    studio = _filled(folder, "timed", number)
    served = kit.begin(studio, "--once", gate="main", worker=stub_worker.MODULE)
    try:
        assert served.comes(support.SOON_S) is not None
        fork_server = support.children(served.pid)[0]
        before, begun = cpu_s(served.pid)[0], time.monotonic()
        served.go()
        own_s = children_s = before
        while not served.ended():
            own_s, children_s = _last(served.pid, own_s), _last(fork_server, children_s, whole=True)
            time.sleep(0.05)
        wall_s = time.monotonic() - begun
    finally:
        served.close()
    numbers = {"wall_s": wall_s, "cpu_ms": 1000 * (own_s - before) / number, "child_ms": 1000 * children_s / number}
    return numbers, _worked_off(studio, number) + ([] if served.code == 0 else [f"ended with {served.code}"])


def _last(pid: int, known_s: float, *, whole: bool = False) -> float:
    """The newest reading; the last one known where the process has gone (a zombie still tells)."""
    try:
        own, waited = cpu_s(pid)
    except OSError:
        return known_s
    return max(known_s, own + waited if whole else own)


def counted(folder: Path, number: int) -> tuple[float, list[str]]:
    """fsync-class calls a picture, from the first scan to the end, by `strace -f -c` on the service (not its children)."""
    studio = _filled(folder, "counted", number)
    summary = folder / "calls"
    served = kit.begin(studio, "--once", gate="main", worker=stub_worker.MODULE)
    try:
        assert served.comes(support.SOON_S) is not None
        strace = _attached(served, summary)
        served.go()
        served.wait(600 + number)
        strace.wait(30)
    finally:
        served.close()
    calls = re.findall(r"^\s*[\d.]+\s+[\d.]+\s+\d+\s+(\d+)\s.*?(\w+)$", summary.read_text(), re.MULTILINE)
    return sum(int(n) for n, call in calls if call in WAITING_CALLS) / number, _worked_off(studio, number)


def _attached(served: Served, summary: Path) -> subprocess.Popen[str]:
    line = ["strace", "-f", "-c", "-p", str(served.pid), "-o", str(summary), "-e", "trace=" + ",".join(WAITING_CALLS)]
    strace = subprocess.Popen(line, stderr=subprocess.PIPE, text=True)
    assert strace.stderr is not None
    while "attached" not in (said := strace.stderr.readline()):
        assert said, "strace ended"
    return strace


def run(folder: Path, number: int, *, to_count: int = 100) -> tuple[list[tuple[str, ...]], list[str]]:
    """Rows, and what is wrong."""
    stub_worker.learn(folder)
    sync_ms = fsync_ms(folder)
    numbers, problems = timed(folder, number)
    sync_ms = median([sync_ms, fsync_ms(folder)])
    calls, wrong = counted(folder, min(number, to_count))
    each_ms = 1000 * numbers["wall_s"] / number
    rows: list[tuple[str, ...]] = [
        (
            "pictures",
            "fsync-class a picture",
            "service CPU",
            "children CPU",
            "wall a picture",
            "fsync here",
            "wall/fsync",
        )
    ]
    rows += [(
        str(number), f"{calls:.1f}", f"{numbers['cpu_ms']:.1f} ms", f"{numbers['child_ms']:.1f} ms",
        f"{each_ms:.1f} ms", f"{sync_ms:.2f} ms", f"{each_ms / sync_ms:.0f} ×",
    )]  # fmt: skip
    problems += wrong
    problems += [f"{calls:.1f} fsync-class calls a picture, allowed {MOST_CALLS:.0f}"] if calls > MOST_CALLS else []
    over = numbers["cpu_ms"] > MOST_CPU_MS
    return rows, problems + ([f"{numbers['cpu_ms']:.1f} ms CPU a picture, allowed {MOST_CPU_MS:.0f}"] if over else [])


def main(arguments: Sequence[str] | None = None) -> int:
    """Work them off, count; 0 within the limits."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=0, help="no effect: nothing is drawn")
    parser.add_argument("--quick", action="store_true", help="300 pictures")
    parser.add_argument("--pictures", type=int)
    options = parser.parse_args(arguments)
    with kit.folder("many") as folder:
        rows, problems = run(folder, options.pictures or (300 if options.quick else 10_000))
    kit.table("many small pictures", rows)
    return kit.verdict(problems)


if __name__ == "__main__":
    sys.exit(main())
