"""The service's side: start the fork server, fork a child, ask it, and learn how it ended."""

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
from printqueue.sandbox.limits import ChildLimits, tightened
from printqueue.sandbox.line import Line
from printqueue.sandbox.patience import MOST_THREADS, CrowdedError, SpentError, StalledError
from printqueue.sandbox.walls import WALLS, Walls

_NO_MEMORY = 71
_STARTING_S, _ORDER_S, _STALLED_S = 60.0, 60.0, 600.0  # for the fork server, of its own time; and without headway
_DYING_S = 5.0  # for the kernel to end what was killed
_MOST_SAID = 1000  # bytes of the fork server
_LOST = (wire.ClosedError, SpentError, StalledError, CrowdedError)
MOST_ANSWER = 64_000  # bytes of a child, where the question says nothing else
# One BLAS thread and two malloc arenas: threads alone would take 0.7 GB of address space.
_ENVIRONMENT = {
    "OPENBLAS_NUM_THREADS": "1",
    "OMP_NUM_THREADS": "1",
    "MALLOC_ARENA_MAX": "2",
    "PYTHONDONTWRITEBYTECODE": "1",
}
_INHERITED = ("PATH", "LANG", "LC_ALL", "HOME", "PYTHONPATH", "VIRTUAL_ENV", "OPENBLAS_CORETYPE", "OPENBLAS_L2_SIZE")


class ChildDiedError(OwnError):
    """A child was killed or ran out of memory or time; `how` is one clause for the photographer."""

    def __init__(self, how: str) -> None:
        super().__init__(f"The reading process {how}.")
        self.how = how


class ChildInterruptedError(ChildDiedError):
    """Something outside ended it or kept it from going on; that says nothing about the picture."""


class AnswerTooLongError(ChildDiedError):
    """A child had more to say than its question allows, and was ended."""


class ForkServerDiedError(StudioError):
    """Without its fork server the service can read nothing; no picture is to blame, and a restart cures it."""


class ForkServer:
    """The exec'ed process that forks children. Start it before opening ledger and lock, from the main thread."""

    def __init__(self, module: str) -> None:
        self._lock = threading.Lock()
        self._lingering: list[Line] = []  # killed, and not ended yet: their disk hangs
        ours, theirs = socket.socketpair()
        inherited = {name: os.environ[name] for name in _INHERITED if name in os.environ}
        command = [
            sys.executable,
            "-m",
            "printqueue.sandbox.fork_server",
            str(theirs.fileno()),
            module,
            str(os.getpid()),
        ]
        self._process = subprocess.Popen(  # noqa: S603 - our own interpreter and module
            command, env=inherited | _ENVIRONMENT, pass_fds=[theirs.fileno()], stdin=subprocess.DEVNULL
        )
        theirs.close()
        self._line = Line(ours, self._process.pid)
        try:
            self._line.hear(most=_MOST_SAID, most_s=_STARTING_S, stalled_s=_STALLED_S)
        except (*_LOST, OSError) as error:
            self.close()
            raise OwnError("The reading process could not be started.", do="Run `printqueue doctor`.") from error

    def child(self, limits: ChildLimits) -> Child:
        """Fork one bounded child."""
        self._bury()
        ours, theirs = socket.socketpair()
        try:
            pid = self._order({"limits": asdict(limits)}, [theirs.fileno()])
            return Child(self, Line(ours, pid), limits)
        except BaseException:
            ours.close()  # a child without its line ends by itself
            raise
        finally:
            theirs.close()

    def take_back(self, line: Line) -> int | None:
        """The wait status of a child that has been killed; None where it does not end yet, which is waited for later."""
        try:
            status = self._reaped(line)
        except BaseException:
            line.close()
            raise
        if status is None:
            with self._lock:
                self._lingering.append(line)
        else:
            line.close()
        return status

    def _reaped(self, line: Line) -> int | None:
        """Its wait status, if it ends soon. One that somebody traces has ended a moment before it can be reaped."""
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
        """End the fork server, and with it every child."""
        self._process.kill()
        self._process.wait()
        for line in (self._line, *self._lingering):
            line.close()

    def _bury(self) -> None:
        """Reap what has ended since."""
        with self._lock:
            ended = [line for line in self._lingering if line.has_ended()]
            self._lingering = [line for line in self._lingering if line not in ended]
        for line in ended:
            self.take_back(line)

    def _order(self, order: dict[str, Any], descriptors: Sequence[int]) -> int:
        with self._lock:
            try:
                answer = self._line.ask(
                    json.dumps(order).encode(), descriptors, most=_MOST_SAID, most_s=_ORDER_S, stalled_s=_STALLED_S
                )
            except (*_LOST, OSError) as error:
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

    def ask(self, task: str, argument: Any, descriptors: Sequence[int] = (), *, most: int = MOST_ANSWER) -> bytes:
        """Run `task` in the child; its answer has `most` bytes at most. Raises `ChildDiedError` when it does not survive
        that, `ChildInterruptedError` where something outside ended it.
        """
        most_s, stalled_s = self._limits.wall_s, self._limits.stalled_s
        payload = pickle.dumps((task, argument))
        try:
            return self._line.ask(payload, descriptors, most=most, most_s=most_s, stalled_s=stalled_s)
        except SpentError as error:
            self.end()
            raise ChildDiedError(f"took longer than {most_s:.0f} s and was stopped") from error
        except CrowdedError as error:
            self.end()
            raise ChildDiedError(f"started more than {MOST_THREADS} threads and was stopped") from error
        except StalledError as error:
            self.end()
            raise ChildInterruptedError(
                f"could not go on for {stalled_s:.0f} s: its disk does not answer, or somebody has stopped it"
            ) from error
        except wire.TooLongError as error:
            self.end()
            raise AnswerTooLongError(f"had more to say than {most // 1000} kB and was stopped") from error
        except (wire.ClosedError, OSError) as error:
            raise self._died() from error

    def walls(self) -> Walls:
        """What stands around it; ask before it has read anything."""
        return Walls(**json.loads(self.ask(WALLS, None)))

    def tighten(self, *, memory: int, wall_s: float, file_size: int) -> None:
        """Lower the limits to what this picture needs: bytes of address space, seconds for each question, bytes of one file.

        Done from outside (prlimit(2)), so that nothing the child has read can have a say in it.
        """
        self._limits = tightened(self._limits, memory=memory, wall_s=wall_s, file_size=file_size)
        with suppress(ProcessLookupError, PermissionError):  # it has died (`ask` says so); or a filter forbids it
            resource.prlimit(self._pid, resource.RLIMIT_AS, (self._limits.memory,) * 2)
            resource.prlimit(self._pid, resource.RLIMIT_FSIZE, (self._limits.file_size,) * 2)

    def kill(self) -> None:
        """Stop the child at once, from another thread; `ask` then raises."""
        self._killed = True
        self._line.kill()

    def end(self) -> int | None:
        """End it, if it has not ended; after that it writes to nothing any more. Its wait status, None where the kernel
        cannot end it yet.
        """
        if self._ended:
            return 0
        self._ended = True
        self._line.kill()
        self._line.hang_up()
        return self._fork_server.take_back(self._line)

    def _died(self) -> ChildDiedError:
        """Its line was closed: how it ended."""
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
        with suppress(ForkServerDiedError):  # the service will find out; this child has ended with it
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
