"""A child that was taken over gets nowhere: each attack of `attacks`, as root and as an ordinary user, and each wall alone.

landlock(7), seccomp(2), proc(5); numbers of system calls by the kernel's own headers.
"""

from __future__ import annotations

import ctypes
import errno
import json
import os
import re
import struct
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from printqueue.sandbox import calls, walls
from tests.sandbox import attacks

ROOT = Path(__file__).parents[2]
MACHINE = os.uname().machine
ORDINARY = 65534  # nobody
USERS = [pytest.param(None, id="as we are"), pytest.param(ORDINARY, id="ordinary user")]
VERSION = ctypes.CDLL(None).syscall(444, None, ctypes.c_size_t(0), 1)  # what landlock_create_ruleset(2) says of itself
FILTERED = MACHINE in ("x86_64", "aarch64") and "errno" in Path("/proc/sys/kernel/seccomp/actions_avail").read_text()


def attacked(folder: Path, *module: str, user: int | None = None) -> dict[str, Any]:
    """What came of every attack, in a process of its own."""
    if user is not None and os.geteuid() != 0:
        pytest.skip("only root can become somebody else; the other case is the ordinary user's then")
    if user is not None and not _can_run(user):
        pytest.skip(f"user {user} cannot reach {sys.executable}")
    folder.mkdir()
    if user is not None:
        os.chown(folder, user, user)
    command = [sys.executable, "-m", "tests.sandbox.attacks", str(folder), *module]
    ran = subprocess.run(
        command, capture_output=True, text=True, timeout=150, check=False, cwd=ROOT, env=_environment(folder),
        user=user, group=user, extra_groups=None if user is None else [],
    )  # fmt: skip
    assert ran.returncode == 0, ran.stderr
    found: dict[str, Any] = json.loads(ran.stdout)
    return found


def _can_run(user: int) -> bool:
    try:
        subprocess.run([sys.executable, "-c", "import printqueue"], cwd=ROOT, user=user, check=True, timeout=60)
    except (OSError, subprocess.CalledProcessError):
        return False
    return True


def _environment(folder: Path) -> dict[str, str]:
    return os.environ | {"PYTHONPATH": str(ROOT), "HOME": str(folder)}


@pytest.fixture
def open_folder(tmp_path: Path) -> Iterator[Path]:
    """A folder that an ordinary user can reach."""
    changed = [one for one in (tmp_path, *tmp_path.parents) if one.stat().st_uid == os.geteuid() and one != Path("/")]
    before = {one: one.stat().st_mode for one in changed}
    for one in changed:
        one.chmod(before[one] | 0o011)
    yield tmp_path
    for one in changed:
        one.chmod(before[one])


@pytest.mark.parametrize("user", USERS)
def test_every_attack_gets_nowhere(open_folder: Path, user: int | None) -> None:
    """Files, network, other processes, programs, new processes and its own bounds: all refused; threads still work."""
    if VERSION < 1 or not FILTERED:
        pytest.skip("this kernel does not offer both walls")
    found = attacked(open_folder / "studio", user=user)
    assert {name: said for name, said in found["attacks"].items() if not said.startswith("refused: ")} == {}
    assert found["attacks"].keys() == attacks.ATTACKS.keys()
    assert found["signals"] == []
    assert found["heard"] == []
    assert found["threads"] == str(sum(number * number for number in range(100)))
    assert found["after"] == untouched()


def untouched() -> dict[str, Any]:
    """Files as they were, the service's memory too, and nothing that runs on."""
    files = dict.fromkeys(("master", "ledger", "settings"), f"{attacks.UNTOUCHED!r} True True")
    names = ["home", "ledger", "local", "master", "settings"]
    return files | {"memory": repr(attacks.UNTOUCHED), "names": names, "home": ["secret"], "left behind": []}


BEYOND_LANDLOCK = {
    "look_up", "close_master", "age_master", "go_elsewhere", "udp", "local", "netlink", "leave_behind", "by_vfork",
    "outlive_parent", "raise_limits", "lower_limits", "bind_service", "new_code", "new_name_space", "io_uring", "bpf",
    "add_key", "keyctl", "userfaultfd", "memfd", "listen_to_files", "old_machine", "open_process", "signal_group",
    "signal_all", "signal_by_descriptor",
}  # fmt: skip


def test_landlock_alone(tmp_path: Path) -> None:
    """Without the filter no file is opened, changed by name or run, no TCP gets out, nobody is traced or signalled."""
    if VERSION < 6:
        pytest.skip("this kernel's Landlock leaves signals and abstract sockets alone")
    found = attacked(tmp_path / "studio", "tests.sandbox.attacks_without_filter")
    got_through = {name for name, said in found["attacks"].items() if not said.startswith("refused: ")}
    assert got_through <= BEYOND_LANDLOCK
    assert {"udp", "leave_behind"} <= got_through  # the very reason for the filter
    assert found["walls"] == {"landlock": VERSION, "filtered": False}
    assert found["signals"] == []
    after, whole = found["after"], untouched()
    assert {name: after[name] for name in ("ledger", "settings", "memory", "names", "home")} == {
        name: whole[name] for name in ("ledger", "settings", "memory", "names", "home")
    }


