"""What the fault programs share: a service in a process of its own that can be held at a gate, and the end it came to.

The service is the real one, `printqueue serve` from its command line on. Only the start of
the interpreter is saved: service and fork server are forked from this process, which has
imported everything once, instead of being executed anew. That makes some hundred runs a
matter of minutes. The order of things (fork server, lock, ledger) is the product's own.

A gate is a place where one thread waits until `go`, so that strace can be attached to
exactly that thread: its `when=N` counts per thread, from there on.
"""

from __future__ import annotations

import os
import select
import shutil
import signal
import sqlite3
import sys
import tempfile
import threading
import time
import traceback
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

from printqueue.cli.main import main
from printqueue.ledger import LedgerReader
from printqueue.sandbox import client, fork_server, limits, protocol
from printqueue.service import loop
from printqueue.studio.folders import Studio
from tests.faults import gated_worker
from tests.running import support

Gate = Literal["main", "picture", "child", "render"]
SETTINGS = "settle: 0 s\nscan: 60 s\nwatch: poll\nworkers: 1\n"
MTIME_NS = 1_500_000_000_987_654_321
_OURS = ("print", "review", "masters")


# -- a service in a process of its own ------------------------------------------


class _Forked:
    """What `ForkServer` needs of a Popen, over a process forked from the service instead of executed."""

    def __init__(self, command: list[str], **_: Any) -> None:
        control, module, parent = command[3:6]
        self.pid = os.fork()
        if self.pid == 0:
            sys.argv = ["fork_server", control, module, parent]
            os.environ |= client._ENVIRONMENT
            _to_the_end(fork_server.main)

    def kill(self) -> None:
        with suppress(ProcessLookupError):
            os.kill(self.pid, signal.SIGKILL)

    def wait(self) -> int:
        return os.waitpid(self.pid, 0)[1]


def _to_the_end(work: Callable[[], int | None]) -> None:
    """Run the last thing that a forked process does; nothing of this program's own ending is repeated in it."""
    code = 70
    try:
        code = work() or 0
    except SystemExit as error:
        code = error.code if isinstance(error.code, int) else 70
    except BaseException:
        traceback.print_exc()
    finally:
        os._exit(code)


@dataclass
class Served:
    """A running service: `thread` is who waits at the gate."""

    studio: Studio
    pid: int
    log: str
    thread: int = 0
    code: int | None = None
    _arrived: int = -1
    _go: int = -1

    def go(self) -> None:
        """Open the gate for the one who waits there."""
        os.write(self._go, b"g")

    def comes(self, within_s: float) -> int | None:
        """Who has come to the gate; None for nobody within that time, or never again."""
        if not select.select([self._arrived], [], [], within_s)[0]:
            return None
        line = os.read(self._arrived, 8)
        self.thread = int(line) if line else 0
        return self.thread or None

    def close(self) -> None:
        """Kill it if it still runs, and give its pipes back."""
        self.kill()
        for descriptor in (self._arrived, self._go):
            with suppress(OSError):
                os.close(descriptor)

    def wait(self, within_s: float = support.SOON_S) -> int:
        """The exit code; negative for a signal. One that does not end is killed, and that is an error."""
        end = time.monotonic() + within_s
        while self.code is None:
            pid, status = os.waitpid(self.pid, os.WNOHANG)
            if pid:
                self.code = os.waitstatus_to_exitcode(status)
            elif time.monotonic() > end:
                self.kill()
                raise TimeoutError(f"the service did not end within {within_s:.0f} s:\n{self.said()}")
            else:
                time.sleep(0.002)
        return self.code

    def ended(self) -> bool:
        """Whether it has ended by itself."""
        if self.code is None:
            pid, status = os.waitpid(self.pid, os.WNOHANG)
            if pid:
                self.code = os.waitstatus_to_exitcode(status)
        return self.code is not None

    def kill(self) -> None:
        """SIGKILL, and wait for it."""
        if self.code is None:
            os.kill(self.pid, signal.SIGKILL)
            self.code = os.waitstatus_to_exitcode(os.waitpid(self.pid, 0)[1])

    def stop(self, within_s: float = support.SOON_S) -> int:
        """SIGTERM, and wait for it."""
        if not self.ended():
            os.kill(self.pid, signal.SIGTERM)
        return self.wait(within_s)

    def said(self) -> str:
        """Its stderr so far."""
        return Path(self.log).read_text(errors="replace")


def begin(
    studio: Studio,
    *arguments: str,
    gate: Gate | None = None,
    worker: str = "tests.faults.gated_worker",
    first: Callable[[], object] | None = None,
) -> Served:
    """Start `printqueue serve` on `studio`. Whoever comes to the gate is told by `comes` and waits for `go`.

    The gates `main` and `picture` hold one thread once; `child` holds every child, one after the other; `render`
    every child that is about to render. `first` is done in the new process before anything else.
    """
    arrived, arriving = os.pipe()
    going, go = os.pipe()
    log = studio.root.rstrip("/") + ".stderr"
    Path(log).touch()
    ours = os.getpid()
    pid = os.fork()
    if pid == 0:
        limits.die_with(ours)  # or a service that hangs would outlive a program that was given up
        _redirect(log)
        if first is not None:
            first()
        if gate is not None:
            _put_gate(gate, arriving, going)
        _to_the_end(lambda: _serve(studio, worker, arguments))
    os.close(arriving)
    os.close(going)
    return Served(studio, pid, log, _arrived=arrived, _go=go)


