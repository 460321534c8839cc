"""The service's side: start the fork server, fork a child, ask it, and find out how it ended."""

from __future__ import annotations

import json
import os
import pickle
import resource
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import asdict
from types import TracebackType
from typing import Any, Self

from printqueue.core.errors import OwnError, StudioError
from printqueue.sandbox import wire
from printqueue.sandbox.limits import ChildLimits
from printqueue.sandbox.line import Line
from printqueue.sandbox.patience import MAX_THREADS, AnswerLimits, CrowdedError, SpentError, StalledError
from printqueue.sandbox.walls import WALLS, Walls

_NO_MEMORY = 71
_FORK_SERVER = AnswerLimits(max_bytes=1000, max_s=60.0, stalled_s=600.0)
_DYING_S = 5.0  # for the kernel to end a killed process
_LOST = (wire.ClosedError, SpentError, StalledError, CrowdedError, OSError)
_MAX_ANSWER = 64_000  # bytes, unless the question says otherwise
# One BLAS thread and two malloc arenas: threads alone would take 0.7 GB of address space.
_ENVIRONMENT = {
    "OPENBLAS_NUM_THREADS": "1",
    "OMP_NUM_THREADS": "1",
    "MALLOC_ARENA_MAX": "2",
    "PYTHONDONTWRITEBYTECODE": "1",
}
_INHERITED = ("PATH", "LANG", "LC_ALL", "HOME", "PYTHONPATH", "VIRTUAL_ENV", "OPENBLAS_CORETYPE", "OPENBLAS_L2_SIZE")


class ChildDiedError(OwnError):
    """A child was killed, or ran out of memory or time; `how` is one clause for the photographer."""

    def __init__(self, how: str) -> None:
        super().__init__(f"The reading process {how}.")
        self.how = how


class ChildInterruptedError(ChildDiedError):
    """Something outside ended it or held it up, which says nothing about the picture."""


class AnswerTooLongError(ChildDiedError):
    """A child sent more than its question allows, and was stopped."""


class ForkServerDiedError(StudioError):
    """Without its fork server the service can read nothing; no picture is to blame, and a restart helps."""


class ForkServer:
    """The exec'ed process that forks children. Start it before opening ledger and lock, from the main thread."""

    def __init__(self, module: str) -> None:
        self._lock = threading.Lock()
        self._unreaped: list[Line] = []  # killed but not yet ended: their disk hangs
        ours, theirs = socket.socketpair()
        inherited = {name: os.environ[name] for name in _INHERITED if name in os.environ}
        arguments = [str(theirs.fileno()), module, str(os.getpid())]
        self._process = subprocess.Popen(  # noqa: S603 - our own interpreter and module
            [sys.executable, "-m", "printqueue.sandbox.fork_server", *arguments],
            env=inherited | _ENVIRONMENT,
            pass_fds=[theirs.fileno()],
            stdin=subprocess.DEVNULL,
        )
        theirs.close()
        self._line = Line(ours, self._process.pid)
        try:
            self._line.receive(_FORK_SERVER)
        except _LOST as error:
            self.close()
            raise OwnError("The reading process could not be started.", do="Run `printqueue doctor`.") from error

    def child(self, limits: ChildLimits) -> Child:
        """Fork one bounded child."""
        self._reap_late()
        ours, theirs = socket.socketpair()
        try:
            pid = self._order({"limits": asdict(limits)}, [theirs.fileno()])
            return Child(self, Line(ours, pid), limits)
        except BaseException:
            ours.close()  # a child without its line ends on its own
            raise
        finally:
            theirs.close()

    def reap(self, line: Line) -> int | None:
        """Reap a killed child and return its wait status; None if it has not ended yet and will be reaped later."""
        try:
            status = self._wait_status(line)
        except BaseException:
            line.close()
            raise
        if status is None:
            with self._lock:
                self._unreaped.append(line)
        else:
            line.close()
        return status

    def _wait_status(self, line: Line) -> int | None:
        """Its wait status, if it ends soon. A traced child ends a moment before it can be reaped."""
        until_s = time.monotonic() + _DYING_S
        while line.has_ended(max(0.0, until_s - time.monotonic())):
            status = self._order({"reap": line.pid}, [])
            if status >= 0:
                return status
            if time.monotonic() > until_s:
                break
            time.sleep(0.005)
        return None

    def close(self) -> None:
        """End the fork server and every child with it."""
        self._process.kill()
        self._process.wait()
        for line in (self._line, *self._unreaped):
            line.close()

    def _reap_late(self) -> None:
        """Reap what has ended since."""
        with self._lock:
            ended = [line for line in self._unreaped if line.has_ended()]
            self._unreaped = [line for line in self._unreaped if line not in ended]
        for line in ended:
            self.reap(line)

    def _order(self, order: dict[str, Any], descriptors: Sequence[int]) -> int:
        with self._lock:
            try:
                answer = self._line.ask(json.dumps(order).encode(), descriptors, _FORK_SERVER)
            except _LOST as error:
                raise ForkServerDiedError(
                    "The process that the reading processes are forked from has ended. Nothing is lost.",
                    do="Start the service again (a supervisor does that by itself).",
                ) from error
        return int(json.loads(answer))


