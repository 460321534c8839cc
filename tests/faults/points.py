"""Every system call of one job as a point where something can be made to happen to it, by strace.

A first run under strace, undisturbed, counts the calls of one thread from its gate on; each of
them is then a point `(case, gate, call, n)`. strace follows that one thread only, so its
`when=N` is exact and comes true once.
"""

from __future__ import annotations

import os
import re
import subprocess
import tempfile
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from functools import cache
from itertools import count
from pathlib import Path

from printqueue.studio.folders import Studio
from tests.faults import kit
from tests.faults.kit import End, Gate, Served
from tests.running import support

CALLS = (
    *("write", "pwrite64", "writev", "fsync", "fdatasync", "ftruncate", "fallocate", "copy_file_range", "sendfile"),
    *("rename", "renameat", "renameat2", "link", "linkat", "unlink", "unlinkat", "rmdir", "mkdir", "mkdirat"),
    *("utimensat", "fchmod", "fchown"),
)
CHILD_CALLS = (*CALLS, "pread64", "lseek", "sendmsg", "recvmsg")
ORDER = b"copies: 2\nnote: for the harbour office\n"


@dataclass(frozen=True)
class Case:
    """One job: its picture and order, and where it is killed before the run that is looked at."""

    picture: Callable[[], bytes]
    order: bytes = ORDER
    before: tuple[str, int] | None = None  # a call of the picture's thread

    def fill(self, studio: Studio) -> None:
        """Drop picture and order."""
        support.drop(studio, "card/Fog.tif", self.picture(), mtime_ns=kit.MTIME_NS)
        support.drop(studio, "card/Fog.order.yaml", self.order, mtime_ns=kit.MTIME_NS)

    @property
    def digests(self) -> set[str]:
        """SHA-256 of what the photographer dropped."""
        return {support.sha256(self.picture()), support.sha256(self.order)}


CASES = {
    "accepted": Case(support.picture),
    "turned back": Case(support.small_picture),
    "recovery": Case(support.picture, before=("renameat2", 2)),  # a print is visible, the original stands in ready/
}


@dataclass(frozen=True)
class Point:
    """The `n`-th `call` of the thread (or of the `child`-th child, from 0) that stands at the gate."""

    case: str
    gate: Gate
    call: str
    n: int
    child: int = 0

    def __str__(self) -> str:
        who = f"child {self.child}" if self.gate == "child" else self.gate
        return f"{self.case}: {who}: {self.call} {self.n}"


# -- strace on one thread -------------------------------------------------------


class Strace:
    """strace attached to one thread; `injection` is what follows `-e inject=CALL:`."""

    def __init__(self, thread: int, calls: Sequence[str], injection: str = "") -> None:
        descriptor, self._out = tempfile.mkstemp(prefix="printqueue-strace-")
        os.close(descriptor)
        line = ["strace", "-p", str(thread), "-o", self._out, "-e", "trace=" + ",".join(calls)]
        line += ["-e", "inject=" + injection] if injection else []
        self._process = subprocess.Popen(line, stderr=subprocess.PIPE, text=True)
        assert self._process.stderr is not None
        said = self._process.stderr.readline()
        if "attached" not in said:
            self._process.kill()
            raise RuntimeError(f"strace: {said.strip()}")

    def end(self) -> list[str]:
        """The traced lines; ends by itself with the thread."""
        with suppress(subprocess.TimeoutExpired):
            self._process.wait(0.5)
        self._process.terminate()
        self._process.wait()
        assert self._process.stderr is not None
        self._process.stderr.close()
        lines = Path(self._out).read_text(errors="replace").splitlines()
        Path(self._out).unlink()
        return lines


def usable() -> str | None:
    """Why strace cannot be used here, or None."""
    try:
        line = ["strace", "-e", "trace=getpid", "-e", "inject=getpid:error=EPERM:when=1", "true"]
        subprocess.run(line, capture_output=True, check=True, timeout=20)
    except (OSError, subprocess.SubprocessError) as error:
        return str(error)
    return None


# -- runs under it --------------------------------------------------------------


