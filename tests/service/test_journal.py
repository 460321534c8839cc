"""The log: one record is one line wherever it goes, the journal gets true fields, and a full disk stops nothing."""

from __future__ import annotations

import io
import json
import logging
import os
import re
import resource
import shutil
import socket
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from printqueue.service.journal import (
    FileLog,
    Guard,
    JournalLog,
    StreamLog,
    about,
    entry,
    is_journal,
    kept_in,
    priority,
    said_to,
)

HOSTILE = "fog\nPRIORITY=0\r\x1b[31m\u2028\u202e\udcff<0>2026-11-25T06:00:00Z CRITICAL forged"
ESCAPED = "fog\\x0aPRIORITY=0\\x0d\\x1b[31m\\u2028\\u202e\\xff<0>2026-11-25T06:00:00Z CRITICAL forged"


@pytest.fixture
def log() -> Iterator[logging.Logger]:
    """The root logger as the service leaves it: tests add their handlers by the module under test."""
    root = logging.getLogger()
    before = list(root.handlers), root.level
    yield logging.getLogger("printqueue")
    assert (list(root.handlers), root.level) == before


@contextmanager
def journald(tmp_path: Path) -> Iterator[socket.socket]:
    """A socket that listens as journald does."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listening:
        listening.bind(str(tmp_path / "socket"))
        listening.settimeout(5)
        yield listening


def parsed(datagram: bytes) -> dict[str, bytes]:
    """Fields of one datagram, read by the rules of systemd.io/JOURNAL_NATIVE_PROTOCOL, both serializations."""
    fields: dict[str, bytes] = {}
    while datagram:
        line, _, rest = datagram.partition(b"\n")
        key, is_simple, value = line.partition(b"=")
        if is_simple:
            datagram = rest
        else:
            size = int.from_bytes(rest[:8], "little")
            value, end, datagram = rest[8 : 8 + size], rest[8 + size : 9 + size], rest[9 + size :]
            assert end == b"\n"
        assert re.fullmatch(rb"[A-Z][A-Z0-9_]*", key)
        assert key.decode() not in fields
        fields[key.decode()] = value
    return fields


def record(message: str, *args: object, level: int = logging.INFO, **extra: str) -> logging.LogRecord:
    """A record that has passed the guard."""
    made = logging.getLogger("x").makeRecord("x", level, "f.py", 1, message, args, None, extra=extra)
    assert Guard().filter(made)
    return made


# -- the guard ---------------------------------------------------------------


def test_nothing_is_forged(tmp_path: Path, log: logging.Logger) -> None:
    """A name with line breaks, escapes and bidi controls is one visible line in terminal and file."""
    terminal = io.StringIO()
    with said_to(terminal, {}), kept_in(str(tmp_path)):
        log.info("working on %s", HOSTILE, extra=about(picture=HOSTILE, job=7, event="review"))
    lines = terminal.getvalue().splitlines()
    assert len(lines) == 1
    assert re.fullmatch(r"\d\d:\d\d:\d\d  working on " + re.escape(ESCAPED), lines[0])
    (kept,) = (tmp_path / "log").read_bytes().split(b"\n")[:-1]
    head, tail = kept.decode().split(" INFO ")
    assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ", head)
    assert tail == f"working on {ESCAPED}  [picture={ESCAPED}, job=7, event=review]"


def test_tracebacks(log: logging.Logger) -> None:
    """A traceback keeps its lines, but none of them can be taken for a record, whatever the exception says."""
    terminal = io.StringIO()
    with said_to(terminal, {}):
        try:
            raise ValueError("kelp\n06:00:00  made 9\x1b[2J")
        except ValueError:
            log.exception("an unexpected error", stack_info=True)
    first, *below = terminal.getvalue().splitlines()
    assert first.endswith("  an unexpected error")
    assert len(below) > 5
    assert [line for line in below if not line.startswith("    | ")] == []
    assert "    | 06:00:00  made 9\\x1b[2J" in below


def test_guarding_twice_changes_nothing() -> None:
    """Several handlers guard the same record: the second finds nothing to do; length is bounded."""
    try:
        raise ValueError("kelp\nnet")
    except ValueError as error:
        made = logging.getLogger("x").makeRecord("x", 20, "f", 1, HOSTILE * 99, (), (type(error), error, None))
    made.picture = HOSTILE
    results = []
    for _ in range(2):
        Guard().filter(made)
        results.append((made.getMessage(), made.exc_text, made.__dict__["picture"]))
    assert results[0] == results[1]
    assert len(results[0][0]) == 2000


def test_a_call_that_does_not_fit() -> None:
    """A record whose parts do not fit is still written, escaped."""
    assert record("%d\n%s", "kelp\n").getMessage() == "'%d\\n%s' with ('kelp\\n',)"
    assert record("100 % cotton\n").getMessage() == "100 % cotton\\x0a"


# -- the journal -------------------------------------------------------------


def test_priorities() -> None:
    """Levels become the priorities of syslog(3)."""
    levels = [logging.CRITICAL, logging.ERROR, logging.WARNING, logging.INFO, logging.DEBUG, 0, 25, 99]
    assert [priority(level) for level in levels] == [2, 3, 4, 6, 7, 7, 6, 2]


def test_fields(tmp_path: Path, log: logging.Logger) -> None:
    """Under systemd each record is one datagram with message, priority and what it is about; nothing on stderr."""
    with journald(tmp_path) as listening, (tmp_path / "err").open("w+") as err:
        seen = os.fstat(err.fileno())
        stream = {"JOURNAL_STREAM": f"{seen.st_dev}:{seen.st_ino}"}
        with said_to(err, stream, str(tmp_path / "socket")):
            log.warning("turned back: %s", HOSTILE, extra=about(picture=HOSTILE, job=7, event="review"))
            log.info("plain")
        assert parsed(listening.recv(65536)) == {
            "MESSAGE": f"turned back: {ESCAPED}".encode(),
            "PRIORITY": b"4",
            "SYSLOG_IDENTIFIER": b"printqueue",
            "PRINTQUEUE_PICTURE": ESCAPED.encode(),
            "PRINTQUEUE_JOB": b"7",
            "PRINTQUEUE_EVENT": b"review",
        }
        plain = parsed(listening.recv(65536))
        assert plain == {"MESSAGE": b"plain", "PRIORITY": b"6", "SYSLOG_IDENTIFIER": b"printqueue"}
        assert os.fstat(err.fileno()).st_size == 0


def test_no_field_is_forged_even_without_the_guard() -> None:
    """The datagram's own escaping holds: a raw record cannot add or end a field."""
    raw = logging.getLogger("x").makeRecord(
        "x", 20, "f", 1, HOSTILE, (), None, extra={"picture": HOSTILE, "job": "1\n"}
    )
    fields = parsed(entry(raw))
    assert fields["PRIORITY"] == b"6"
    assert fields["MESSAGE"] == fields["PRINTQUEUE_PICTURE"] == ESCAPED.encode()
    assert fields["PRINTQUEUE_JOB"] == b"1\\x0a"


