"""An error once at every system call of one job that changes anything: `python -m tests.faults.error_syscalls`.

EIO, ENOSPC, EACCES, EROFS and EDQUOT are the world's fault: the service goes on or ends with
3, and then, in the same run or at the next start, comes to the undisturbed end. The
picture is never blamed, which the comparison shows: nothing of it in review/, nothing parked.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from pathlib import Path

from tests.faults import kit, points
from tests.faults.kill_syscalls import all_points, child_points, killed, report
from tests.faults.points import Found, Point

ERRORS = ("EIO", "ENOSPC", "EACCES", "EROFS", "EDQUOT")
NEVER = ("lseek", "sendmsg", "recvmsg")  # no disk makes these fail
ENDS = (0, 1, 3)  # done; turned back, where that is right; deferred: the world is to be looked after


def inject(wanted: Sequence[tuple[Point, str]], folder: Path) -> list[Found]:
    """Each error once at its point; see `points.try_point`."""
    return [points.try_point(point, f"error={error}", folder, lambda code: code in ENDS) for point, error in wanted]


def chosen(every: Sequence[Point], errors: Sequence[str], most: int | None) -> list[tuple[Point, str]]:
    """All pairs of point and error; where there are too many, points by a fixed stride with the errors in turn."""
    if most is None:
        return [(point, error) for error in errors for point in every]
    return [(point, errors[i % len(errors)]) for i, point in enumerate(points.spread(every, most))]


def main(arguments: Sequence[str] | None = None) -> int:
    """Inject, start again, compare; 0 where every run came to the undisturbed end."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=0, help="no effect: every point is tried, nothing is drawn")
    parser.add_argument("--quick", action="store_true", help="some points only, by a fixed stride, errors in turn")
    parser.add_argument(
        "--points", type=int, help="at most so many points of the service (and a quarter of that of a child)"
    )
    parser.add_argument("--errors", default=",".join(ERRORS), help="which, with commas between")
    parser.add_argument("--in-turn", action="store_true", help="every point, but one error at each, in turn")
    parser.add_argument("--kills", type=int, default=0, help="kill at so many of the same points too")
    options = parser.parse_args(arguments)
    errors, most = options.errors.split(","), options.points or (24 if options.quick else None)
    with kit.folder("error") as folder:
        service = all_points(folder)
        every_child = child_points(folder)
        child = [point for point in every_child if point.call not in NEVER]
        if options.in_turn:
            most = len(service)
        print(f"{len(service)} points of the service, {len(child)} of a child; {', '.join(errors)}")
        problems = report(inject(chosen(service, errors, most), folder), "an error in the service")
        some = chosen(child, errors, most and max(1, most // 4))
        problems += report(inject(some, folder), "an error in a child")
        problems += killed(service, every_child, options.kills, folder) if options.kills else []
        return kit.verdict(problems)


if __name__ == "__main__":
    sys.exit(main())
