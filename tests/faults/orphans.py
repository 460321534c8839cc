"""A killed service whose children live on, and two services on one studio: `python -m tests.faults.orphans`.

The kernel kills a child with its parent (PR_SET_PDEATHSIG). That is tried as it is, with the
child stopped by SIGSTOP; then with the request taken out, so that fork server and child
really live on while a second service works: they may neither publish nor hold the lock.
"""

from __future__ import annotations

import argparse
import os
import signal
import sys
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path

from printqueue.sandbox import limits
from printqueue.studio.folders import Studio
from tests.faults import kit, points
from tests.faults.kit import Gate, Served
from tests.faults.points import CASES
from tests.running import support

CASE = CASES["accepted"]


def _outlive() -> None:
    """What a kernel would be that does not kill a child with its parent."""
    limits.die_with = lambda parent: None


def die_with_the_service(folder: Path, gate: Gate) -> list[str]:
    """SIGKILL for the service alone, its child stopped: fork server and child are gone at once, and a new service ends it."""
    with points.studio_of(CASE, folder) as studio:
        served = kit.begin(studio, "--once", gate=gate)
        try:
            child = served.comes(support.SOON_S)
            assert child is not None
            fork_server = _parent(child)
            os.kill(child, signal.SIGSTOP)
            served.kill()
            support.until(lambda: not support.alive(child) and not support.alive(fork_server), "the orphans died")
        finally:
            served.close()
        return _ended(studio, folder, kit.serve(studio))


def outlive_the_service(folder: Path, gate: Gate) -> list[str]:
    """The orphans go on, first beside a second service, then after it, and change nothing."""
    with points.studio_of(CASE, folder) as studio:
        served = kit.begin(studio, "--once", gate=gate, first=_outlive)
        child = served.comes(support.SOON_S)
        assert child is not None
        fork_server = _parent(child)
        try:
            served.kill()
            problems = [f"{who} did not outlive it" for who in (child, fork_server) if not support.alive(who)]
            problems += _ended(studio, folder, kit.serve(studio))
            served.go()  # now the orphan does its work
            support.until(lambda: not support.alive(child), "the orphan came to its end")
            problems += kit.end_of(studio).differs(points.undisturbed("accepted", folder))
            return problems
        finally:
            for pid in (child, fork_server):
                with suppress(ProcessLookupError):
                    os.kill(pid, signal.SIGKILL)
            served.close()


def _ended(studio: Studio, folder: Path, code: int) -> list[str]:
    problems = [] if code == 0 else [f"the second service ended with {code}"]
    return problems + kit.end_of(studio).differs(points.undisturbed("accepted", folder))


def _parent(pid: int) -> int:
    with open(f"/proc/{pid}/stat", "rb") as stream:
        return int(stream.read().rpartition(b")")[2].split()[1])


def second_refuses(folder: Path, *, stopped: bool) -> list[str]:
    """While one service runs (or hangs, stopped by SIGSTOP) a second one ends with 3, says so, and disturbs nothing."""
    with points.studio_of(CASE, folder) as studio:
        served = kit.begin(studio, "--once", gate="render")
        try:
            assert served.comes(support.SOON_S) is not None
            if stopped:
                os.kill(served.pid, signal.SIGSTOP)
            second = kit.begin(studio, "--once")
            code = second.wait()
            problems = [] if code == 3 else [f"the second service ended with {code}, not 3"]
            os.kill(served.pid, signal.SIGCONT)
            served.go()
            return problems + _ended(studio, folder, served.wait())
        finally:
            served.close()


def after_another(folder: Path) -> list[str]:
    """Killed and started at once ten times over, as an impatient supervisor does: the lock is never in the way."""
    with points.studio_of(CASE, folder) as studio:
        problems = []
        for _ in range(3):
            served: Served = kit.begin(studio, "--once", gate="render")
            if served.comes(support.SOON_S) is None:
                problems.append(f"a service did not come to its work: {served.said()}")
            served.close()
        return problems + _ended(studio, folder, kit.serve(studio))


def main(arguments: Sequence[str] | None = None) -> int:
    """All of them; 0 where nothing went wrong."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=0, help="no effect: nothing is drawn")
    parser.add_argument("--quick", action="store_true", help="leave out the gate before judging")
    options = parser.parse_args(arguments)
    gates: tuple[Gate, ...] = ("render",) if options.quick else ("render", "child")
    with kit.folder("orphans") as folder:
        found = {
            **{f"child dies with the service ({gate})": die_with_the_service(folder, gate) for gate in gates},
            **{f"child outlives the service ({gate})": outlive_the_service(folder, gate) for gate in gates},
            "second service refuses": second_refuses(folder, stopped=False),
            "second service refuses (first stopped)": second_refuses(folder, stopped=True),
            "started at once after a kill": after_another(folder),
        }
    kit.table("orphans and twins", [("case", "wrong"), *((name, str(len(ones))) for name, ones in found.items())])
    return kit.verdict([f"{name}: {one}" for name, ones in found.items() for one in ones])


if __name__ == "__main__":
    sys.exit(main())