def test_a_traceback_is_one_field() -> None:
    """The traceback is a field of its own on one line; message stays message."""
    try:
        raise ValueError("kelp\nPRIORITY=0")
    except ValueError as error:
        made = logging.getLogger("x").makeRecord(
            "x", 40, "f", 1, "an error", (), (type(error), error, error.__traceback__)
        )
    Guard().filter(made)
    fields = parsed(entry(made))
    assert (fields["MESSAGE"], fields["PRIORITY"]) == (b"an error", b"3")
    assert fields["PRINTQUEUE_TRACE"].endswith(b"ValueError: kelp / PRIORITY=0")


@pytest.mark.parametrize("state", ["missing", "nobody listens", "full"])
def test_a_journal_that_does_not_take_it(tmp_path: Path, state: str) -> None:
    """Where journald is away or full, lines go to stderr with the priority prefix of sd-daemon(3), at once."""
    address, err = str(tmp_path / "socket"), io.StringIO()
    journal = JournalLog(address, StreamLog(err, prefixed=True))
    try:
        with journald(tmp_path) if state != "missing" else io.BytesIO() as listening:
            if state == "nobody listens":
                listening.close()
            sent = 0
            while not err.getvalue() and sent < 5000:
                journal.handle(record("fog", level=logging.WARNING))
                sent += 1
        assert err.getvalue() == "<4>fog\n"
        assert (sent > 1) == (state == "full")
    finally:
        journal.close()


def test_prefix_on_every_line() -> None:
    """A traceback on the spare way carries its priority on each line, or journald would file the rest as another kind."""
    err = io.StringIO()
    made = record("fog", level=logging.ERROR)
    made.exc_text = "    | one\n    | two"
    StreamLog(err, prefixed=True).handle(made)
    assert err.getvalue() == "<3>fog\n<3>    | one\n<3>    | two\n"


def test_is_journal(tmp_path: Path) -> None:
    """Only a stream with the device and inode of $JOURNAL_STREAM leads to the journal (systemd.exec(5))."""
    with (tmp_path / "a").open("w") as one, (tmp_path / "b").open("w") as other:
        seen = os.fstat(one.fileno())
        environ = {"JOURNAL_STREAM": f"{seen.st_dev}:{seen.st_ino}"}
        assert is_journal(one, environ)
        assert not is_journal(other, environ)
        assert not is_journal(one, {})
        assert not is_journal(io.StringIO(), environ)


