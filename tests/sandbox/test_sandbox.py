"""Children: their limits, their deaths, their messages. Uses this module's own tasks in a fork server of its own."""

from __future__ import annotations

import os
import resource
import shutil
import signal
import socket
import stat
import subprocess
import threading
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import pytest

from printqueue.core.errors import OwnError
from printqueue.sandbox import (
    AnswerTooLongError,
    ChildDiedError,
    ChildInterruptedError,
    ChildLimits,
    ForkServer,
    ForkServerDiedError,
    client,
    patience,
    wire,
)
from printqueue.sandbox.patience import AnswerLimits, Patience, SpentError, StalledError
from tests.running import support

# -- tasks of the children (they run in another process) ---------------------------


def _echo(argument: Any, files: list[int]) -> bytes:
    return repr((argument, [os.read(descriptor, 100) for descriptor in files])).encode()


def _environment(_: Any, files: list[int]) -> bytes:
    return repr((sorted(os.environ), threading.active_count())).encode()


def _hungry(_: Any, files: list[int]) -> bytes:
    return bytes(len(bytearray(1 << 32)))


def _spinning(_: Any, files: list[int]) -> bytes:
    while True:
        pass


def _sleeping(_: Any, files: list[int]) -> bytes:
    time.sleep(3600)
    return b""


def _killed(number: int, files: list[int]) -> bytes:
    os.kill(os.getpid(), number)
    return b""


def _raising(_: Any, files: list[int]) -> bytes:
    raise KeyError("unexpected")


def _writing(size: int, files: list[int]) -> bytes:
    os.write(files[0], bytes(size))
    os.write(files[0], bytes(size))
    return b"written"


def _line() -> int:
    """The socket to the service, as a child that was taken over would find it."""
    return next(fd for fd in range(3, 64) if _is_socket(fd))


def _is_socket(descriptor: int) -> bool:
    try:
        return stat.S_ISSOCK(os.fstat(descriptor).st_mode)
    except OSError:
        return False


def _talkative(size: int, files: list[int]) -> bytes:
    return bytes(size)


def _dribbling(_: Any, files: list[int]) -> bytes:
    """An answer that comes byte by byte, for ever."""
    os.write(_line(), wire._HEADER.pack(1000, 0))
    while True:
        os.write(_line(), b" ")
        time.sleep(0.02)


