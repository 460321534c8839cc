"""What a child may use at most."""

from __future__ import annotations

import ctypes
import os
import resource
import signal
from dataclasses import dataclass, replace

_PR_SET_PDEATHSIG = 1
_PR_SET_NO_NEW_PRIVS = 38


@dataclass(frozen=True, slots=True)
class ChildLimits:
    """Address space and file size in bytes, processor time in seconds, open files.

    `wall_s`: what one question may take of the child's own time, working or asleep; `stalled_s`: how long it may stand
    still for no fault of its own (`patience`).
    """

    memory: int = 3_000_000_000
    cpu_s: int = 1200
    wall_s: float = 600.0
    file_size: int = 16_000_000_000
    open_files: int = 64
    stalled_s: float = 120.0


def tightened(limits: ChildLimits, *, memory: int, wall_s: float, file_size: int) -> ChildLimits:
    """No more than these bytes of address space, seconds for each question, and bytes of one file."""
    return replace(
        limits,
        memory=min(limits.memory, memory),
        wall_s=min(limits.wall_s, wall_s),
        file_size=min(limits.file_size, file_size),
    )


def apply(limits: ChildLimits) -> None:
    """Bind this process; it cannot take any of it back."""
    for what, most in (
        (resource.RLIMIT_AS, limits.memory),
        (resource.RLIMIT_CPU, limits.cpu_s),
        (resource.RLIMIT_FSIZE, limits.file_size),
        (resource.RLIMIT_NOFILE, limits.open_files),
        (resource.RLIMIT_CORE, 0),
    ):
        _, hard = resource.getrlimit(what)
        allowed = most if hard == resource.RLIM_INFINITY else min(most, hard)
        grace = 1 if what == resource.RLIMIT_CPU else 0  # at the hard limit it is SIGKILL, which says nothing
        resource.setrlimit(
            what, (allowed, allowed + grace if hard == resource.RLIM_INFINITY else min(hard, allowed + grace))
        )
    _prctl(_PR_SET_NO_NEW_PRIVS, 1)


def die_with(parent: int) -> None:
    """Be killed when the parent dies; exit at once if it has died already."""
    _prctl(_PR_SET_PDEATHSIG, signal.SIGKILL)
    if os.getppid() != parent:
        os._exit(0)


def _prctl(option: int, value: int) -> None:
    libc = ctypes.CDLL(None, use_errno=True)
    if libc.prctl(option, value, 0, 0, 0) != 0:
        raise OSError(ctypes.get_errno(), "prctl")
