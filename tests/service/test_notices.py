"""Notices: told once, one at a time, bounded, visible when they fail, and never a burden on the service."""

from __future__ import annotations

import json
import logging
import os
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from printqueue.core.text import shown
from printqueue.service.notices import outside
from printqueue.service.notices.commands import CommandBook
from printqueue.service.notices.notifier import Notice, Notifier, facts, surroundings
from printqueue.studio.settings import Notify

SOON_S = 10.0
# Writes what it was given, as one JSON line, into the file named as its argument.
TELLTALE = f"""#!{sys.executable} -IS
import json, os, sys
fds = [os.readlink('/proc/self/fd/' + fd) for fd in os.listdir('/proc/self/fd') if os.path.exists('/proc/self/fd/' + fd)]
line = json.dumps(dict(env=dict(os.environ), fds=fds, cwd=os.getcwd(), group=os.getpgrp(), pid=os.getpid(),
    session=os.getsid(0), input=sys.stdin.read())) + chr(10)
with open(sys.argv[1], 'a') as out: out.write(line)
"""


class Lamp:
    """A configuration folder with one command, `lamp`, and the Notifiers made for it."""

    def __init__(self, tmp_path: Path) -> None:
        self.studio, self.where, self.told = tmp_path / "studio", tmp_path / "conf", tmp_path / "told"
        self.studio.mkdir()
        self.where.mkdir(mode=0o755)
        self.made: list[Notifier] = []

    def program(self, text: str) -> None:
        """Make `lamp` run the program `text`."""
        program = self.where / "lamp"
        program.write_text(text)
        program.chmod(0o755)
        (self.where / "commands.yaml").write_text(f"commands: {{lamp: [{program}, {self.told}]}}")
        (self.where / "commands.yaml").chmod(0o644)

    def notifier(self, text: str | None = None, *on: str, limit_s: float = SOON_S) -> Notifier:
        """A notifier for all events, or for `on`."""
        if text is not None:
            self.program(text)
        settings = Notify.model_validate({"command": "lamp", "on": list(on or ("review", "stuck", "share-gone"))})
        self.made.append(Notifier(settings, str(self.studio), where=[str(self.where)], limit_s=limit_s))
        return self.made[-1]

    def lines(self) -> list[str]:
        """What was told so far."""
        return self.told.read_text().splitlines() if self.told.exists() else []


@pytest.fixture
def lamp(tmp_path: Path) -> Iterator[Lamp]:
    """A lamp whose notifiers are closed at the end."""
    lamp = Lamp(tmp_path)
    yield lamp
    for one in lamp.made:
        one.close()


def soon(true: Callable[[], object]) -> None:
    """Wait until something that must happen has happened."""
    over = time.monotonic() + SOON_S
    while not true():
        assert time.monotonic() < over, "it did not happen"
        time.sleep(0.005)


def fake(monkeypatch: pytest.MonkeyPatch, how: str = "") -> tuple[list[dict[str, str]], threading.Event]:
    """Replace running by remembering, held up until the event is set."""
    ran: list[dict[str, str]] = []
    go = threading.Event()

    def run(
        program: str, arguments: object, environment: dict[str, str], *, limit_s: float, stop: threading.Event
    ) -> outside.Ended:
        ran.append(environment)
        while not go.wait(0.005) and not stop.is_set():
            pass
        return outside.Ended(how)

    monkeypatch.setattr(outside, "run", run)
    return ran, go


# -- what the command gets ---------------------------------------------------


