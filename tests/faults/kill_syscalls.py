"""SIGKILL at every system call of one job that changes anything: `python -m tests.faults.kill_syscalls`.

The service is killed at the N-th call of the thread that works on a picture, of its main
thread, and of its main thread while it cleans up after an earlier kill. Then the child
alone is killed: the service must go on, try once more, and park what killed two.
"""

from __future__ import annotations

import argparse
import sys
from collections import defaultdict
from collections.abc import Iterable, Sequence
from pathlib import Path

from tests.faults import kit, points
from tests.faults.kit import Gate
from tests.faults.points import CASES, CHILD_CALLS, Found, Point

KILL = "signal=KILL"
WAYS: tuple[tuple[str, Gate], ...] = (
    ("accepted", "picture"),
    ("accepted", "main"),
    ("turned back", "picture"),
    ("turned back", "main"),
    ("recovery", "main"),
)


def all_points(folder: Path) -> list[Point]:
    """Every point at which the service itself is killed."""
    return [point for name, gate in WAYS for point in points.points_of(name, gate, folder)]


def child_points(folder: Path) -> list[Point]:
    """Every point at which only a child is killed: the first reads a profile or the picture, whichever comes first."""
    return [p for child in (0, 1) for p in points.points_of("accepted", "child", folder, CHILD_CALLS, child)]


def kill_service(wanted: Iterable[Point], folder: Path) -> list[Found]:
    """The service is killed there and started again."""
    return [points.try_point(point, KILL, folder, lambda code: code == -9) for point in wanted]


def kill_child(wanted: Iterable[Point], folder: Path) -> list[Found]:
    """The child is killed there, as for want of memory: the picture is deferred (3), without a strike, and the next start
    makes it.
    """
    return [points.try_point(point, KILL, folder, lambda code: code in (0, 3)) for point in wanted]


def kill_every_child(folder: Path) -> list[str]:
    """Whoever reads the picture ends of a fault, every time: parked at the second, untouched, and others go on."""
    case = CASES["accepted"]
    with points.studio_of(case, folder) as studio:
        served = kit.begin(studio, "--once", gate="child")
        try:
            traces = points.attend(served, CHILD_CALLS, lambda number: "sendmsg:signal=SEGV:when=1")
            code = served.wait()
        finally:
            served.close()
        ended = sum("+++ killed by SIGSEGV +++" in trace.end()[-1:] for trace in traces.values())
        problems = [] if ended == 2 else [f"{ended} children were used up, not 2"]
        problems += [] if code == 3 else [f"two strikes: exit code {code}, not 3"]
        counts = kit.end_of(studio).counts
        problems += [] if counts == {"stuck": 1} else [f"two strikes: {counts}"]
        problems += kit.lost(studio, case.digests)
        problems += [f"two strikes: {n}" for n in kit.end_of(studio).files if not n.startswith("ready/")]
    return problems


def report(found: Sequence[Found], what: str) -> list[str]:
    """A table by thread and call; what is wrong."""
    rows = [("case", "thread", "points", "reached", "wrong", "calls")]
    groups: dict[tuple[str, str], list[Found]] = defaultdict(list)
    for one in found:
        groups[one.point.case, one.point.gate].append(one)
    for (case, gate), ones in groups.items():
        calls = ", ".join(dict.fromkeys(one.point.call for one in ones))
        wrong = sum(bool(one.problems) for one in ones)
        rows.append((case, gate, str(len(ones)), str(sum(one.reached for one in ones)), str(wrong), calls))
    kit.table(what, rows)
    missed = [one.point for one in found if not one.reached]
    print(f"  {len(found) - len(missed)} points reached; not reached: {', '.join(map(str, missed)) or 'none'}")
    problems = [problem for one in found for problem in one.problems]
    return problems + (
        [f"{len(missed)} of {len(found)} points not reached"] if len(missed) > max(1, len(found) // 20) else []
    )


def main(arguments: Sequence[str] | None = None) -> int:
    """Kill, start again, compare; 0 where every run came to the undisturbed end."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=0, help="no effect: every point is tried, nothing is drawn")
    parser.add_argument("--quick", action="store_true", help="some points only, by a fixed stride")
    parser.add_argument(
        "--points", type=int, help="at most so many points of the service (and a quarter of that of a child)"
    )
    options = parser.parse_args(arguments)
    most = options.points or (24 if options.quick else None)
    with kit.folder("kill") as folder:
        service, child = all_points(folder), child_points(folder)
        print(f"{len(service)} kill points of the service, {len(child)} of a child")
        return kit.verdict(killed(service, child, most, folder))


def killed(service: Sequence[Point], child: Sequence[Point], most: int | None, folder: Path) -> list[str]:
    """Kill at all points, or at most so many of the service and a quarter of that of a child; what is wrong."""
    problems = report(kill_service(points.spread(service, most), folder), "service killed")
    some = points.spread(child, most and max(1, most // 4))
    problems += report(kill_child(some, folder), "child killed, the service goes on")
    problems += kill_every_child(folder)
    return problems + ([] if len(service) > 100 else [f"only {len(service)} kill points"])


if __name__ == "__main__":
    sys.exit(main())