def _smuggling(_: Any, files: list[int]) -> bytes:
    """An answer with a descriptor."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM, 0, os.dup(_line())) as sock:
        socket.send_fds(sock, [wire._HEADER.pack(2, 1)], [files[0]])
        sock.sendall(b"ok")
    time.sleep(3600)
    return b""


def _working(seconds: float, files: list[int]) -> bytes:
    """So much processor time, whatever the clock says."""
    until = time.process_time() + seconds
    while time.process_time() < until:
        pass
    return b"done"


def _stopping(_: Any, files: list[int]) -> bytes:
    os.kill(os.getpid(), signal.SIGSTOP)
    return b"went on"


def _crowding(many: int, files: list[int]) -> bytes:
    threading.stack_size(64 * 1024)
    for _ in range(many):
        threading.Thread(target=time.sleep, args=(3600,), daemon=True).start()
    time.sleep(3600)
    return b""


TASKS = {
    "crowding": _crowding, "talkative": _talkative, "dribbling": _dribbling, "smuggling": _smuggling, "working": _working, "stopping": _stopping,
    "echo": _echo, "environment": _environment, "hungry": _hungry, "spinning": _spinning,
    "sleeping": _sleeping, "killed": _killed, "raising": _raising, "writing": _writing,
}  # fmt: skip


# -- the service's side -----------------------------------------------------------------


@pytest.fixture(scope="module")
def fork_server() -> Iterator[ForkServer]:
    """A fork server over the tasks above."""
    with support.fork_server_of("tests.sandbox.test_sandbox") as running:
        yield running


@pytest.fixture(autouse=True)
def _nothing_left(fork_server: ForkServer) -> Iterator[None]:
    """Every child has ended, and no descriptor is left, when its test is over."""
    before = len(os.listdir("/proc/self/fd"))
    yield
    support.until(lambda: not support.children(fork_server._process.pid), "the children ended")
    assert len(os.listdir("/proc/self/fd")) == before


LIMITS = ChildLimits(memory=2_000_000_000, cpu_s=1, wall_s=5.0, file_size=1_000_000, open_files=16)


def test_questions_and_answers(fork_server: ForkServer, tmp_path: Any) -> None:
    """A child answers several questions, each with the descriptors that came with it, and closes them afterwards."""
    (tmp_path / "a").write_bytes(b"bytes")
    with fork_server.child(LIMITS) as child:
        for _ in range(30):  # more than the limit of open files
            with open(tmp_path / "a", "rb") as stream:
                assert child.ask("echo", {"a": 1}, (stream.fileno(),)) == b"({'a': 1}, [b'bytes'])"


def test_limits_hold(fork_server: ForkServer) -> None:
    """Memory, time, file size, open files: set, hard as well as soft, no core dump, no privileges, old or new."""
    with fork_server.child(LIMITS) as child:
        child.ask("echo", None)
        status = Path(f"/proc/{child._pid}/status").read_text()
        found = [
            resource.prlimit(child._pid, name)
            for name in (
                resource.RLIMIT_AS,
                resource.RLIMIT_CPU,
                resource.RLIMIT_FSIZE,
                resource.RLIMIT_NOFILE,
                resource.RLIMIT_CORE,
            )
        ]
    # a second from SIGXCPU to SIGKILL
    assert found == [(2_000_000_000,) * 2, (1, 2), (1_000_000,) * 2, (16, 16), (0, 0)]
    assert "NoNewPrivs:\t1\n" in status
    assert [line.split()[1] for line in status.split("\n") if line.startswith(("CapEff", "CapPrm", "CapInh"))] == [
        "0" * 16
    ] * 3


def test_the_machine_takes_a_child_first(fork_server: ForkServer) -> None:
    """When memory runs out, the kernel is to end a child, not the service nor the fork server (proc_pid_oom_score_adj(5))."""
    with fork_server.child(LIMITS) as child:
        child.ask("echo", None)
        scores = [int(Path(f"/proc/{pid}/oom_score_adj").read_text()) for pid in (child._pid, fork_server._process.pid)]
    assert scores == [800, int(Path("/proc/self/oom_score_adj").read_text())]


def test_child_knows_little(fork_server: ForkServer, monkeypatch: pytest.MonkeyPatch) -> None:
    """No notify socket, no secrets of the environment, one thread."""
    with fork_server.child(LIMITS) as child:
        names, threads = eval(child.ask("environment", None))
        tasks = len(os.listdir(f"/proc/{child._pid}/task"))
    assert not {name for name in names if "NOTIFY" in name or "TOKEN" in name or "STUDIO" in name}
    assert set(names) <= {
        "PATH", "LANG", "LC_ALL", "LC_CTYPE", "HOME", "PYTHONPATH", "VIRTUAL_ENV", "OPENBLAS_CORETYPE", "OPENBLAS_L2_SIZE",
        "LD_LIBRARY_PATH",  # set by cv2 itself when it is imported
        "OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MALLOC_ARENA_MAX", "PYTHONDONTWRITEBYTECODE",
    }  # fmt: skip
    assert (threads, tasks) == (1, 1)


@pytest.mark.parametrize(
    ("task", "argument", "words"),
    [
        ("hungry", None, "more memory than allowed"),
        ("spinning", None, "processor time"),
        ("killed", signal.SIGSEGV, "signal 11 (SIGSEGV)"),
        ("killed", signal.SIGKILL, "signal 9 (SIGKILL)"),
        ("raising", None, "code 70"),
    ],
)
def test_deaths_are_told_apart(fork_server: ForkServer, task: str, argument: Any, words: str, capfd: Any) -> None:
    """How a child died is said in one clause."""
    with fork_server.child(LIMITS) as child, pytest.raises(ChildDiedError) as caught:
        child.ask(task, argument)
    assert words in str(caught.value)


def test_wall_clock(fork_server: ForkServer) -> None:
    """A child that neither answers nor uses the processor is stopped."""
    with fork_server.child(ChildLimits(wall_s=0.2)) as child, pytest.raises(ChildDiedError, match="longer than"):
        child.ask("sleeping", None)


def test_file_size(fork_server: ForkServer, tmp_path: Any) -> None:
    """A print cannot grow without bounds."""
    with open(tmp_path / "out", "wb") as stream, fork_server.child(LIMITS) as child:
        assert child.ask("writing", 400_000, (stream.fileno(),)) == b"written"
        with pytest.raises(ChildDiedError):
            child.ask("writing", 600_000, (stream.fileno(),))
    assert os.path.getsize(tmp_path / "out") <= 1_000_000


def test_one_death_harms_no_other(fork_server: ForkServer) -> None:
    """Children are independent: one is killed, the next to it and the one after it answer."""
    with fork_server.child(LIMITS) as other:
        with fork_server.child(LIMITS) as child, pytest.raises(ChildDiedError):
            child.ask("killed", signal.SIGKILL)
        assert other.ask("echo", 1) == b"(1, [])"
    with fork_server.child(LIMITS) as child:
        assert child.ask("echo", 2) == b"(2, [])"


def test_kill_from_another_thread(fork_server: ForkServer) -> None:
    """A child that works is stopped at once from outside; who asked it is told."""
    with fork_server.child(LIMITS) as child:
        timer = threading.Timer(0.05, child.kill)
        timer.start()
        with pytest.raises(ChildDiedError, match="SIGKILL"):
            child.ask("sleeping", None)
        timer.join()


def test_a_dead_fork_server_is_said(fork_server: ForkServer) -> None:
    """Without its fork server the service says what died and what to do, instead of waiting."""
    with support.fork_server_of("tests.sandbox.test_sandbox") as mortal:
        mortal._process.kill()
        mortal._process.wait()
        with pytest.raises(ForkServerDiedError, match="Start the service again"):
            mortal.child(LIMITS)


def test_a_fork_server_that_cannot_start(capfd: Any) -> None:
    """A worker module that cannot be imported is one clear error, and leaves neither process nor socket."""
    with pytest.raises(OwnError, match="could not be started"):
        ForkServer("printqueue.no_such_module")


# -- time ----------------------------------------------------------------------------------


def test_time_that_it_was_stopped_does_not_count(fork_server: ForkServer) -> None:
    """Stopped for longer than its question may take, as by a machine that is busy elsewhere, a child then answers."""
    with fork_server.child(ChildLimits(wall_s=1.0)) as child:
        child.ask("echo", 1)
        os.kill(child._pid, signal.SIGSTOP)
        timer = threading.Timer(2.5, os.kill, (child._pid, signal.SIGCONT))
        timer.start()
        assert child.ask("working", 0.2) == b"done"
        timer.join()


def test_time_that_the_service_was_stopped_does_not_count(fork_server: ForkServer) -> None:
    """When service and child stand still together (the machine slept), only a moment of that is counted."""
    waited = Patience(fork_server._process.pid, AnswerLimits(0, 8.0, 100.0))
    for _ in range(3):
        waited.look(3600.0)
    with pytest.raises(SpentError):
        waited.look(3600.0)


def test_it_stands_still_for_too_long(fork_server: ForkServer) -> None:
    """A child that cannot go on, though it is not asleep, is given up in the end; that is no fault of the picture."""
    limits = ChildLimits(wall_s=5.0, stalled_s=0.5)
    with fork_server.child(limits) as child, pytest.raises(ChildInterruptedError, match="could not go on"):
        child.ask("stopping", None)


def test_waiting_with_a_little_headway_comes_to_an_end(
    fork_server: ForkServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One tick of work now and then does not buy a child that waits for a disk, or seems to, the lane for ever."""
    used_s = iter(step / 100 for step in range(100_000))
    monkeypatch.setattr(patience, "_used_s", lambda _: next(used_s))
    monkeypatch.setattr(patience, "_is_helpless", lambda _: True)
    waiting = Patience(fork_server._process.pid, AnswerLimits(0, 600.0, 120.0))
    for _ in range(3000):
        waiting.look(1.0)
    with pytest.raises(StalledError):
        list(map(waiting.look, [1.0] * 1000))