def _redirect(log: str) -> None:
    descriptor = os.open(log, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)
    os.dup2(descriptor, 2)
    os.dup2(descriptor, 1)
    sys.stdout = sys.stderr = os.fdopen(2, "w", buffering=1, closefd=False)


def _serve(studio: Studio, worker: str, arguments: tuple[str, ...]) -> int:
    client.subprocess.Popen = _Forked  # type: ignore[attr-defined]
    protocol.WORKER = worker
    return main(["-C", studio.root, "serve", *arguments])


def _put_gate(gate: Gate, arriving: int, going: int) -> None:
    """The first to come in each process waits; nobody else ever does."""
    passed: list[int] = []

    def hold(number: int) -> None:
        if not passed:
            passed.append(number)
            os.write(arriving, f"{number:8d}".encode())
            os.read(going, 1)

    if gate in ("child", "render"):
        gated_worker.hold = lambda task: hold(os.getpid()) if gate in ("child", task) else None
        return
    owner, name = (loop.Service, "run") if gate == "main" else (loop, "process")
    work = getattr(owner, name)

    def held(*values: Any, **named: Any) -> Any:
        hold(threading.get_native_id())
        return work(*values, **named)

    setattr(owner, name, held)


def serve(studio: Studio, *, within_s: float = support.SOON_S) -> int:
    """One undisturbed `serve --once`; its exit code."""
    served = begin(studio, "--once")
    try:
        return served.wait(within_s)
    finally:
        served.close()


# -- what it came to ----------------------------------------------------------


@dataclass(frozen=True)
class End:
    """What stands there, and what the ledger says of it."""

    files: dict[str, str]
    stamps: dict[str, int]
    records: list[tuple[Any, ...]] = field(default_factory=list)
    counts: dict[str, int] = field(default_factory=dict)
    state: frozenset[str] = frozenset()
    spool: tuple[str, ...] = ()
    ledger: str = ""

    def differs(self, other: End) -> list[str]:
        """What is not as in `other`, in words."""
        found = [f"missing {name}" for name in sorted(other.files.keys() - self.files.keys())]
        found += [f"too much {name}" for name in sorted(self.files.keys() - other.files.keys())]
        found += [f"other bytes {n}" for n in sorted(self.files) if self.files[n] != other.files.get(n, self.files[n])]
        found += [f"other time {n}" for n in other.stamps if n in self.stamps and self.stamps[n] != other.stamps[n]]
        for what in ("records", "counts", "state", "spool", "ledger"):
            mine, its = getattr(self, what), getattr(other, what)
            found += [f"{what}: {mine} instead of {its}"] if mine != its else []
        return found


def end_of(studio: Studio) -> End:
    """The end of a studio whose service has stopped."""
    files = support.files(studio)
    reader = LedgerReader(studio.ledger)
    prints = [(p.job, p.path, p.paper, p.copies, p.state, p.verdict, p.output, p.sha256) for p in reader.prints()]
    counts = {name: number for name, number in reader.counts().items() if number}
    state = {name for name in os.listdir(studio.state) if not name.endswith(("-wal", "-shm"))}
    spool = tuple(sorted(os.listdir(studio.private("spool"))))
    return End(files, _stamps(studio, files), prints, counts, frozenset(state), spool, _ledger_health(studio))


def _stamps(studio: Studio, files: dict[str, str]) -> dict[str, int]:
    """Times of what the photographer made; ours are new at every run."""
    times = {name: os.stat(studio.path(name)).st_mtime_ns for name in files}
    return {name: at for name, at in times.items() if at == MTIME_NS}


def _ledger_health(studio: Studio) -> str:
    with closing(sqlite3.connect(studio.ledger)) as ledger:
        return str(ledger.execute("PRAGMA integrity_check").fetchone()[0])


def sayings(studio: Studio) -> list[str]:
    """What the ledger says of each job, for a report on what is wrong."""
    return [f"{one.path} {one.state}: {one.says}" for one in LedgerReader(studio.ledger).prints()]


def half_visible(studio: Studio, undisturbed: End) -> list[str]:
    """Visible files of ours that are not whole, as somebody sees them who looks right now."""
    return [
        f"not whole: {name}"
        for name, digest in support.files(studio, *_OURS).items()
        if not os.path.basename(name).startswith(".") and undisturbed.files.get(name) != digest
    ]


def lost(studio: Studio, digests: set[str]) -> list[str]:
    """Of the photographer's files, those that stand nowhere at all right now."""
    there = set(support.files(studio, "ready", "masters", "review").values())
    return [f"lost: {digest[:12]}" for digest in sorted(digests - there)]


# -- reports ------------------------------------------------------------------


def table(title: str, rows: Sequence[Sequence[str]]) -> None:
    """A small table; the first row names the columns."""
    widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]))]
    print(title)
    for row in rows:
        print("  " + "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip())


def verdict(problems: list[str], most: int = 40) -> int:
    """Print what is wrong; the exit code."""
    for problem in problems[:most]:
        print(f"  WRONG {problem}")
    if len(problems) > most:
        print(f"  … and {len(problems) - most} more")
    print("nothing wrong" if not problems else f"{len(problems)} wrong")
    return 1 if problems else 0


def forget(path: Path) -> None:
    """Remove a folder of ours."""
    shutil.rmtree(path, ignore_errors=True)


@contextmanager
def folder(name: str) -> Iterator[Path]:
    """A folder of this run, on the disk of the temporary files; removed afterwards."""
    path = Path(tempfile.mkdtemp(prefix=f"printqueue-{name}-"))
    try:
        yield path
    finally:
        forget(path)
