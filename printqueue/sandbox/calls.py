"""What a child may ask of the kernel: a system call filter for seccomp(2), on x86_64 and aarch64.

It lists what is allowed: the calls needed to compute on data the child already has. Any other call does not exist for a
child (ENOSYS, so that a C library falls back to an older one, as glibc does from clone3 to clone); one that names a
file by path is refused (EACCES).

Numbers: asm/unistd_64.h and asm-generic/unistd.h of Linux 6.1. Instructions: linux/bpf_common.h; their input: struct
seccomp_data of linux/seccomp.h; machines: linux/audit.h.
"""

from __future__ import annotations

import errno
import struct
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

_X86_64, _AARCH64 = "x86_64", "aarch64"
_AUDIT = {_X86_64: 0xC000003E, _AARCH64: 0xC00000B7}  # AUDIT_ARCH_*: the ELF machine, 64 bit, little-endian

# By name: the numbers on x86_64 and on aarch64, which lacks the older forms of newer calls.
NUMBERS: Mapping[str, tuple[int | None, int | None]] = {
    # data of descriptors it was given
    "read": (0, 63), "write": (1, 64), "readv": (19, 65), "writev": (20, 66), "pread64": (17, 67), "pwrite64": (18, 68),
    "preadv": (295, 69), "pwritev": (296, 70), "lseek": (8, 62), "fstat": (5, 80), "close": (3, 57), "dup": (32, 23),
    "dup3": (292, 24), "ftruncate": (77, 46), "fallocate": (285, 47), "fsync": (74, 82), "fdatasync": (75, 83),
    "fadvise64": (221, 223), "poll": (7, None), "ppoll": (271, 73), "select": (23, None), "pselect6": (270, 72),
    "sendmsg": (46, 211), "sendto": (44, 206), "recvmsg": (47, 212), "recvfrom": (45, 207),
    # memory
    "munmap": (11, 215), "mremap": (25, 216), "madvise": (28, 233), "brk": (12, 214),
    # its own threads, signals and time
    "futex": (202, 98), "futex_waitv": (449, 449), "set_robust_list": (273, 99), "get_robust_list": (274, 100),
    "rseq": (334, 293), "sched_yield": (24, 124), "sched_getaffinity": (204, 123), "getcpu": (309, 168),
    "rt_sigaction": (13, 134), "rt_sigprocmask": (14, 135), "rt_sigreturn": (15, 139), "sigaltstack": (131, 132),
    "restart_syscall": (219, 128), "exit": (60, 93), "exit_group": (231, 94), "clock_gettime": (228, 113),
    "clock_getres": (229, 114), "clock_nanosleep": (230, 115), "nanosleep": (35, 101), "gettimeofday": (96, 169),
    "time": (201, None),
    # itself and its machine
    "getpid": (39, 172), "gettid": (186, 178), "getppid": (110, 173), "getuid": (102, 174), "geteuid": (107, 175),
    "getgid": (104, 176), "getegid": (108, 177), "getrandom": (318, 278), "getrusage": (98, 165), "times": (100, 153),
    "sysinfo": (99, 179), "uname": (63, 160), "getrlimit": (97, 163),
    # allowed with some arguments only (`_CONDITIONS`)
    "mmap": (9, 222), "mprotect": (10, 226), "clone": (56, 220), "kill": (62, 129), "tgkill": (234, 131),
    "prlimit64": (302, 261), "fcntl": (72, 25), "ioctl": (16, 29), "newfstatat": (262, 79), "statx": (332, 291),
    # refused with an error that libraries understand (`_BY_PATH`)
    "open": (2, None), "openat": (257, 56), "openat2": (437, 437), "stat": (4, None), "lstat": (6, None),
    "access": (21, None), "faccessat": (269, 48), "faccessat2": (439, 439), "readlink": (89, None), "readlinkat": (267, 78),
}  # fmt: skip
_BY_PATH = (
    "open", "openat", "openat2", "stat", "lstat", "access", "faccessat", "faccessat2", "readlink", "readlinkat",
)  # fmt: skip

# BPF_LD | BPF_W | BPF_ABS, BPF_JMP | BPF_K with JEQ and JSET, BPF_RET | BPF_K
_LOAD, _EQUAL, _ANY_BIT, _RETURN = 0x20, 0x15, 0x45, 0x06
_ALLOW, _KILL, _ERRNO = 0x7FFF0000, 0x80000000, 0x00050000  # SECCOMP_RET_*; the number of the error in the low half
_NUMBER_AT, _MACHINE_AT, _ARGUMENTS_AT = 0, 4, 16  # offsets in struct seccomp_data; eight bytes for each argument