def test_a_crowd_of_threads_is_ended(fork_server: ForkServer) -> None:
    """A child that starts threads without end is stopped, long before it has filled the machine's table of processes."""
    with fork_server.child(ChildLimits(wall_s=60.0)) as child, pytest.raises(ChildDiedError, match="threads") as caught:
        child.ask("crowding", 200)
    assert not isinstance(caught.value, ChildInterruptedError)


def test_its_own_time_counts(fork_server: ForkServer) -> None:
    """Working or asleep, a child has no more time than its question may take; two others wait meanwhile in vain for more."""
    for task, argument in (("working", 100.0), ("sleeping", None), ("dribbling", None)):
        limits = ChildLimits(wall_s=0.5, cpu_s=50)
        with fork_server.child(limits) as child, pytest.raises(ChildDiedError, match="longer than") as caught:
            child.ask(task, argument)
        assert not isinstance(caught.value, ChildInterruptedError)


# -- ends ------------------------------------------------------------------------------------


def test_a_kill_from_outside_is_told(fork_server: ForkServer) -> None:
    """SIGKILL that we did not send (the kernel sends it when memory runs out) says nothing about the picture."""
    with fork_server.child(LIMITS) as child:
        timer = threading.Timer(0.1, os.kill, (child._pid, signal.SIGKILL))
        timer.start()
        with pytest.raises(ChildInterruptedError, match="from outside"):
            child.ask("sleeping", None)
        timer.join()


