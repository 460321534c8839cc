"""How long to wait for another process: by what it does, not by the clock on the wall.

A picture is not to blame for a machine that slept, was busy with other things, or has a disk that hangs. Counted are
the processor time that the process used, and the time in which it could have run and slept instead. What it cannot
help (it was stopped, it waits for a disk, other programs have the processor) is counted apart, up to the next headway.
proc_pid_stat(5): states R, S, D, T, t; times in clock ticks.
"""

from __future__ import annotations

import os
from contextlib import suppress

_TICK_S = 1 / os.sysconf("SC_CLK_TCK")
_HELPLESS = frozenset("RDTt")
MOST_THREADS = 64  # of a child; those that read a picture need fewer than ten
_MOST_HELPLESS = 30  # × the time without any headway: with a little headway now and then


class SpentError(Exception):
    """It had the time that it may have."""


class StalledError(Exception):
    """It could do nothing for too long, through no fault of its own."""


class CrowdedError(Exception):
    """It has more threads than it can need; all of them would fill the machine's table of processes."""


class Patience:
    """`most_s` seconds of its own for the process `pid`, beginning now, and `stalled_s` in which it cannot move."""

    def __init__(self, pid: int, most_s: float, stalled_s: float) -> None:
        self._pid, self._most_s, self._stalled_s = pid, most_s, stalled_s
        self._own_s = self._helpless_s = self._helpless_in_all_s = 0.0
        self._used_s = _used_s(pid)

    @property
    def step_s(self) -> float:
        """How long to wait until the next look."""
        return max(0.02, min(1.0, self._most_s / 8))

    def look(self, waited_s: float) -> None:
        """Count the last wait. Raises `SpentError`, `StalledError`, `CrowdedError`."""
        if _threads(self._pid) > MOST_THREADS:
            raise CrowdedError
        waited_s = min(waited_s, 2 * self.step_s)  # longer: we were stopped ourselves, or the machine slept
        used_s = _used_s(self._pid)
        worked_s, self._used_s = max(0.0, used_s - self._used_s), used_s
        if _is_helpless(self._pid):
            self._own_s += min(worked_s, waited_s)
            self._helpless_s = 0.0 if worked_s > 0 else self._helpless_s + waited_s
            self._helpless_in_all_s += max(0.0, waited_s - worked_s)
        else:
            self._own_s += waited_s
            self._helpless_s = 0.0
        if self._own_s >= self._most_s:
            raise SpentError
        if self._helpless_s >= self._stalled_s or self._helpless_in_all_s >= _MOST_HELPLESS * self._stalled_s:
            raise StalledError


def _used_s(pid: int) -> float:
    """Processor time of all its threads; 0 where it cannot be seen."""
    fields = _fields(f"/proc/{pid}/stat")
    return (int(fields[11]) + int(fields[12])) * _TICK_S if fields else 0.0


def _threads(pid: int) -> int:
    fields = _fields(f"/proc/{pid}/stat")
    return int(fields[17]) if fields else 0


def _is_helpless(pid: int) -> bool:
    """Whether a thread of it could not run or not sleep on just now. One that sleeps could have answered."""
    threads = []
    with suppress(OSError):
        threads = os.listdir(f"/proc/{pid}/task")
    states = [fields[0] for thread in threads if (fields := _fields(f"/proc/{pid}/task/{thread}/stat"))]
    return not _HELPLESS.isdisjoint(states)


def _fields(path: str) -> list[str]:
    """What follows the name of the program, which may hold anything."""
    try:
        with open(path, "rb") as stream:
            return stream.read().rpartition(b")")[2].decode("ascii").split()
    except OSError:
        return []
