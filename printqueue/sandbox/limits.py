"""The most a child may use."""

from __future__ import annotations

import ctypes
import os
import resource
import signal
import sys
from dataclasses import dataclass

_PR_SET_PDEATHSIG = 1
_PR_SET_NO_NEW_PRIVS = 38


@dataclass(frozen=True, slots=True)
class ChildLimits:
    """Address space and file size in bytes, processor time in seconds, open files.

    `wall_s`: how much of the child's own time one question may take, working or asleep; `stalled_s`: how long it may be
    stalled through no fault of its own (`patience`).
    """

    memory: int = 3_000_000_000
    cpu_s: int = 1200
    wall_s: float = 600.0
    file_size: int = 16_000_000_000
    open_files: int = 64
    stalled_s: float = 120.0


def apply(limits: ChildLimits) -> None:
    """Limit this process for good."""
    for what, soft in (
        (resource.RLIMIT_AS, limits.memory),
        (resource.RLIMIT_CPU, limits.cpu_s),
        (resource.RLIMIT_FSIZE, limits.file_size),
        (resource.RLIMIT_NOFILE, limits.open_files),
        (resource.RLIMIT_CORE, 0),
    ):
        _, found = resource.getrlimit(what)
        ceiling = sys.maxsize if found == resource.RLIM_INFINITY else found
        hard = soft + 1 if what == resource.RLIMIT_CPU else soft  # SIGXCPU says why; at the hard limit it is SIGKILL
        resource.setrlimit(what, (min(soft, ceiling), min(hard, ceiling)))
    _prctl(_PR_SET_NO_NEW_PRIVS, 1)


def die_with(parent: int) -> None:
    """Be killed when the parent dies; exit at once if it is already dead."""
    _prctl(_PR_SET_PDEATHSIG, signal.SIGKILL)
    if os.getppid() != parent:
        os._exit(0)


def _prctl(option: int, value: int) -> None:
    libc = ctypes.CDLL(None, use_errno=True)
    if libc.prctl(option, value, 0, 0, 0) != 0:
        raise OSError(ctypes.get_errno(), "prctl")
