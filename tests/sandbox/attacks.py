"""What a child tries that was taken over, and the process it tries it on: `python -m tests.sandbox.attacks FOLDER [WALLS]`.

The process plays the service: it has a home folder, a master, a ledger and settings in FOLDER, listens on TCP, UDP and
local sockets, and asks a child of its own for each attack. One line of JSON out: what each attack came to, and what
the service finds afterwards. An attack answers "did: …" where it got anywhere, "refused: …" otherwise.

WALLS: a module with tasks that leaves walls out, to see what the others hold alone.
"""

from __future__ import annotations

import ctypes
import fcntl
import json
import mmap
import os
import platform
import resource
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from pathlib import Path
from typing import Any

from printqueue.sandbox import ChildDiedError, ChildLimits, ForkServer

LIMITS = ChildLimits(memory=4_000_000_000, cpu_s=20, wall_s=20.0)
UNTOUCHED = b"untouched"
_LIBC = ctypes.CDLL(None, use_errno=True)
_ARM = platform.machine() == "aarch64"
# asm/unistd_64.h and asm-generic/unistd.h of Linux 6.1
_RAW = {
    "ptrace": (101, 117), "process_vm_readv": (310, 270), "process_vm_writev": (311, 271), "io_uring_setup": (425, 425),
    "bpf": (321, 280), "add_key": (248, 217), "keyctl": (250, 219), "userfaultfd": (323, 282), "unshare": (272, 97),
    "setns": (308, 268), "mount": (165, 40), "open_by_handle_at": (304, 265), "pidfd_getfd": (438, 438),
    "pidfd_open": (434, 434), "memfd_create": (319, 279), "perf_event_open": (298, 241), "clone3": (435, 435),
    "chroot": (161, 51), "setuid": (105, 146), "personality": (135, 92), "inotify_init1": (294, 26),
    "socketpair": (53, 199), "execveat": (322, 281), "seccomp": (317, 277), "landlock_create_ruleset": (444, 444),
}  # fmt: skip


class _Window(ctypes.Structure):
    _fields_ = (("base", ctypes.c_void_p), ("length", ctypes.c_size_t))


def _raw(name: str, *values: Any) -> int:
    number = _RAW[name][_ARM]
    found: int = _LIBC.syscall(number, *values)
    if found < 0:
        raise OSError(ctypes.get_errno(), name)
    return found


# -- on files ---------------------------------------------------------------------


def _read_home(at: dict[str, Any]) -> Any:
    return Path(at["home"], "secret").read_bytes()


def _list_home(at: dict[str, Any]) -> Any:
    return os.listdir(at["home"])


def _look_up(at: dict[str, Any]) -> Any:
    return os.stat(at["master"]).st_size


def _rename_master(at: dict[str, Any]) -> Any:
    os.rename(at["master"], at["master"] + ".gone")
    return os.rename(at["master"] + ".gone", at["master"])  # for the next attack


def _remove_master(at: dict[str, Any]) -> Any:
    return os.remove(at["master"])


def _link_master(at: dict[str, Any]) -> Any:
    return os.link(at["master"], at["master"] + ".link")


def _close_master(at: dict[str, Any]) -> Any:
    return os.chmod(at["master"], 0)


def _age_master(at: dict[str, Any]) -> Any:
    return os.utime(at["master"], (1, 1))


def _cut_master(at: dict[str, Any]) -> Any:
    return os.truncate(at["master"], 0)


def _write_ledger(at: dict[str, Any]) -> Any:
    with open(at["ledger"], "r+b") as stream:
        return stream.write(b"forged")


def _write_settings(at: dict[str, Any]) -> Any:
    return Path(at["settings"]).write_text("state: /var\n")


def _make_file(at: dict[str, Any]) -> Any:
    return Path(at["home"], "new").write_text("new")


def _make_folder(at: dict[str, Any]) -> Any:
    return os.mkdir(os.path.join(at["home"], "folder"))


def _reopen_for_writing(at: dict[str, Any], files: list[int]) -> Any:
    """The descriptor is for reading only; through /proc it could be opened once more."""
    with open(f"/proc/self/fd/{files[0]}", "r+b") as stream:
        return stream.write(b"forged")