JOURNALD = "/lib/systemd/systemd-journald"
# In a mount name space of its own, so that the machine's journal and sockets are not touched.
PRIVATE_JOURNAL = f"""
set -e
mount -t tmpfs none /run
mkdir -p /run/systemd/journal /run/log/journal
{JOURNALD} & daemon=$!
for _ in $(seq 500); do [ -S /run/systemd/journal/socket ] && break; sleep 0.01; done
"$@"
for _ in $(seq 500); do
    found=$(journalctl -D /run/log/journal/* -o json --no-pager PRINTQUEUE_JOB=7 PRINTQUEUE_EVENT=review) || true
    [ -n "$found" ] && break; sleep 0.01
done
kill $daemon; wait $daemon
printf '%s\n' "$found"
"""
SAYS = f"""
import logging, os, sys
from printqueue.service.journal import about, said_to
seen = os.fstat(2)
with said_to(sys.stderr, {{"JOURNAL_STREAM": f"{{seen.st_dev}}:{{seen.st_ino}}"}}):
    logging.getLogger("printqueue").warning("%s", {HOSTILE!r}, extra=about(picture={HOSTILE!r}, job=7, event="review"))
"""


def _can_have_a_journal() -> bool:
    tools = os.path.exists(JOURNALD) and shutil.which("journalctl") and shutil.which("unshare")
    return bool(tools) and subprocess.run(["unshare", "-m", "true"], capture_output=True, timeout=30).returncode == 0


@pytest.mark.skipif(not _can_have_a_journal(), reason="needs systemd-journald and the right to a mount name space")
def test_the_real_journal() -> None:
    """systemd's own journald files our entry under our fields, found by them, as text and with nothing forged."""
    command = ["unshare", "-m", "sh", "-c", PRIVATE_JOURNAL, "sh", sys.executable, "-c", SAYS]
    ran = subprocess.run(command, capture_output=True, text=True, timeout=60, check=True)
    assert ESCAPED not in ran.stderr  # it went by the socket, not by the spare way
    (found,) = [json.loads(line) for line in ran.stdout.splitlines() if line]
    ours = {key: value for key, value in found.items() if not key.startswith("_")}
    assert ours == {
        "MESSAGE": ESCAPED,  # a value that is no clean text would be a list of numbers here
        "PRIORITY": "4",
        "SYSLOG_IDENTIFIER": "printqueue",
        "PRINTQUEUE_PICTURE": ESCAPED,
        "PRINTQUEUE_JOB": "7",
        "PRINTQUEUE_EVENT": "review",
    }
    assert found["_TRANSPORT"] == "journal"


# -- the terminal ------------------------------------------------------------


def test_a_terminal_that_has_gone(capsys: pytest.CaptureFixture[str]) -> None:
    """Writing to a closed or broken stream raises nothing, and says nothing elsewhere."""
    reading, writing = os.pipe()
    os.close(reading)
    with os.fdopen(writing, "w", buffering=1) as broken:
        handler = StreamLog(broken)
        with pytest.raises(BrokenPipeError):
            print("fog", file=broken)
        handler.handle(record("fog"))
        os.dup2(os.open(os.devnull, os.O_WRONLY), writing)
    handler.handle(record("fog"))
    assert capsys.readouterr() == ("", "")


# -- the file ----------------------------------------------------------------


@contextmanager
def filelog(folder: Path, file_bytes: int = 1_000_000) -> Iterator[FileLog]:
    """A log file that is closed at the end."""
    handler = FileLog(str(folder), file_bytes=file_bytes)
    try:
        yield handler
    finally:
        handler.close()


def test_rotation(tmp_path: Path) -> None:
    """Five files at most, none above its size, for their owner alone; the newest lines are all there, in order."""
    with filelog(tmp_path, 2000) as handler:
        for number in range(400):
            handler.handle(record(f"line {number:03}"))
        assert handler.lost == 0
    names = sorted(os.listdir(tmp_path))
    assert names == ["log", "log.1", "log.2", "log.3", "log.4"]
    kept = "".join((tmp_path / name).read_text() for name in [*sorted(names[1:], reverse=True), "log"])
    numbers = [int(line[-3:]) for line in kept.splitlines()]
    assert numbers == list(range(400 - len(numbers), 400))
    assert len(numbers) > 150
    for name in names:
        seen = (tmp_path / name).stat()
        assert seen.st_size <= 2000
        assert seen.st_mode & 0o777 == 0o600