class Child:
    """One bounded process for one picture; a context manager that always ends it."""

    def __init__(self, fork_server: ForkServer, line: Line, limits: ChildLimits) -> None:
        self._fork_server, self._line, self._limits = fork_server, line, limits
        self._ended = self._killed = False

    @property
    def _pid(self) -> int:
        return self._line.pid

    def ask(self, task: str, argument: Any, descriptors: Sequence[int] = (), *, max_bytes: int = _MAX_ANSWER) -> bytes:
        """Run `task` in the child; its answer has at most `max_bytes`. Raises `ChildDiedError` if the child does not
        survive it, `ChildInterruptedError` if something outside ended it.
        """
        limits = AnswerLimits(max_bytes, self._limits.wall_s, self._limits.stalled_s)
        try:
            return self._line.ask(pickle.dumps((task, argument)), descriptors, limits)
        except _LOST as error:
            raise self._lost(error, limits) from error

    def _lost(self, error: Exception, limits: AnswerLimits) -> ChildDiedError:
        """The error for a missing answer; the child has ended by then."""
        match error:
            case SpentError():
                found = ChildDiedError(f"took longer than {limits.max_s:.0f} s and was stopped")
            case CrowdedError():
                found = ChildDiedError(f"started more than {MAX_THREADS} threads and was stopped")
            case StalledError():
                how = f"could not go on for {limits.stalled_s:.0f} s: its disk does not answer, or somebody has stopped it"
                found = ChildInterruptedError(how)
            case wire.TooLongError():
                found = AnswerTooLongError(f"had more to say than {limits.max_bytes // 1000} kB and was stopped")
            case _:
                return self._died()
        self.end()
        return found

    def walls(self) -> Walls:
        """The walls around it; ask before it reads anything."""
        return Walls(**json.loads(self.ask(WALLS, None)))

    def tighten(self, limits: ChildLimits) -> None:
        """Lower its limits on address space, time per question and file size.

        Done from outside (prlimit(2)), so that nothing the child has read can influence it.
        """
        self._limits = limits
        with suppress(ProcessLookupError, PermissionError):  # it has died (`ask` says so), or a filter forbids it
            resource.prlimit(self._pid, resource.RLIMIT_AS, (limits.memory,) * 2)
            resource.prlimit(self._pid, resource.RLIMIT_FSIZE, (limits.file_size,) * 2)

    def kill(self) -> None:
        """Stop the child at once, from another thread; `ask` then raises."""
        self._killed = True
        self._line.kill()

    def end(self) -> int | None:
        """End it, so that it writes nothing more; return its wait status, None if the kernel cannot end it yet."""
        if self._ended:
            return 0
        self._ended = True
        self._line.kill()
        self._line.close_socket()
        return self._fork_server.reap(self._line)

    def _died(self) -> ChildDiedError:
        """How it ended, now that its line is closed."""
        ours = not self._line.has_ended(_DYING_S) or self._killed
        status = self.end()
        if status is None:
            return ChildInterruptedError("does not end: its disk does not answer")
        if os.waitstatus_to_exitcode(status) == -signal.SIGKILL and not ours:
            return ChildInterruptedError(f"{_how(status)}, from outside; the system does that when memory runs out")
        return ChildDiedError(_how(status))

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        with suppress(ForkServerDiedError):  # the service will notice; the child has ended too
            self.end()


def _how(status: int) -> str:
    """One clause for a wait status."""
    code = os.waitstatus_to_exitcode(status)
    if code == _NO_MEMORY:
        return "needed more memory than allowed"
    if code == -signal.SIGXCPU:
        return "used more processor time than allowed"
    if code < 0:
        return f"was ended by signal {-code} ({signal.Signals(-code).name})"
    return f"ended by itself with code {code}"