def _go_elsewhere(at: dict[str, Any]) -> Any:
    return os.chdir(at["home"])


# -- on the network -----------------------------------------------------------------


def _tcp(at: dict[str, Any]) -> Any:
    with socket.create_connection(("127.0.0.1", at["tcp"]), 2) as line:
        return line.send(b"x")


def _listen(at: dict[str, Any]) -> Any:
    with socket.create_server(("127.0.0.1", 0)) as line:
        return line.getsockname()


def _udp(at: dict[str, Any]) -> Any:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as line:
        return line.sendto(b"x", ("127.0.0.1", at["udp"]))


def _local(at: dict[str, Any]) -> Any:
    with socket.socket(socket.AF_UNIX) as line:
        return line.connect(at["local"])


def _abstract(at: dict[str, Any]) -> Any:
    with socket.socket(socket.AF_UNIX) as line:
        return line.connect(at["abstract"].encode("latin-1"))


def _netlink(at: dict[str, Any]) -> Any:
    with socket.socket(socket.AF_NETLINK, socket.SOCK_RAW, 0) as line:
        return line.fileno()


# -- on the service and other processes ------------------------------------------------


def _trace(at: dict[str, Any]) -> Any:
    return _raw("ptrace", 0x4206, at["service"], 0, 0)  # PTRACE_SEIZE, which stops nothing


def _windows(at: dict[str, Any], size: int) -> tuple[Any, Any, Any]:
    text = ctypes.create_string_buffer(b"forged!!!", size)
    ours, theirs = _Window(ctypes.addressof(text), size), _Window(at["address"], size)
    return text, ctypes.byref(ours), ctypes.byref(theirs)


def _write_memory(at: dict[str, Any]) -> Any:
    _, ours, theirs = _windows(at, 9)
    return _raw("process_vm_writev", at["service"], ours, 1, theirs, 1, 0)


def _read_memory(at: dict[str, Any]) -> Any:
    _, ours, theirs = _windows(at, 9)
    return _raw("process_vm_readv", at["service"], ours, 1, theirs, 1, 0)


def _write_mem_file(at: dict[str, Any]) -> Any:
    with open(f"/proc/{at['service']}/mem", "r+b", 0) as stream:
        stream.seek(at["address"])
        return stream.write(b"forged!!!")


def _send_signal(at: dict[str, Any]) -> Any:
    return os.kill(at["service"], signal.SIGUSR1)


def _signal_parent(at: dict[str, Any]) -> Any:
    return os.kill(os.getppid(), 0)


def _signal_all(at: dict[str, Any]) -> Any:
    return os.kill(-1, 0)


def _signal_group(at: dict[str, Any]) -> Any:
    return os.kill(0, 0)


def _signal_by_descriptor(at: dict[str, Any], files: list[int]) -> Any:
    """The kernel signals the owner of a line when bytes come."""
    fcntl.fcntl(files[-1], fcntl.F_SETOWN, at["service"])
    fcntl.fcntl(files[-1], 10, signal.SIGUSR1)  # F_SETSIG
    return fcntl.fcntl(files[-1], fcntl.F_SETFL, os.O_ASYNC)


def _open_process(at: dict[str, Any]) -> Any:
    return _raw("pidfd_open", at["service"], 0)


def _bind_service(at: dict[str, Any]) -> Any:
    return resource.prlimit(at["service"], resource.RLIMIT_CORE, (0, 0))


# -- on its own bounds --------------------------------------------------------------


def _run_shell(at: dict[str, Any]) -> Any:
    return subprocess.run(["/bin/sh", "-c", "echo ran"], capture_output=True, check=True).stdout


def _become_shell(at: dict[str, Any]) -> Any:
    os.execv("/bin/true", ["true"])


def _spawn(at: dict[str, Any]) -> Any:
    return os.posix_spawn("/bin/true", ["true"], {})


def _leave_behind(at: dict[str, Any]) -> Any:
    pid = os.fork()
    if pid == 0:
        _LIBC.prctl(1, 0, 0, 0, 0)
        time.sleep(2)
        os._exit(0)
    return pid


