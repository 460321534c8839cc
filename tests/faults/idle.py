"""What a service costs that has nothing to do: `python -m tests.faults.idle`.

Run time of all its threads over a minute and more, from /proc/PID/task/*/schedstat (nanoseconds), once with an empty
ready/, then with 10,000 files in a folder that names no paper, then with 10,000 parked pictures. Scans every 15 s.
Allowed: 0.05 % of a core when empty, 0.5 % with 10,000 files standing there.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from pathlib import Path

from printqueue.core.model.job import State
from printqueue.core.model.seen import Stamp
from printqueue.ledger import Ledger, LedgerReader
from printqueue.studio.folders import Studio, prepare_state
from tests.faults import kit
from tests.running import support

SETTINGS = "settle: 0 s\nscan: {scan} s\nwatch: auto\nworkers: 1\n"
MOST_EMPTY, MOST_STANDING = 0.0005, 0.005


def run_time_s(pid: int) -> float:
    """Seconds that the living threads of a process have run (proc: task/*/schedstat, first number)."""
    total = 0
    for thread in os.listdir(f"/proc/{pid}/task"):
        with suppress(OSError):
            total += int(Path(f"/proc/{pid}/task/{thread}/schedstat").read_text().split()[0])
    return total / 1e9


def _standing(studio: Studio, folder: str, number: int) -> None:
    os.makedirs(studio.path("ready", folder))
    for index in range(number):
        Path(studio.path("ready", folder, f"Net {index:05d}.tif")).write_bytes(b"tiny %d" % index)


def empty(studio: Studio, number: int) -> None:
    """Nothing."""


def no_paper(studio: Studio, number: int) -> None:
    """In a folder that names no paper."""
    _standing(studio, "plain wood", number)


def parked(studio: Studio, number: int) -> None:
    """In a paper's folder, each parked as `stuck`."""
    _standing(studio, "card", number)
    prepare_state(studio)
    ledger = Ledger(studio.ledger, lambda: support.NOW)
    try:
        for entry in sorted(os.scandir(studio.path("ready", "card")), key=lambda one: one.name):
            seen = entry.stat()
            claimed = ledger.claim(f"card/{entry.name}", Stamp.of(seen))
            ledger.settle(claimed.id, State.STUCK, "parked for this measurement")
    finally:
        ledger.close()


CASES: dict[str, tuple[Callable[[Studio, int], None], float]] = {
    "empty ready/": (empty, MOST_EMPTY),
    "no such paper": (no_paper, MOST_STANDING),
    "parked": (parked, MOST_STANDING),
}


def share(folder: Path, name: str, number: int, over_s: float, scan_s: float) -> tuple[float, float]:
    """Share of a core while idle, and milliseconds a scan."""
    studio = support.new_studio(folder / name.replace("/", ""), SETTINGS.format(scan=scan_s))
    CASES[name][0](studio, number)
    served = kit.begin(studio)
    try:
        support.until(lambda: LedgerReader(studio.ledger).heartbeat().last_scan, "it looked once")
        _calm(served.pid)
        before, begun = run_time_s(served.pid), time.monotonic()
        time.sleep(over_s)
        ran_s, passed_s = run_time_s(served.pid) - before, time.monotonic() - begun
        assert served.stop() == 0, served.said()
    finally:
        served.close()
    return ran_s / passed_s, 1000 * ran_s / (passed_s / scan_s)


def _calm(pid: int) -> None:
    """Wait for the end of the first look: half a second without any run time worth the name."""
    for _ in range(240):
        before = run_time_s(pid)
        time.sleep(0.5)
        if run_time_s(pid) - before < 0.005:
            return


def main(arguments: Sequence[str] | None = None) -> int:
    """Measure; 0 within the limits."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=0, help="no effect: nothing is drawn")
    parser.add_argument("--quick", action="store_true", help="20 s each, scans every 5 s, limits three times as high")
    parser.add_argument("--files", type=int, default=10_000)
    options = parser.parse_args(arguments)
    over_s, scan_s, factor = (20.0, 5.0, 3.0) if options.quick else (75.0, 15.0, 1.0)
    rows, problems = [("ready/", "files", "share of a core", "allowed", "ms a scan")], list[str]()
    with kit.folder("idle") as folder:
        for name, (_, most) in CASES.items():
            number = 0 if name.startswith("empty") else options.files
            got, each_ms = share(folder, name, number, over_s, scan_s)
            rows.append((name, str(number), f"{got:.4%}", f"{most * factor:.4%}", f"{each_ms:.1f}"))
            problems += [f"{name}: {got:.4%} of a core, allowed {most * factor:.4%}"] if got > most * factor else []
    kit.table(f"idle, over {over_s:.0f} s, scans every {scan_s:.0f} s", rows)
    return kit.verdict(problems)


if __name__ == "__main__":
    sys.exit(main())
