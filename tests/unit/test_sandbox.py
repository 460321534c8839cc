"""Children: their limits, their deaths, their messages. Uses this module's own tasks in a template of its own."""

from __future__ import annotations

import os
import resource
import signal
import socket
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from printqueue.errors import OwnError
from printqueue.sandbox import ChildDiedError, ChildLimits, Template, TemplateDiedError, wire
from tests.service import support

pytestmark = pytest.mark.service


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


TASKS = {
    "echo": _echo, "environment": _environment, "hungry": _hungry, "spinning": _spinning,
    "sleeping": _sleeping, "killed": _killed, "raising": _raising, "writing": _writing,
}  # fmt: skip


# -- the service's side -----------------------------------------------------------------


@pytest.fixture(scope="module")
def template() -> Iterator[Template]:
    """A template over the tasks above."""
    with support.template_of("tests.unit.test_sandbox") as running:
        yield running


@pytest.fixture(autouse=True)
def _nothing_left(template: Template) -> Iterator[None]:
    """Every child has ended, and no descriptor is left, when its test is over."""
    before = len(os.listdir("/proc/self/fd"))
    yield
    support.until(lambda: not support.children(template._process.pid), "the children ended")
    assert len(os.listdir("/proc/self/fd")) == before


LIMITS = ChildLimits(memory=2_000_000_000, cpu_s=1, wall_s=5.0, file_size=1_000_000, open_files=16)


def test_questions_and_answers(template: Template, tmp_path: Any) -> None:
    """A child answers several questions, each with the descriptors that came with it, and closes them afterwards."""
    (tmp_path / "a").write_bytes(b"bytes")
    with template.child(LIMITS) as child:
        for _ in range(30):  # more than the limit of open files
            with open(tmp_path / "a", "rb") as stream:
                assert child.ask("echo", {"a": 1}, (stream.fileno(),)) == b"({'a': 1}, [b'bytes'])"


def test_limits_hold(template: Template) -> None:
    """Memory, time, file size, open files: set, hard as well as soft, no core dump, no new privileges."""
    with template.child(LIMITS) as child:
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


def test_the_machine_takes_a_child_first(template: Template) -> None:
    """When memory runs out, the kernel is to end a child, not the service nor the template (proc_pid_oom_score_adj(5))."""
    with template.child(LIMITS) as child:
        child.ask("echo", None)
        scores = [int(Path(f"/proc/{pid}/oom_score_adj").read_text()) for pid in (child._pid, template._process.pid)]
    assert scores == [800, int(Path("/proc/self/oom_score_adj").read_text())]


def test_child_knows_little(template: Template, monkeypatch: pytest.MonkeyPatch) -> None:
    """No notify socket, no secrets of the environment, one thread."""
    with template.child(LIMITS) as child:
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
def test_deaths_are_told_apart(template: Template, task: str, argument: Any, words: str, capfd: Any) -> None:
    """How a child died is said in one clause."""
    with template.child(LIMITS) as child, pytest.raises(ChildDiedError) as caught:
        child.ask(task, argument)
    assert words in str(caught.value)


def test_wall_clock(template: Template) -> None:
    """A child that neither answers nor uses the processor is stopped."""
    with template.child(ChildLimits(wall_s=0.2)) as child, pytest.raises(ChildDiedError, match="longer than"):
        child.ask("sleeping", None)


def test_file_size(template: Template, tmp_path: Any) -> None:
    """A print cannot grow without bounds."""
    with open(tmp_path / "out", "wb") as stream, template.child(LIMITS) as child:
        assert child.ask("writing", 400_000, (stream.fileno(),)) == b"written"
        with pytest.raises(ChildDiedError):
            child.ask("writing", 600_000, (stream.fileno(),))
    assert os.path.getsize(tmp_path / "out") <= 1_000_000


def test_one_death_harms_no_other(template: Template) -> None:
    """Children are independent: one is killed, the next to it and the one after it answer."""
    with template.child(LIMITS) as other:
        with template.child(LIMITS) as child, pytest.raises(ChildDiedError):
            child.ask("killed", signal.SIGKILL)
        assert other.ask("echo", 1) == b"(1, [])"
    with template.child(LIMITS) as child:
        assert child.ask("echo", 2) == b"(2, [])"


def test_kill_from_another_thread(template: Template) -> None:
    """A child that works is stopped at once from outside; who asked it is told."""
    with template.child(LIMITS) as child:
        timer = threading.Timer(0.05, child.kill)
        timer.start()
        with pytest.raises(ChildDiedError, match="SIGKILL"):
            child.ask("sleeping", None)
        timer.join()


def test_dead_template_is_said(template: Template) -> None:
    """Without its template the service says what died and what to do, instead of waiting."""
    with support.template_of("tests.unit.test_sandbox") as mortal:
        mortal._process.kill()
        mortal._process.wait()
        with pytest.raises(TemplateDiedError, match="Start the service again"):
            mortal.child(LIMITS)


def test_template_that_cannot_start(capfd: Any) -> None:
    """A worker module that cannot be imported is one clear error, and leaves neither process nor socket."""
    with pytest.raises(OwnError, match="could not be started"):
        Template("printqueue.no_such_module")


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