def test_what_a_command_gets(lamp: Lamp, monkeypatch: pytest.MonkeyPatch) -> None:
    """Facts in the environment and nothing else of it; no descriptor but in, out and error; a group of its own."""
    for name in ("NOTIFY_SOCKET", "WATCHDOG_USEC", "WATCHDOG_PID", "JOURNAL_STREAM", "LD_PRELOAD_", "SECRET"):
        monkeypatch.setenv(name, "x")
    kept_open = os.open(lamp.studio, os.O_RDONLY)
    os.set_inheritable(kept_open, True)  # noqa: FBT003 - the standard library has it so
    (lamp.where / "typed").write_text("what somebody types")
    ours, typed = os.dup(0), os.open(lamp.where / "typed", os.O_RDONLY)
    os.dup2(typed, 0)
    try:
        one = lamp.notifier(TELLTALE)
        one.tell(Notice("review", "Fog.tif", "kozo", "A4", 12, "too dark", "review/Fog.txt"))
        one.close(SOON_S)
    finally:
        os.dup2(ours, 0)
        for descriptor in (ours, typed, kept_open):
            os.close(descriptor)
    assert one.problems() == []
    (got,) = [json.loads(line) for line in lamp.lines()]
    told = {name: value for name, value in got["env"].items() if name.startswith("PRINTQUEUE_")}
    assert told == {
        "PRINTQUEUE_EVENT": "review",
        "PRINTQUEUE_STUDIO": str(lamp.studio),
        "PRINTQUEUE_PICTURE": "Fog.tif",
        "PRINTQUEUE_PAPER": "kozo",
        "PRINTQUEUE_SIZE": "A4",
        "PRINTQUEUE_JOB": "12",
        "PRINTQUEUE_SAYS": "too dark",
        "PRINTQUEUE_REASON_FILE": str(lamp.studio / "review/Fog.txt"),
        "PRINTQUEUE_MORE": "",
    }
    assert set(got["env"]) - set(told) <= {"PATH", "LANG", "HOME", "LC_CTYPE"}  # the last: Python's own (PEP 538)
    kinds = [name.partition(":")[0] for name in got["fds"]]
    assert sorted(kinds) == ["/dev/null", "pipe", "pipe"]
    assert (got["cwd"], got["input"]) == ("/", "")
    assert got["group"] == got["session"] == got["pid"]


def test_hostile_facts() -> None:
    """Escapes, line breaks and bytes that are no UTF-8 arrive escaped and cut; a reason's path is true or left out."""
    name = "fog\x1b[31m\nSubject: x\udcff\u202e"
    told = facts(Notice("stuck", name, "kozo", says=name * 100, reason_file=f"review/{name}.txt"), "/studio")
    assert told["PRINTQUEUE_PICTURE"] == "fog\\x1b[31m\\x0aSubject: x\\xff\\u202e"
    assert told["PRINTQUEUE_REASON_FILE"] == ""
    assert all(value.isprintable() and len(value) <= 600 for value in told.values())
    assert len(facts(Notice("stuck", "f" * 999), "/studio")["PRINTQUEUE_PICTURE"]) == 200


def test_a_home_inside_the_studio_is_withheld(tmp_path: Path) -> None:
    """Programs read and trust what lies in $HOME; one that others can write is not handed over."""
    book = CommandBook(str(tmp_path), [])
    assert surroundings(book, {"HOME": str(tmp_path / "keeper")})["HOME"] == "/"
    assert surroundings(book, {"HOME": "/var/empty", "LANG": "de"}) == {
        "PATH": "/usr/local/bin:/usr/bin:/bin",
        "LANG": "de",
        "HOME": "/var/empty",
    }


# -- when it is told ---------------------------------------------------------


def test_only_what_was_asked_for(lamp: Lamp, monkeypatch: pytest.MonkeyPatch) -> None:
    """Events that `on` does not name start nothing; without `notify` nothing is ever started."""
    ran, go = fake(monkeypatch)
    go.set()
    one = lamp.notifier("", "stuck")
    one.tell(Notice("review", "Fog.tif"))
    one.tell(Notice("stuck", "Kelp.tif"))
    one.close(SOON_S)
    assert [told["PRINTQUEUE_PICTURE"] for told in ran] == ["Kelp.tif"]
    silent = Notifier(None, str(lamp.studio))
    silent.tell(Notice("stuck"))
    silent.close()
    assert (len(ran), silent.problems(), silent._thread) == (1, [], None)


def test_told_once_until_it_is_over(lamp: Lamp, monkeypatch: pytest.MonkeyPatch) -> None:
    """A share that stays gone is told once, and again when it went again; another job or reason is another thing."""
    ran, go = fake(monkeypatch)
    go.set()
    one = lamp.notifier("")
    for _ in range(3):
        one.tell(Notice("share-gone", says="the marker is missing"))
    one.over("stuck")
    one.tell(Notice("share-gone"))
    soon(lambda: len(ran) == 1)
    one.over("share-gone")
    one.tell(Notice("share-gone"))
    for job in (7, 7, 8):
        one.tell(Notice("stuck", "Fog.tif", job=job))
    one.over("stuck", "Kelp.tif")
    one.tell(Notice("stuck", "Fog.tif", job=8))
    one.over("stuck", "Fog.tif")
    one.tell(Notice("stuck", "Fog.tif", job=8))
    for name in ("Fog.txt", "Fog.txt", "Fog (2).txt"):
        one.tell(Notice("review", "Fog.tif", reason_file=name))
    one.close(SOON_S)
    events = sorted(told["PRINTQUEUE_EVENT"] for told in ran)
    assert events == ["review"] * 2 + ["share-gone"] * 2 + ["stuck"] * 3


