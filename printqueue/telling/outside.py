"""One program from outside, run within bounds: no shell, no input, few words kept, a time limit, nothing left behind."""

from __future__ import annotations

import os
import select
import signal
import subprocess
import threading
import time
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass

from printqueue.text import shown

MAX_SAID = 600
_MAX_KEPT_BYTES = 4096
_CHUNK_BYTES = 65_536
_LOOK_S = 0.05
_LAST_WAIT_S = 0.5  # for the kernel to end what was killed


@dataclass(frozen=True, slots=True)
class Ended:
    """How a program ended: `how` is one clause, empty where all went well; `said` its escaped output, one line."""

    how: str
    said: str = ""


def run(
    arguments: Sequence[str],
    environment: Mapping[str, str],
    *,
    limit_s: float,
    stop: threading.Event,
    program: str | None = None,
) -> Ended:
    """Run `arguments` (a full path first) with nothing but `environment`, and end its process group afterwards.

    `program`: the file to run, where the first argument names it by way of links.

    Blocks until the program ends, `limit_s` seconds are over or `stop` is set. The program inherits no descriptor:
    it has an empty input, and its output is read here. Never raises for what the program is or does.
    """
    try:
        process = subprocess.Popen(  # noqa: S603 - an argument list out of a guarded file; there is no shell
            list(arguments),
            executable=program,
            env=dict(environment),
            cwd="/",  # a share could not be unmounted from under it otherwise
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            close_fds=True,
            start_new_session=True,
        )
    except (OSError, ValueError) as error:
        why = error.strerror if isinstance(error, OSError) else error
        return Ended(f"could not be started ({shown(str(why))})")
    said = _Said(process)
    try:
        how = _watched(process, said, limit_s, stop)
        said.read(0.0)
    finally:
        _end_group(process)
        said.close()
    return Ended(how or _how(process.returncode), said.text())


class _Said:
    """The first bytes of what a program says; the rest is read too, so that it never waits for us, and dropped."""

    def __init__(self, process: subprocess.Popen[bytes]) -> None:
        assert process.stdout is not None
        self._pipe = process.stdout
        self._kept = b""
        self._more = False
        self._poll = select.poll()
        self._poll.register(self._pipe, select.POLLIN)
        os.set_blocking(self._pipe.fileno(), False)
        self.ended = False

    def read(self, wait_s: float) -> None:
        """Take in what has been said, waiting for it `wait_s` seconds at most."""
        if self.ended or not self._poll.poll(wait_s * 1000):
            return
        with suppress(BlockingIOError):
            new = os.read(self._pipe.fileno(), _CHUNK_BYTES)
            room = _MAX_KEPT_BYTES - len(self._kept)
            self._kept += new[:room]
            self._more |= len(new) > room
            self.ended = not new

    def text(self) -> str:
        """One escaped line."""
        lines = self._kept.decode("utf-8", "surrogateescape").split("\n")
        joined = " / ".join(line.strip() for line in lines if line.strip())
        return shown(joined + (" …" if self._more else ""), limit=MAX_SAID)

    def close(self) -> None:
        """Stop listening."""
        self._pipe.close()


def _watched(process: subprocess.Popen[bytes], said: _Said, limit_s: float, stop: threading.Event) -> str:
    """Wait for the end; why it was not waited for any longer, else an empty text."""
    over_s = time.monotonic() + limit_s
    while not _has_ended(process.pid):
        if stop.is_set():
            return "was stopped together with the service"
        if time.monotonic() >= over_s:
            return f"took longer than {limit_s:g} s and was stopped"
        if said.ended:
            stop.wait(_LOOK_S)
        else:
            said.read(_LOOK_S)
    return ""


def _has_ended(pid: int) -> bool:
    """Look without reaping: until then the number of the process group is ours and cannot be given to another."""
    return os.waitid(os.P_PID, pid, os.WEXITED | os.WNOHANG | os.WNOWAIT) is not None


def _end_group(process: subprocess.Popen[bytes]) -> None:
    """The program, and whatever it started and left in its group."""
    with suppress(ProcessLookupError, PermissionError):
        os.killpg(process.pid, signal.SIGKILL)
    with suppress(subprocess.TimeoutExpired):
        process.wait(_LAST_WAIT_S)


def _how(code: int | None) -> str:
    if code == 0:
        return ""
    if code is None:
        return "could not be ended"
    return f"ended with code {code}" if code > 0 else f"was ended by signal {-code}"
