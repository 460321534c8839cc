"""Runs one external program within bounds: no shell, no input, little output, a time limit, nothing left behind."""

from __future__ import annotations

import os
import signal
import subprocess
import threading
import time
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass

from printqueue.core.text import shown

MAX_SAID = 600
_MAX_KEPT_BYTES = 4096
_PIPE_BYTES = 65_536  # what a pipe holds, pipe(7)
_LOOK_S = 0.02
_LAST_WAIT_S = 0.5  # for the kernel to end a killed program


@dataclass(frozen=True, slots=True)
class Ended:
    """How a program ended: `how` is one clause, empty if all went well; `said` is its escaped output, one line."""

    how: str
    said: str = ""


def run(
    program: str,
    arguments: Sequence[str],
    environment: Mapping[str, str],
    *,
    limit_s: float,
    stop: threading.Event,
) -> Ended:
    """Run the file `program` with `arguments` (its name first) and only `environment`; its process group ends with it.

    Blocks until it ends, `limit_s` seconds have passed or `stop` is set. It inherits no descriptor: its input is empty
    and its output is read here. Never raises, whatever the program is or does.
    """
    try:
        process = subprocess.Popen(  # noqa: S603 - an argument list from a guarded file; there is no shell
            list(arguments),
            executable=program,
            env=dict(environment),
            cwd="/",  # otherwise a share could not be unmounted from under it
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            start_new_session=True,
        )
    except (OSError, ValueError) as error:
        why = error.strerror if isinstance(error, OSError) else error
        return Ended(f"could not be started ({shown(str(why))})")
    assert process.stdout is not None
    with process.stdout as pipe:
        try:
            how, said = _watched(process.pid, pipe.fileno(), limit_s, stop)
        finally:
            _end_group(process)
    return Ended(how or _how(process.returncode), _one_line(said))


def _watched(pid: int, pipe: int, limit_s: float, stop: threading.Event) -> tuple[str, bytes]:
    """Why we stopped waiting, or "" if it ended; and the first bytes of its output.

    It is not reaped here, or its group's number could be reused by the time the group is killed.
    """
    os.set_blocking(pipe, False)
    over_s, said, how = time.monotonic() + limit_s, b"", ""
    while not how and os.waitid(os.P_PID, pid, os.WEXITED | os.WNOHANG | os.WNOWAIT) is None:
        said = _heard(pipe, said)
        if stop.is_set():
            how = "was stopped together with the service"
        elif time.monotonic() >= over_s:
            how = f"took longer than {limit_s:g} s and was stopped"
        else:
            stop.wait(_LOOK_S)
    return how, _heard(pipe, said)


def _heard(pipe: int, said: bytes) -> bytes:
    """Empty the pipe, so that the program can go on; keep the first bytes, and one more if there are more."""
    with suppress(BlockingIOError):
        said += os.read(pipe, _PIPE_BYTES)
    return said[: _MAX_KEPT_BYTES + 1]


def _one_line(said: bytes) -> str:
    lines = said[:_MAX_KEPT_BYTES].decode("utf-8", "surrogateescape").split("\n")
    joined = " / ".join(line.strip() for line in lines if line.strip())
    return shown(joined + (" …" if len(said) > _MAX_KEPT_BYTES else ""), limit=MAX_SAID)


def _end_group(process: subprocess.Popen[bytes]) -> None:
    """Kill the program and whatever it left in its group."""
    with suppress(ProcessLookupError, PermissionError):
        os.killpg(process.pid, signal.SIGKILL)
    with suppress(subprocess.TimeoutExpired):
        process.wait(_LAST_WAIT_S)


def _how(code: int | None) -> str:
    if code is None:
        return "could not be ended"
    return f"ended with code {code}" if code > 0 else f"was ended by signal {-code}" if code else ""