def test_the_filter_alone(tmp_path: Path) -> None:
    """On a kernel without Landlock the filter refuses every attack by itself."""
    if not FILTERED:
        pytest.skip("this kernel does not offer a filter")
    found = attacked(tmp_path / "studio", "tests.sandbox.attacks_without_landlock")
    assert [name for name, said in found["attacks"].items() if not said.startswith("refused: ")] == []
    assert found["walls"] == {"landlock": 0, "filtered": True}
    assert (found["signals"], found["heard"], found["after"]) == ([], [], untouched())


# -- what is said of the kernel --------------------------------------------------------------


def test_the_rules_of_every_version() -> None:
    """Each version of Landlock is asked for exactly what it knows: the numbers of rights in its documentation."""
    rights = {1: 13, 2: 14, 3: 15, 4: 15, 5: 16, 6: 16, 7: 16, 99: 16}
    for version, count in rights.items():
        rules = walls._rules(version)
        assert rules.files == 2**count - 1
        assert rules.net == (3 if version >= 4 else 0)
        assert rules.scoped == (3 if version >= 6 else 0)


def test_the_numbers_are_the_kernels() -> None:
    """Every number of a system call is that of the kernel's own headers, for both machines."""
    headers = (Path("/usr/include/x86_64-linux-gnu/asm/unistd_64.h"), Path("/usr/include/asm-generic/unistd.h"))
    if not all(header.exists() for header in headers):
        pytest.skip("linux-libc-dev is not installed")
    for column, header in enumerate(headers):
        theirs = {
            match[1]: int(match[2])
            for match in re.finditer(r"#define __NR(?:3264)?_(\w+)\s+(\d+)\n", header.read_text())
        }
        theirs.setdefault("newfstatat", theirs.get("fstatat", -1))
        ours = {name: numbers[column] for name, numbers in calls.NUMBERS.items()}
        assert {name: theirs.get(name) for name in ours} == ours


ALLOW, KILL, NOT_THERE = 0x7FFF0000, 0x80000000, 0x00050000 | errno.ENOSYS


def _run(program: bytes, machine: int, number: int, *values: int) -> int:
    """What the kernel would answer: the instructions of BPF as linux/bpf_common.h and filter.rst describe them."""
    data = struct.pack("<IIQ6Q", number, machine, 0, *(*values, *[0] * (6 - len(values))))
    at, accumulator = 0, 0
    while True:
        code, so, otherwise, value = struct.unpack_from("=HBBI", program, 8 * at)
        at += 1
        if code == 0x20:
            (accumulator,) = struct.unpack_from("<I", data, value)
        elif code == 0x06:
            return int(value)
        else:
            true = accumulator == value if code == 0x15 else accumulator & value != 0
            assert code in (0x15, 0x45)
            at += so if true else otherwise


@pytest.mark.parametrize(("machine", "audit", "column"), [("x86_64", 0xC000003E, 0), ("aarch64", 0xC00000B7, 1)])
def test_the_filter_on_both_machines(machine: str, audit: int, column: int) -> None:
    """Instruction by instruction: what is listed passes, arguments count, the rest is not there, other machines end it."""
    program = calls.program(machine, 77)

    def asked(name: str, *values: int) -> int:
        number = calls.NUMBERS[name][column]
        assert number is not None
        return _run(program, audit, number, *values)

    threads = 0x3D0F00  # CLONE_VM … CLONE_CHILD_CLEARTID, as glibc's pthread_create asks
    passes = [
        asked("read"), asked("kill", 77), asked("tgkill", 77), asked("clone", threads), asked("mmap", 0, 9, 3),
        asked("prlimit64", 0, 9, 0), asked("fcntl", 9, 1030), asked("ioctl", 9, 0x5401), asked("statx", 9, 0, 0x1000),
        asked("newfstatat", 9, 0, 0, 0x1000), asked("exit_group"),
    ]  # fmt: skip
    refused = [
        asked("kill", 1), asked("tgkill", 1), asked("clone", 17), asked("clone", threads | 0x10000000),
        asked("clone", threads | 0x4000), asked("clone", threads | 0x8000), asked("mmap", 0, 9, 7), asked("mprotect", 0, 9, 5), asked("prlimit64", 1),
        asked("prlimit64", 0, 9, 4096), asked("prlimit64", 0, 9, 1 << 32), asked("fcntl", 9, 8), asked("ioctl", 9, 0x5412),
        asked("statx", 9, 0, 0), asked("newfstatat", 9, 0, 0, 0x100), asked("openat"),
    ]  # fmt: skip
    assert set(passes) == {ALLOW}
    assert set(refused) == {0x00050000 | errno.EPERM, 0x00050000 | errno.EACCES}
    assert _run(program, audit, 435) == NOT_THERE  # clone3
    assert _run(program, audit, 0x40000000) == NOT_THERE  # read in the manner of x32
    assert _run(program, 0x40000003, 0) == KILL  # i386


def test_a_machine_without_a_filter() -> None:
    """On a machine that no filter is known for, none is raised, and that is said."""
    assert not calls.is_known("riscv64")