def _by_vfork(at: dict[str, Any]) -> Any:
    """clone(CLONE_VM | CLONE_VFORK | SIGCHLD) would run on this stack; without CLONE_VM it is a fork."""
    pid = int(_LIBC.syscall(220 if _ARM else 56, int(signal.SIGCHLD), 0, 0, 0, 0))
    if pid == 0:
        os._exit(0)
    if pid < 0:
        raise OSError(ctypes.get_errno(), "clone")
    return pid


def _outlive_parent(at: dict[str, Any]) -> Any:
    if _LIBC.prctl(1, 0, 0, 0, 0) != 0:  # PR_SET_PDEATHSIG
        raise OSError(ctypes.get_errno(), "prctl")
    return "no longer killed with the fork server"


def _raise_limits(at: dict[str, Any]) -> Any:
    return resource.setrlimit(resource.RLIMIT_FSIZE, (1 << 60, 1 << 60))


def _lower_limits(at: dict[str, Any]) -> Any:
    return resource.prlimit(os.getpid(), resource.RLIMIT_NOFILE, (4, 4))


def _new_code(at: dict[str, Any]) -> Any:
    flags, kinds = mmap.MAP_PRIVATE | mmap.MAP_ANONYMOUS, mmap.PROT_READ | mmap.PROT_WRITE | mmap.PROT_EXEC
    return len(mmap.mmap(-1, 4096, flags, kinds))


def _new_name_space(at: dict[str, Any]) -> Any:
    return _raw("unshare", 0x10000000)  # CLONE_NEWUSER


def _mount_over(at: dict[str, Any]) -> Any:
    return _raw("mount", b"none", at["home"].encode(), b"tmpfs", 1, None)  # MS_RDONLY


def _by_number(name: str, *values: Any) -> Callable[[dict[str, Any]], Any]:
    return lambda at: _raw(name, *values)


ATTACKS: dict[str, Callable[..., Any]] = {
    function.__name__.removeprefix("_"): function
    for function in (
        _read_home, _list_home, _look_up, _link_master, _close_master, _age_master, _cut_master, _rename_master, _remove_master,
        _write_ledger, _write_settings, _make_file, _make_folder, _reopen_for_writing, _go_elsewhere,
        _tcp, _listen, _udp, _local, _abstract, _netlink,
        _trace, _write_memory, _read_memory, _write_mem_file, _send_signal, _signal_parent, _signal_all, _signal_group,
        _signal_by_descriptor, _open_process, _bind_service,
        _run_shell, _become_shell, _spawn, _leave_behind, _by_vfork, _outlive_parent, _raise_limits, _lower_limits, _new_code,
        _new_name_space, _mount_over,
    )
}  # fmt: skip
ATTACKS |= {
    "io_uring": _by_number("io_uring_setup", 1, ctypes.create_string_buffer(256)),
    "bpf": _by_number("bpf", 0, ctypes.create_string_buffer(b"\1\0\0\0\4\0\0\0\4\0\0\0\1", 72), 72),  # a map
    "add_key": _by_number("add_key", b"user", b"printqueue-test", b"x", 1, -2),
    "keyctl": _by_number("keyctl", 0, -2, 1),
    "userfaultfd": _by_number("userfaultfd", 1),
    "memfd": _by_number("memfd_create", b"x", 0),
    "listen_to_files": _by_number("inotify_init1", 0),
    "old_machine": _by_number("personality", 0xFFFFFFFF),
}  # fmt: skip


def _attack(name: str) -> Callable[[Any, list[int]], bytes]:
    function = ATTACKS[name]

    def run(at: Any, files: list[int]) -> bytes:
        try:
            takes_files = function.__code__.co_argcount == 2
            found = function(at, files) if takes_files else function(at)
        except OSError as error:
            return f"refused: {error.strerror or error}".encode()
        except Exception as error:  # a library that stumbles over what it was refused
            return f"refused: {error!r}".encode()
        return f"did: {found!r}".encode()

    return run


def _threads(_: Any, files: list[int]) -> bytes:
    with ThreadPoolExecutor(4) as pool:
        return str(sum(pool.map(lambda number: number * number, range(100)))).encode()


"".encode("idna")  # what names of hosts need, loaded before the walls stand
TASKS = {name: _attack(name) for name in ATTACKS} | {"threads": _threads}


# -- the process that is attacked -------------------------------------------------------


