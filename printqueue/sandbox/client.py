"""The service's side: start the template, fork a child, ask it, and learn how it ended."""

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
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import asdict, replace
from types import TracebackType
from typing import Any, Self

from printqueue.errors import OwnError, StudioError
from printqueue.sandbox import wire
from printqueue.sandbox.limits import ChildLimits

_NO_MEMORY = 71
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


class TemplateDiedError(StudioError):
    """Without its template the service can read nothing; no picture is to blame, and a restart cures it."""


class Template:
    """The exec'ed process that forks children. Start it before opening ledger and lock, from the main thread."""

    def __init__(self, module: str) -> None:
        self._lock = threading.Lock()
        ours, theirs = socket.socketpair()
        self._control = ours
        inherited = {name: os.environ[name] for name in _INHERITED if name in os.environ}
        command = [sys.executable, "-m", "printqueue.sandbox.template", str(theirs.fileno()), module, str(os.getpid())]
        self._process = subprocess.Popen(  # noqa: S603 - our own interpreter and module
            command, env=inherited | _ENVIRONMENT, pass_fds=[theirs.fileno()], stdin=subprocess.DEVNULL
        )
        theirs.close()
        self._control.settimeout(60)
        try:
            wire.receive(self._control)
        except (wire.ClosedError, TimeoutError) as error:
            self.close()
            raise OwnError("The reading process could not be started.", do="Run `printqueue doctor`.") from error

    def child(self, limits: ChildLimits) -> Child:
        """Fork one bounded child."""
        ours, theirs = socket.socketpair()
        try:
            pid = self._order({"limits": asdict(limits)}, [theirs.fileno()])
        except TemplateDiedError:
            ours.close()
            raise
        finally:
            theirs.close()
        return Child(self, pid, ours, limits)

    def reap(self, pid: int) -> int:
        """The wait status of a child that has ended or been killed."""
        return self._order({"reap": pid}, [])

    def close(self) -> None:
        """End the template, and with it every child."""
        self._control.close()
        self._process.kill()
        self._process.wait()

    def _order(self, order: dict[str, Any], descriptors: Sequence[int]) -> int:
        with self._lock:
            try:
                wire.send(self._control, json.dumps(order).encode(), descriptors)
                answer, _ = wire.receive(self._control)
            except (wire.ClosedError, TimeoutError, OSError) as error:
                raise TemplateDiedError(
                    "The process that the reading processes are forked from has ended. Nothing is lost.",
                    do="Start the service again (a supervisor does that by itself).",
                ) from error
        return int(json.loads(answer))


class Child:
    """One bounded process for one picture; a context manager that always ends it."""

    def __init__(self, template: Template, pid: int, sock: socket.socket, limits: ChildLimits) -> None:
        self._template, self._pid, self._sock, self._limits = template, pid, sock, limits
        self._ended = False

    def ask(self, task: str, argument: Any, descriptors: Sequence[int] = ()) -> bytes:
        """Run `task` in the child. Raises `ChildDiedError` when it does not survive that."""
        self._sock.settimeout(self._limits.wall_s)
        try:
            wire.send(self._sock, pickle.dumps((task, argument)), descriptors)
            answer, extra = wire.receive(self._sock)
        except TimeoutError as error:
            self._end()
            raise ChildDiedError(f"took longer than {self._limits.wall_s:.0f} s and was stopped") from error
        except (wire.ClosedError, OSError) as error:
            raise ChildDiedError(_how(self._end())) from error
        for descriptor in extra:  # a child has nothing to hand over
            os.close(descriptor)
        return answer

    def tighten(self, *, memory: int, wall_s: float) -> None:
        """Lower the limits to what this picture needs: bytes of address space, seconds for each question.

        Done from outside (prlimit(2)), so that nothing the child has read can have a say in it.
        """
        self._limits = replace(self._limits, wall_s=min(self._limits.wall_s, wall_s))
        most = min(self._limits.memory, memory)
        with suppress(ProcessLookupError, PermissionError):  # it has died (`ask` says so); or a filter forbids it
            resource.prlimit(self._pid, resource.RLIMIT_AS, (most, most))

    def kill(self) -> None:
        """Stop the child at once, from another thread; `ask` then raises."""
        if not self._ended:
            with suppress(ProcessLookupError):
                os.kill(self._pid, signal.SIGKILL)

    def _end(self) -> int:
        if self._ended:
            return 0
        self.kill()
        self._ended = True
        self._sock.close()
        return self._template.reap(self._pid)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        with suppress(TemplateDiedError):  # the service will find out; this child has ended with it
            self._end()


def _how(status: int) -> str:
    """One clause for a wait status. A child that we killed ourselves had closed its socket before."""
    code = os.waitstatus_to_exitcode(status)
    if code == _NO_MEMORY:
        return "needed more memory than allowed"
    if code == -signal.SIGXCPU:
        return "used more processor time than allowed"
    if code < 0:
        return f"was ended by signal {-code} ({signal.Signals(-code).name})"
    return f"ended by itself with code {code}"
