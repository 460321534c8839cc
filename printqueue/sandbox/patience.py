"""How long to wait for another process, judged by what it does rather than by the wall clock.

A picture is not to blame for a machine that slept or was busy, or for a disk that hangs. What counts is the processor
time that the process used, and the time it slept when it could have run. Time it could not use (it was stopped, it
waits for a disk, other programs have the processor) is counted separately, until it next makes progress.
proc_pid_stat(5): states R, S, D, T, t; times in clock ticks.
"""

from __future__ import annotations

import os
from contextlib import suppress
from dataclasses import dataclass

_TICK_S = 1 / os.sysconf("SC_CLK_TCK")
_HELPLESS = frozenset("RDTt")
MAX_THREADS = 64  # of a child; reading a picture takes fewer than ten
_MAX_HELPLESS = 30  # × `stalled_s` in all, for a process that makes a little progress now and then


@dataclass(frozen=True, slots=True)
class AnswerLimits:
    """What one answer may cost: bytes, seconds of the process's own time, and seconds in which it cannot run."""

    max_bytes: int
    max_s: float
    stalled_s: float


class SpentError(Exception):
    """It has used up its own time."""


class StalledError(Exception):
    """It could do nothing for too long, through no fault of its own."""


class CrowdedError(Exception):
    """It has more threads than it can need; unchecked, they would fill the machine's process table."""


class Patience:
    """Counts the time that the process `pid` uses, from now on."""

    def __init__(self, pid: int, limits: AnswerLimits) -> None:
        self._pid, self._limits = pid, limits
        self._own_s = self._helpless_s = self._helpless_in_all_s = 0.0
        self._used_s = _used_s(pid)

    @property
    def step_s(self) -> float:
        """How long to wait until the next look."""
        return max(0.02, min(1.0, self._limits.max_s / 8))

    def look(self, waited_s: float) -> None:
        """Count the last wait. Raises `SpentError`, `StalledError`, `CrowdedError`."""
        if _threads(self._pid) > MAX_THREADS:
            raise CrowdedError
        waited_s = min(waited_s, 2 * self.step_s)  # longer means that we were stopped ourselves, or the machine slept
        used_s = _used_s(self._pid)
        worked_s, self._used_s = max(0.0, used_s - self._used_s), used_s
        if _is_helpless(self._pid):
            self._own_s += min(worked_s, waited_s)
            self._helpless_s = 0.0 if worked_s > 0 else self._helpless_s + waited_s
            self._helpless_in_all_s += max(0.0, waited_s - worked_s)
        else:
            self._own_s += waited_s
            self._helpless_s = 0.0
        if self._own_s >= self._limits.max_s:
            raise SpentError
        stalled_s = self._limits.stalled_s
        if self._helpless_s >= stalled_s or self._helpless_in_all_s >= _MAX_HELPLESS * stalled_s:
            raise StalledError


def _used_s(pid: int) -> float:
    """Processor time of all its threads; 0 if unknown."""
    fields = _fields(f"/proc/{pid}/stat")
    return (int(fields[11]) + int(fields[12])) * _TICK_S if fields else 0.0


def _threads(pid: int) -> int:
    fields = _fields(f"/proc/{pid}/stat")
    return int(fields[17]) if fields else 0


def _is_helpless(pid: int) -> bool:
    """Whether one of its threads is held up by something else right now. One that sleeps could have answered."""
    with suppress(OSError):
        threads = os.listdir(f"/proc/{pid}/task")
        states = [fields[0] for thread in threads if (fields := _fields(f"/proc/{pid}/task/{thread}/stat"))]
        return not _HELPLESS.isdisjoint(states)
    return False


def _fields(path: str) -> list[str]:
    """The fields after the program's name, which may hold anything."""
    try:
        with open(path, "rb") as stream:
            return stream.read().rpartition(b")")[2].decode("ascii").split()
    except OSError:
        return []