def main(folder: str, module: str = "tests.sandbox.attacks") -> None:
    """Be attacked."""
    at = _victim(folder)
    signals: list[int] = []
    for number in (signal.SIGUSR1, signal.SIGUSR2, signal.SIGIO):
        signal.signal(number, lambda received, _: signals.append(received))
    with _Listening(at) as heard:
        fork_server = ForkServer(module)
        try:
            found = {name: _tried(fork_server, name, at) for name in ATTACKS}
            threads, around = _tried(fork_server, "threads", at), _tried(fork_server, "walls", at)
        finally:
            fork_server.close()
    after = _after(at)
    after["left behind"] = _left_behind()
    print(
        json.dumps(
            {
                "attacks": found,
                "signals": signals,
                "after": after,
                "heard": heard,
                "threads": threads,
                "walls": json.loads(around),
            }
        )
    )


def _victim(folder: str) -> dict[str, Any]:
    at: dict[str, Any] = {
        name: os.path.join(folder, name) for name in ("home", "master", "ledger", "settings", "local")
    }
    os.mkdir(at["home"])
    for path in (at["home"] + "/secret", at["master"], at["ledger"], at["settings"]):
        Path(path).write_bytes(UNTOUCHED)
    return at | {"service": os.getpid(), "address": ctypes.addressof(_MEMORY)}


_MEMORY = ctypes.create_string_buffer(UNTOUCHED, 9)


class _Listening:
    """Sockets that a child must not reach, and what came in on them."""

    def __init__(self, at: dict[str, Any]) -> None:
        self.tcp, self.udp = socket.create_server(("127.0.0.1", 0)), socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self.udp.bind(("127.0.0.1", 0))
        self.local, self.abstract = socket.socket(socket.AF_UNIX), socket.socket(socket.AF_UNIX)
        self.local.bind(at["local"])
        self.abstract.bind(f"\0printqueue-{os.getpid()}".encode())
        for line in (self.local, self.abstract):
            line.listen()
        at |= {
            "tcp": self.tcp.getsockname()[1], "udp": self.udp.getsockname()[1],
            "abstract": f"\0printqueue-{os.getpid()}",
        }  # fmt: skip
        self.heard: list[str] = []

    def __enter__(self) -> list[str]:
        return self.heard

    def __exit__(self, *_: object) -> None:
        for name in ("tcp", "udp", "local", "abstract"):
            line = getattr(self, name)
            line.settimeout(0)
            with suppress(BlockingIOError):
                line.recv(10) if name == "udp" else line.accept()[0].close()
                self.heard.append(name)
            line.close()


def _tried(fork_server: ForkServer, name: str, at: dict[str, Any]) -> str:
    ours, theirs = socket.socketpair()
    with ours, theirs, open(at["ledger"], "rb") as stream:
        try:
            with fork_server.child(LIMITS) as child:
                answer = child.ask(name, at, (stream.fileno(), theirs.fileno())).decode()
                ours.send(b"x")
                return answer
        except ChildDiedError as error:
            return f"died: {error}"


def _after(at: dict[str, Any]) -> dict[str, Any]:
    """What must be as it was."""
    found: dict[str, Any] = {}
    for name in ("master", "ledger", "settings"):
        with suppress(OSError):
            seen = os.stat(at[name])
            found[name] = f"{Path(at[name]).read_bytes()!r} {seen.st_mtime > 1e9} {seen.st_mode & 0o777 != 0}"
    found["memory"] = repr(_MEMORY.raw)
    found["names"] = sorted(os.listdir(os.path.dirname(at["master"])))
    found["home"] = sorted(os.listdir(at["home"]))
    return found


def _left_behind() -> list[str]:
    """Processes that run this program's fork server once it has ended."""
    left = []
    for entry in os.listdir("/proc"):
        with suppress(OSError):
            words = Path("/proc", entry, "cmdline").read_bytes().split(b"\0") if entry.isdigit() else []
            if b"printqueue.sandbox.fork_server" in words and str(os.getpid()).encode() in words:
                left.append(entry)
    return left


if __name__ == "__main__":
    threading.Timer(120, os._exit, (3,)).start()  # never hang
    main(*sys.argv[1:])
    sys.stdout.flush()
    os._exit(0)