def test_memory_of_what_was_told_is_bounded(lamp: Lamp, monkeypatch: pytest.MonkeyPatch) -> None:
    """Years of reviews do not fill the memory."""
    fake(monkeypatch)[1].set()
    one = lamp.notifier("")
    for job in range(1200):
        one.tell(Notice("review", "Fog.tif", job=job))
    assert len(one._told) == 1000


def test_a_burst(lamp: Lamp, monkeypatch: pytest.MonkeyPatch) -> None:
    """Of 300 at once the first hundred wait, one runs at a time, the rest is counted and told in one; urgent ones go first."""
    ran, go = fake(monkeypatch)
    one = lamp.notifier("")
    one.tell(Notice("review", "first"))
    soon(lambda: ran)
    for number in range(300):
        one.tell(Notice("review", f"{number}"))
    one.tell(Notice("stuck", "Kelp.tif"))
    one.tell(Notice("share-gone"))
    assert len(ran) == 1
    go.set()
    one.close(SOON_S)
    events = [told["PRINTQUEUE_EVENT"] for told in ran]
    assert events == ["review", "share-gone", "stuck"] + ["review"] * 101
    assert [told["PRINTQUEUE_PICTURE"] for told in ran[3:-1]] == [str(number) for number in range(100)]
    assert (ran[-1]["PRINTQUEUE_MORE"], ran[-1]["PRINTQUEUE_SAYS"][:24]) == ("200", "And 200 more were turned")


# -- when it fails -----------------------------------------------------------


def test_a_command_that_fails_is_visible(lamp: Lamp, caplog: pytest.LogCaptureFixture) -> None:
    """Exit code and escaped output stand in the log once and among the problems, until a notice is told again."""
    one = lamp.notifier("#!/bin/sh\nprintf 'no \\033[31mlight\\nat all'\nexit 3\n")
    for job in range(3):
        one.tell(Notice("review", "Fog.tif", job=job))
    soon(lambda: one._untold == 3)
    (problem,) = one.problems()
    assert "'lamp' of `notify` ended with code 3; it said: no \\x1b[31mlight / at all" in problem
    assert "3 notices were not told." in problem
    assert [record.levelno for record in caplog.records] == [logging.WARNING]
    lamp.program("#!/bin/sh\n")
    one.tell(Notice("review", "Fog.tif", job=9))
    soon(lambda: one.problems() == [])


def test_a_missing_command(lamp: Lamp, caplog: pytest.LogCaptureFixture) -> None:
    """It is known from the start, harms nothing, is logged once, and is over as soon as it is put right."""
    one = lamp.notifier()
    for job in range(5):
        one.tell(Notice("review", "Fog.tif", job=job))
    soon(lambda: one._untold == 5)
    assert "There is no command 'lamp'" in one.problems()[0]
    assert len(caplog.records) == 1
    lamp.program("#!/bin/sh\n")
    assert one.problems() == []


@pytest.mark.parametrize("text", ["no program\x00\xff", "#!/no/such/interpreter\n"])
def test_what_cannot_be_started(lamp: Lamp, text: str) -> None:
    """A program that the kernel refuses is a problem, not an exception."""
    one = lamp.notifier(text)
    one.tell(Notice("stuck", "Fog.tif"))
    soon(one.problems)
    assert "could not be started" in one.problems()[0]


def test_our_own_fault(lamp: Lamp, monkeypatch: pytest.MonkeyPatch) -> None:
    """Something unexpected while telling is a problem; the next notice is told all the same."""
    ran, go = fake(monkeypatch)
    go.set()
    working, broken = outside.run, ZeroDivisionError("kelp\n")

    def fail(*_: object, **__: object) -> outside.Ended:
        monkeypatch.setattr(outside, "run", working)
        raise broken

    monkeypatch.setattr(outside, "run", fail)
    one = lamp.notifier("")
    one.tell(Notice("stuck", "Fog.tif"))
    soon(one.problems)
    assert "ZeroDivisionError('kelp\\n')" in one.problems()[0]
    one.tell(Notice("stuck", "Kelp.tif"))
    one.close(SOON_S)
    assert len(ran) == 1


# -- bounds ------------------------------------------------------------------