_PROT_EXEC = 0x4
_CLONE_THREAD = 0x10000
# CLONE_NEW* (with NEWTIME), CLONE_PTRACE, CLONE_VFORK (a thread would wait for another as if for a disk, which
# `patience` forgives) and CLONE_PARENT: pthread_create uses none of them
_CLONE_FORBIDDEN = 0x7E020080 | 0x2000 | 0x4000 | 0x8000
_AT_EMPTY_PATH = 0x1000
_FCNTL = (0, 1, 2, 3, 4, 1030)  # F_DUPFD, F_GETFD, F_SETFD, F_GETFL, F_SETFL, F_DUPFD_CLOEXEC
_IOCTL = (0x5401, 0x5421, 0x5450, 0x5451)  # TCGETS (isatty), FIONBIO, FIONCLEX, FIOCLEX


@dataclass(frozen=True, slots=True)
class _Step:
    """One instruction; jumps count the instructions they skip."""

    code: int
    value: int
    if_so: int = 0
    if_not: int = 0

    @property
    def packed(self) -> bytes:
        """struct sock_filter of linux/filter.h."""
        return struct.pack("=HBBI", self.code, self.if_so, self.if_not, self.value)


def is_known(machine: str) -> bool:
    """Whether there is a filter for this machine (`uname -m`) and this program, which must be 64-bit too."""
    return machine in _AUDIT and struct.calcsize("P") == 8


def program(machine: str, pid: int) -> bytes:
    """The filter for the process `pid`: instructions of eight bytes each."""
    column = (_X86_64, _AARCH64).index(machine)
    # Calls made for another architecture (32-bit, say) use the same numbers for other things.
    steps = [_Step(_LOAD, _MACHINE_AT), _Step(_EQUAL, _AUDIT[machine], 1, 0), _Step(_RETURN, _KILL)]
    steps.append(_Step(_LOAD, _NUMBER_AT))
    conditions = _conditions(pid)
    for name, numbers in NUMBERS.items():
        number = numbers[column]
        if number is not None:
            rule = conditions.get(name, [_refuse(errno.EACCES) if name in _BY_PATH else _Step(_RETURN, _ALLOW)])
            steps += [_Step(_EQUAL, number, 0, len(rule)), *rule]
    return b"".join(step.packed for step in [*steps, _refuse(errno.ENOSYS)])


def _refuse(code: int) -> _Step:
    return _Step(_RETURN, _ERRNO | code)


def _conditions(pid: int) -> dict[str, list[_Step]]:
    """Rules that check an argument. To the kernel, all of these but prlimit64's third are ints."""
    to_itself = list(_only(0, (pid,)))
    no_new_code = [_argument(2), _Step(_ANY_BIT, _PROT_EXEC, 0, 1), _refuse(errno.EACCES), _Step(_RETURN, _ALLOW)]
    return {
        "mmap": no_new_code,
        "mprotect": no_new_code,
        "clone": [
            _argument(0),
            _Step(_ANY_BIT, _CLONE_FORBIDDEN, 1, 0),
            _Step(_ANY_BIT, _CLONE_THREAD, 1, 0),
            _refuse(errno.EPERM),
            _Step(_RETURN, _ALLOW),
        ],
        "kill": to_itself,
        "tgkill": to_itself,
        "prlimit64": [  # may read its own limits, not set any: no pointer to new ones
            *_must(0, 0, otherwise=5),
            *_must(2, 0, otherwise=3),
            *_must(2, 0, otherwise=1, high=True),
            _Step(_RETURN, _ALLOW),
            _refuse(errno.EPERM),
        ],
        "fcntl": list(_only(1, _FCNTL)),
        "ioctl": list(_only(1, _IOCTL)),
        "newfstatat": _of_descriptor(3),
        "statx": _of_descriptor(2),
    }


def _argument(index: int, *, high: bool = False) -> _Step:
    """Load half of an argument (both machines are little-endian)."""
    return _Step(_LOAD, _ARGUMENTS_AT + 8 * index + 4 * high)


def _must(index: int, value: int, *, otherwise: int, high: bool = False) -> Iterator[_Step]:
    """Continue if the argument is `value`, else skip `otherwise` instructions."""
    yield _argument(index, high=high)
    yield _Step(_EQUAL, value, 0, otherwise)


def _only(index: int, values: tuple[int, ...]) -> Iterator[_Step]:
    """Allowed with these values of one argument."""
    yield _argument(index)
    for place, value in enumerate(values):
        yield _Step(_EQUAL, value, len(values) - place, 0)
    yield _refuse(errno.EPERM)
    yield _Step(_RETURN, _ALLOW)


def _of_descriptor(index: int) -> list[_Step]:
    """Allowed the way glibc asks about an open file: by an empty path, which the flags must announce."""
    return [_argument(index), _Step(_ANY_BIT, _AT_EMPTY_PATH, 1, 0), _refuse(errno.EACCES), _Step(_RETURN, _ALLOW)]