def test_an_ended_child_is_not_signalled(fork_server: ForkServer) -> None:
    """After its end its number may be somebody else's: nobody is signalled by number, and nobody by a closed descriptor."""
    with fork_server.child(LIMITS) as child:
        child.ask("echo", 1)
    sent: list[object] = []
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(os, "kill", lambda *values: sent.append(values))
        patch.setattr(signal, "pidfd_send_signal", lambda *values: sent.append(values))
        child.kill()
    assert sent == []
    assert child.end() == 0


def _tool(name: str) -> str:
    if shutil.which(name) is None:
        support.missing(name)
    return name


def test_a_traced_child_is_reaped_a_moment_later(fork_server: ForkServer, monkeypatch: pytest.MonkeyPatch) -> None:
    """A child that has ended, and that its parent cannot reap yet because somebody traces it, is waited for."""
    real, asked = fork_server._order, list[int]()

    def order(what: dict[str, Any], descriptors: Sequence[int]) -> int:
        if "reap" not in what or len(asked) == 2:
            return real(what, descriptors)
        asked.append(what["reap"])
        return -1

    monkeypatch.setattr(fork_server, "_order", order)
    with fork_server.child(LIMITS) as child, pytest.raises(ChildDiedError, match="SIGSEGV"):
        child.ask("killed", signal.SIGSEGV)
    assert asked == [child._pid] * 2


@pytest.fixture
def freezing(tmp_path: Path) -> Iterator[Path]:
    """A file system of its own that can be frozen: whoever writes to it waits, and cannot even be killed."""
    if os.geteuid() != 0 or not Path("/dev/loop-control").exists():
        pytest.skip("only root can mount")
    image, folder = tmp_path / "image", tmp_path / "disk"
    folder.mkdir()
    image.write_bytes(bytes(16 << 20))
    subprocess.run([_tool("mkfs.ext4"), "-q", image], check=True, timeout=60)
    if subprocess.run(["mount", "-o", "loop", image, folder], check=False, timeout=60).returncode != 0:
        pytest.skip("no loop devices here")
    try:
        yield folder
    finally:
        subprocess.run(["fsfreeze", "-u", folder], check=False, capture_output=True, timeout=60)
        subprocess.run(["umount", folder], check=True, timeout=60)