def test_it_goes_on_where_it_was(tmp_path: Path) -> None:
    """A second run adds to the file of the first."""
    for text in ("one", "two"):
        with filelog(tmp_path) as handler:
            handler.handle(record(text))
    assert [line[-3:] for line in (tmp_path / "log").read_text().splitlines()] == ["one", "two"]


def test_a_link_is_not_followed(tmp_path: Path, log: logging.Logger) -> None:
    """A log file that is a link, a pipe or a folder is not written; said once aloud, and the service goes on."""
    spoil: dict[str, Callable[[Path], object]] = {
        "link": lambda path: path.symlink_to(tmp_path / "victim"),
        "pipe": os.mkfifo,
        "folder": lambda path: path.mkdir(),
    }
    for kind, make in spoil.items():
        folder = tmp_path / kind
        folder.mkdir()
        make(folder / "log")
        terminal = io.StringIO()
        with said_to(terminal, {}), kept_in(str(folder)):
            log.info("one")
            log.info("two")
        said = [line[10:] for line in terminal.getvalue().splitlines()]
        assert sorted(said) == sorted(
            ["one", "two", f"The log file {folder}/log cannot be written; the service goes on without it."]
        )
    assert not (tmp_path / "victim").exists()


def test_a_folder_swapped_for_a_link(tmp_path: Path) -> None:
    """The folder is opened once: what is put in its place later gets nothing, also when files rotate."""
    folder, elsewhere = tmp_path / "state", tmp_path / "elsewhere"
    folder.mkdir()
    elsewhere.mkdir()
    with filelog(folder, 500) as handler:
        handler.handle(record("before"))
        folder.rename(tmp_path / "moved")
        folder.symlink_to(elsewhere)
        for _ in range(20):
            handler.handle(record("after"))
    assert os.listdir(elsewhere) == []
    assert len(os.listdir(tmp_path / "moved")) > 1
    with pytest.raises(OSError, match=r"Not a directory|symbolic"):
        FileLog(str(folder))


@contextmanager
def full_disk(room_bytes: int) -> Iterator[None]:
    """The kernel refuses to let any file grow beyond `room_bytes` (EFBIG; Python ignores SIGXFSZ): as a full disk does."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (room_bytes, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


@pytest.mark.parametrize("room_bytes", [0, 10])
def test_a_full_disk(tmp_path: Path, log: logging.Logger, room_bytes: int) -> None:
    """Nothing is raised, no half line stays; when there is room again the file says how many lines are missing."""
    terminal = io.StringIO()
    with said_to(terminal, {}), kept_in(str(tmp_path)):
        log.info("before")
        with full_disk((tmp_path / "log").stat().st_size + room_bytes):
            for number in range(50):
                log.info("lost %d", number)
        log.info("after")
    text = (tmp_path / "log").read_text()
    times, lines = zip(*(line.split(" ", 1) for line in text.splitlines()), strict=True)
    assert [time for time in times if not re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ", time)] == []
    assert lines == ("INFO before", "WARNING 51 lines before this one could not be written.", "INFO after")
    assert terminal.getvalue().count("cannot be written") == 1
    assert terminal.getvalue().count("lost ") == 50


def test_no_folder(tmp_path: Path, log: logging.Logger) -> None:
    """Without its folder there is no log file, the terminal says so, and what runs inside is not touched by that."""
    terminal = io.StringIO()
    with said_to(terminal, {}):
        with pytest.raises(ZeroDivisionError) as caught, kept_in(str(tmp_path / "none")):
            raise ZeroDivisionError
        assert caught.value.__context__ is None
    assert f"There is no log file in {tmp_path}/none (No such file or directory)" in terminal.getvalue()


def test_what_ended_the_service(tmp_path: Path, log: logging.Logger) -> None:
    """The file's last line is the reason, escaped; the exception goes on, and is not said twice on the terminal."""
    terminal = io.StringIO()
    with said_to(terminal, {}), pytest.raises(ValueError, match="ledger"), kept_in(str(tmp_path)):
        raise ValueError("the ledger\ncannot be read")
    assert (tmp_path / "log").read_text().endswith("CRITICAL ended by: the ledger\\x0acannot be read\n")
    assert terminal.getvalue() == ""


def test_no_descriptor_is_left_open(tmp_path: Path, log: logging.Logger) -> None:
    """Setting up and taking down leaves no descriptor behind."""
    before = len(os.listdir("/proc/self/fd"))
    for _ in range(3):
        with said_to(io.StringIO(), {}), kept_in(str(tmp_path)):
            log.info("fog")
    assert len(os.listdir("/proc/self/fd")) == before