def _alive(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


def run(lamp: Lamp, text: str, limit_s: float = SOON_S, stop: threading.Event | None = None) -> outside.Ended:
    """Run the program `text` directly."""
    lamp.program(text)
    arguments = [str(lamp.where / "lamp"), str(lamp.told)]
    stop = stop or threading.Event()
    return outside.run(arguments[0], arguments, {"PATH": "/bin:/usr/bin"}, limit_s=limit_s, stop=stop)


def test_time_limit(lamp: Lamp) -> None:
    """What takes too long is ended with all that it started."""
    began = time.monotonic()
    ended = run(lamp, '#!/bin/sh\nsleep 100 & echo $! >> "$1"; echo $$ >> "$1"; echo begun; wait\n', limit_s=0.4)
    assert (ended.how, ended.said) == ("took longer than 0.4 s and was stopped", "begun")
    assert time.monotonic() - began < 5
    pids = [int(line) for line in lamp.lines()]
    assert len(pids) == 2
    soon(lambda: not any(map(_alive, pids)))


def test_what_stays_behind_is_ended(lamp: Lamp) -> None:
    """A program that ends and leaves another behind, holding its output, delays nobody and leaves nothing."""
    began = time.monotonic()
    ended = run(lamp, '#!/bin/sh\nsleep 100 & echo $! >> "$1"\n')
    assert ended == outside.Ended("", "")
    assert time.monotonic() - began < 5
    soon(lambda: not _alive(int(lamp.lines()[0])))


def test_much_output(lamp: Lamp, monkeypatch: pytest.MonkeyPatch) -> None:
    """A program that says a megabyte neither hangs nor fills the memory: the beginning is kept, the rest dropped."""
    kept: list[int] = []

    def measured(text: str, *, limit: int) -> str:
        kept.append(len(text))
        return shown(text, limit=limit)

    monkeypatch.setattr(outside, "shown", measured)
    ended = run(lamp, "#!/bin/sh\nhead -c 1000000 /dev/zero | tr '\\000' k\nexit 4\n")
    assert ended.how == "ended with code 4"
    assert ended.said == "k" * 599 + "…"
    assert kept == [4096 + len(" …")]


def test_closed_output_and_signals(lamp: Lamp, monkeypatch: pytest.MonkeyPatch) -> None:
    """A program that closes its output is still waited for, without turning in circles; its signal is told."""
    reads: list[int] = []
    really = os.read

    def counted(descriptor: int, size: int) -> bytes:
        reads.append(descriptor)
        return really(descriptor, size)

    monkeypatch.setattr(os, "read", counted)
    began = time.monotonic()
    ended = run(lamp, "#!/bin/sh\nexec >&- 2>&-\nsleep 0.1\nkill -9 $$\n")
    assert ended.how == "was ended by signal 9"
    assert len(reads) < 5 + (time.monotonic() - began) / outside._LOOK_S


def test_stop_within_a_second(lamp: Lamp, caplog: pytest.LogCaptureFixture) -> None:
    """Closing ends a command that runs, within 1 s; what was not told is counted in the log; later ones are not taken."""
    one = lamp.notifier('#!/bin/sh\necho $$ >> "$1"; exec sleep 100\n', limit_s=1000)
    for job in range(4):
        one.tell(Notice("stuck", "Fog.tif", job=job))
    soon(lamp.lines)
    began = time.monotonic()
    one.close()
    assert time.monotonic() - began < 1
    one.tell(Notice("stuck", "Kelp.tif"))
    soon(lambda: not _alive(int(lamp.lines()[0])))
    assert any("3 notices were not" in record.getMessage() for record in caplog.records)
    assert one._thread is not None
    soon(lambda: one._thread and not one._thread.is_alive())
    assert one.problems() == []


def test_no_thread_to_be_had(lamp: Lamp, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where no thread can be started the service hears of a problem, and of nothing else."""
    one = lamp.notifier("")

    def refuse(_: threading.Thread) -> None:
        raise RuntimeError("can't start new thread")

    monkeypatch.setattr(threading.Thread, "start", refuse)
    one.tell(Notice("stuck", "Fog.tif"))
    assert "can't start new thread" in one.problems()[0]
    one.close()


def test_descriptors_come_back(lamp: Lamp) -> None:
    """Running leaves no descriptor and no zombie behind."""
    before = len(os.listdir("/proc/self/fd"))
    for text in ("#!/bin/sh\n", "#!/no/such\n"):
        run(lamp, text)
    assert len(os.listdir("/proc/self/fd")) == before