def test_a_hanging_disk_holds_up_nobody_else(
    fork_server: ForkServer, freezing: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """While one child waits for a disk that does not answer, and cannot be ended, others are forked, asked and ended; it
    is reaped when the disk answers again.
    """
    monkeypatch.setattr(client, "_DYING_S", 0.3)
    with open(freezing / "out", "wb", 0) as stream:
        subprocess.run([_tool("fsfreeze"), "-f", freezing], check=True, timeout=60)
        stuck = pytest.raises(ChildInterruptedError, match="disk does not answer")
        with fork_server.child(ChildLimits(stalled_s=1.0)) as child, stuck:
            child.ask("writing", 1000, (stream.fileno(),))
        assert support.alive(child._pid)
        for number in range(3):
            with fork_server.child(LIMITS) as other:
                assert other.ask("echo", number) == f"({number}, [])".encode()
        subprocess.run(["fsfreeze", "-u", freezing], check=True, timeout=60)
        support.until(lambda: not support.alive(child._pid), "the child ended")
    with fork_server.child(LIMITS) as other:
        assert other.ask("echo", 9) == b"(9, [])"
    assert fork_server._unreaped == []


# -- answers ----------------------------------------------------------------------------------


def test_an_answer_is_bounded(fork_server: ForkServer) -> None:
    """What is longer than its question allows ends the child, and none of it is read."""
    with fork_server.child(LIMITS) as child:
        assert len(child.ask("talkative", 64_000)) == 64_000
        with pytest.raises(AnswerTooLongError, match="64 kB"):
            child.ask("talkative", 64_001)
    with fork_server.child(LIMITS) as child:
        assert len(child.ask("talkative", 900_000, max_bytes=1_000_000)) == 900_000


def test_a_descriptor_in_an_answer_is_closed(fork_server: ForkServer, tmp_path: Path) -> None:
    """What a child hands over with its answer does not stay open (see also `_nothing_left`)."""
    with open(tmp_path / "file", "wb") as stream, fork_server.child(LIMITS) as child:
        assert child.ask("smuggling", None, (stream.fileno(),)) == b"ok"


# -- messages ---------------------------------------------------------------------------


@pytest.fixture
def pair() -> Iterator[tuple[socket.socket, socket.socket]]:
    """Two ends of a line."""
    ours, theirs = socket.socketpair()
    with ours, theirs:
        yield ours, theirs


def test_message_in_pieces(pair: tuple[socket.socket, socket.socket]) -> None:
    """A message that comes byte by byte is put together."""
    ours, theirs = pair
    whole = wire._HEADER.pack(3, 0) + b"abc"
    sender = threading.Thread(target=lambda: [theirs.send(whole[i : i + 1]) for i in range(len(whole))])
    sender.start()
    assert wire.receive(ours) == (b"abc", [])
    sender.join()


@pytest.mark.parametrize(
    "bad", [b"", b"\0\0", wire._HEADER.pack(10, 0) + b"abc", wire._HEADER.pack(1 << 60, 0), wire._HEADER.pack(0, 3)]
)
def test_broken_messages(pair: tuple[socket.socket, socket.socket], bad: bytes) -> None:
    """Cut short, far too long, or without the descriptors that it announces: the line counts as closed."""
    ours, theirs = pair
    theirs.sendall(bad)
    theirs.close()
    with pytest.raises(wire.ClosedError):
        wire.receive(ours)


def test_unwanted_descriptors_are_closed(pair: tuple[socket.socket, socket.socket]) -> None:
    """Descriptors that a child smuggles with its answer do not stay open."""
    ours, theirs = pair
    before = len(os.listdir("/proc/self/fd"))
    with open("/dev/null") as null:
        socket.send_fds(theirs, [wire._HEADER.pack(0, 0)], [null.fileno()])
        with pytest.raises(wire.ClosedError):
            wire.receive(ours)
    assert len(os.listdir("/proc/self/fd")) == before


def test_descriptors_are_not_handed_on(pair: tuple[socket.socket, socket.socket]) -> None:
    """A descriptor that was received is closed in every program that is started afterwards."""
    ours, theirs = pair
    with open("/dev/null") as null:
        wire.send(theirs, b"x", [null.fileno()])
        _, (received,) = wire.receive(ours)
    assert not os.get_inheritable(received)
    os.close(received)