@contextmanager
def studio_of(case: Case, folder: Path) -> Iterator[Studio]:
    """A filled studio in `folder`, removed afterwards; killed where the case says so."""
    root = Path(tempfile.mkdtemp(dir=folder)) / "studio"
    studio = support.new_studio(root, kit.SETTINGS)
    case.fill(studio)
    if case.before is not None:
        call, n = case.before
        _, lines = held(studio, "picture", [call], f"{call}:signal=KILL:when={n}")
        assert "+++ killed by SIGKILL +++" in lines[-1:], "the kill before was not reached"
    try:
        yield studio
    finally:
        kit.forget(root.parent)


def held(
    studio: Studio, gate: Gate, calls: Sequence[str], injection: str = "", child: int = 0
) -> tuple[int, list[str]]:
    """One `serve --once`, strace on who comes to the gate; its exit code, and the traced lines."""
    served = kit.begin(studio, "--once", gate=gate)
    try:
        traces = attend(served, calls, lambda number: injection if number == child else None)
        return served.wait(), traces[child].end() if child in traces else []
    finally:
        served.close()


def attend(served: Served, calls: Sequence[str], wanted: Callable[[int], str | None]) -> dict[int, Strace]:
    """Attach to those at the gate for whom something is `wanted`, until the service ends; the others go on."""
    traces: dict[int, Strace] = {}
    for number in count():
        while (who := served.comes(0.02)) is None:
            if served.ended():
                return traces
        if (injection := wanted(number)) is not None:
            traces[number] = Strace(who, calls, injection)
        served.go()
    return traces


def points_of(name: str, gate: Gate, folder: Path, calls: Sequence[str] = CALLS, child: int = 0) -> list[Point]:
    """All points of a thread, in the order of their kind, from an undisturbed run."""
    with studio_of(CASES[name], folder) as studio:
        _, lines = held(studio, gate, calls, child=child)
    counted = Counter(match[1] for line in lines if (match := re.match(r"(\w+)\(", line)))
    return [Point(name, gate, call, n, child) for call in calls for n in range(1, counted[call] + 1)]


@cache
def undisturbed(name: str, folder: Path) -> End:
    """What every disturbed run must come to. `recovery` must come to the same as if nothing had happened."""
    plain = Case(CASES[name].picture, CASES[name].order)
    with studio_of(plain, folder) as studio:
        code = kit.serve(studio)
        assert code == (1 if name == "turned back" else 0), f"undisturbed run ended with {code}"
        return kit.end_of(studio)


@dataclass(frozen=True)
class Found:
    """What one point came to. `reached`: the call was really hit."""

    point: Point
    what: str
    reached: bool
    codes: tuple[int, int]
    problems: tuple[str, ...]


def try_point(point: Point, what: str, folder: Path, accepted: Callable[[int], bool]) -> Found:
    """`what` happens at the point; look at once; start again undisturbed; compare with the undisturbed end."""
    case, calls = CASES[point.case], CHILD_CALLS if point.gate == "child" else CALLS
    want = undisturbed(point.case, folder)
    with studio_of(case, folder) as studio:
        try:
            code, lines = held(studio, point.gate, calls, f"{point.call}:{what}:when={point.n}", point.child)
        except TimeoutError as error:
            return Found(point, what, reached=True, codes=(-1, -1), problems=(f"{point} {what}: {error}",))
        reached = any("(INJECTED)" in line or "+++ killed by SIGKILL" in line for line in lines)
        problems = [] if accepted(code) or not reached else [f"exit code {code}"]
        problems += kit.half_visible(studio, want) + kit.lost(studio, case.digests)
        try:
            again = kit.serve(studio)
        except TimeoutError as error:
            return Found(point, what, reached, (code, -1), (*problems, str(error)))
        problems += kit.end_of(studio).differs(want)
        problems += [f"says: {one}" for one in kit.sayings(studio)] if problems else []
    return Found(point, what, reached, (code, again), (f"{point} {what}: {'; '.join(problems)}",) if problems else ())


def spread(points: Sequence[Point], most: int | None) -> list[Point]:
    """At most so many of the points, by a fixed stride."""
    if most is None or len(points) <= most:
        return list(points)
    return [points[index * len(points) // most] for index in range(most)]
