"""The walls around a child, raised for good: Landlock shuts off files and network, a filter leaves few system calls.

Every child raises them itself, without privileges, before it reads its first request; they hold for root too. A wall
that the kernel does not offer is left out, and `doctor` says so. landlock(7), linux/landlock.h; seccomp(2).
"""

from __future__ import annotations

import ctypes
import os
from contextlib import suppress
from dataclasses import dataclass

from printqueue.sandbox import calls

WALLS = "walls"  # the question that every child answers about them
_CREATE_RULESET, _RESTRICT_SELF = 444, 446  # landlock_*: the same numbers on every architecture
_ASK_VERSION = 1  # LANDLOCK_CREATE_RULESET_VERSION
_CAPABILITY_VERSION = 0x20080522  # _LINUX_CAPABILITY_VERSION_3
_PR_SET_SECCOMP, _FILTER = 22, 2  # prctl(2): SECCOMP_MODE_FILTER

# LANDLOCK_ACCESS_FS_*: the first 13 with version 1; REFER, TRUNCATE and IOCTL_DEV with 2, 3 and 5
_FILE_RIGHTS = {1: 13, 2: 14, 3: 15, 4: 15, 5: 16}
_NET_FROM, _NET_RIGHTS = 4, 0b11  # LANDLOCK_ACCESS_NET_BIND_TCP, _CONNECT_TCP
_SCOPES_FROM, _SCOPES = 6, 0b11  # LANDLOCK_SCOPE_ABSTRACT_UNIX_SOCKET, _SIGNAL
_KILLED_FIRST, _MAX_SCORE = 800, 1000  # oom_score_adj, proc_pid_oom_score_adj(5)


class _Ruleset(ctypes.Structure):
    """struct landlock_ruleset_attr; older kernels know only its beginning."""

    _fields_ = (("files", ctypes.c_uint64), ("net", ctypes.c_uint64), ("scoped", ctypes.c_uint64))


class _CapabilityHeader(ctypes.Structure):
    """struct __user_cap_header_struct of linux/capability.h."""

    _fields_ = (("version", ctypes.c_uint32), ("pid", ctypes.c_int))


class _Program(ctypes.Structure):
    """struct sock_fprog of linux/filter.h."""

    _fields_ = (("length", ctypes.c_ushort), ("instructions", ctypes.c_char_p))


@dataclass(frozen=True, slots=True)
class Walls:
    """The walls around a process: the Landlock version in force (0: none), and whether system calls are filtered."""

    landlock: int = 0
    filtered: bool = False


def shut_in() -> Walls:
    """Raise every wall that this kernel offers around this process, which needs one thread and `no_new_privs`."""
    _drop_capabilities()
    return Walls(_landlocked(), _filtered())


def _drop_capabilities() -> None:
    """Drop all three sets: the children of a service that runs as root are root in name only."""
    header, none = _CapabilityHeader(_CAPABILITY_VERSION, 0), (ctypes.c_uint32 * 6)()
    ctypes.CDLL(None).capset(ctypes.byref(header), ctypes.byref(none))  # lowering is always allowed: capset(2)


def die_first() -> None:
    """Make the kernel end this process before the service when memory runs out."""
    with suppress(OSError, ValueError), open("/proc/self/oom_score_adj", "r+b", 0) as stream:
        services = int(stream.read())
        stream.write(b"%d" % min(_MAX_SCORE, max(_KILLED_FIRST, services + 1)))


def _landlocked() -> int:
    """Handle all rights and grant none: anything not handed over as a descriptor is out of reach."""
    libc = ctypes.CDLL(None, use_errno=True)
    version: int = libc.syscall(_CREATE_RULESET, None, ctypes.c_size_t(0), _ASK_VERSION)
    if version < 1:
        return 0
    rules = _rules(version)
    size = 8 if version < _NET_FROM else 16 if version < _SCOPES_FROM else 24
    ruleset: int = libc.syscall(_CREATE_RULESET, ctypes.byref(rules), ctypes.c_size_t(size), 0)
    if ruleset < 0:
        return 0
    held: int = libc.syscall(_RESTRICT_SELF, ruleset, 0)
    os.close(ruleset)
    return version if held == 0 else 0


def _rules(version: int) -> _Ruleset:
    rights = _FILE_RIGHTS[min(version, max(_FILE_RIGHTS))]
    net = _NET_RIGHTS if version >= _NET_FROM else 0
    return _Ruleset((1 << rights) - 1, net, _SCOPES if version >= _SCOPES_FROM else 0)


def _filtered() -> bool:
    machine = os.uname().machine
    if not calls.is_known(machine):
        return False
    instructions = calls.program(machine, os.getpid())
    filter_ = _Program(len(instructions) // 8, instructions)
    done: int = ctypes.CDLL(None, use_errno=True).prctl(_PR_SET_SECCOMP, _FILTER, ctypes.byref(filter_), 0, 0)
    return done == 0
