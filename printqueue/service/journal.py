"""Where the log goes: a terminal, the systemd journal with its own fields, and a rotating file.

Callers log as usual and say what a record is about: `log.info("…", extra=about(picture=…, job=…, event=…))`. Every
handler has a guard that keeps each record on one line, whatever a file name holds; none ever raises.
"""

from __future__ import annotations

import errno
import io
import logging
import os
import socket
import stat
import time
import traceback
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from logging.handlers import RotatingFileHandler
from typing import Any, TextIO

from printqueue.core.text import shown

log = logging.getLogger("printqueue")

SOCKET = "/run/systemd/journal/socket"
FILE = "log"
FILE_BYTES, FILES = 1_000_000, 5
MAX_MESSAGE, _MAX_LINES = 2000, 60
_SEND_BUFFER_BYTES = 8 << 20
_FIELDS = {"picture": "PRINTQUEUE_PICTURE", "job": "PRINTQUEUE_JOB", "event": "PRINTQUEUE_EVENT"}
_BELOW = "    | "  # before each traceback line, so that none can pass for a record
# syslog(3): critical, error, warning, informational, debug
_PRIORITIES = ((logging.CRITICAL, 2), (logging.ERROR, 3), (logging.WARNING, 4), (logging.INFO, 6))


def about(*, picture: str = "", job: int | None = None, event: str = "") -> dict[str, str]:
    """What a record is about, for `extra=`; empty values are left out."""
    given = {"picture": picture, "job": "" if job is None else str(job), "event": event}
    return {name: value for name, value in given.items() if value}


def priority(level: int) -> int:
    """The syslog(3) priority for a `logging` level."""
    return next((number for min_level, number in _PRIORITIES if level >= min_level), 7)


class Guard(logging.Filter):
    """Escapes message and fields into one line each, and marks traceback lines so that none looks like a record."""

    def filter(self, record: logging.LogRecord) -> bool:
        """Rewrite `record` in place; idempotent."""
        record.msg, record.args = shown(_message(record), limit=MAX_MESSAGE), None
        trace = "".join(traceback.format_exception(*record.exc_info)) if record.exc_info else record.exc_text
        record.exc_text = _below(trace or "") or None
        record.stack_info = _below(record.stack_info or "") or None
        for name in _FIELDS:
            if (value := getattr(record, name, None)) is not None:
                setattr(record, name, shown(str(value)))
        return True


def _message(record: logging.LogRecord) -> str:
    try:
        return record.getMessage()
    except Exception:  # arguments that do not fit the format must not lose the record
        return f"{record.msg!r} with {record.args!r}"


def _below(text: str) -> str:
    lines = [line.removeprefix(_BELOW) for line in text.split("\n") if line.strip()]
    return "\n".join(_BELOW + shown(line, limit=MAX_MESSAGE) for line in lines[-_MAX_LINES:])


class StreamLog(logging.StreamHandler[TextIO]):
    """Lines for a terminal or, if `prefixed`, for a pipe whose reader understands priorities (`<6>`, sd-daemon(3))."""

    def __init__(self, stream: TextIO, *, prefixed: bool = False) -> None:
        super().__init__(stream)
        self.addFilter(Guard())
        timed = logging.Formatter("%(asctime)s  %(message)s", "%H:%M:%S")
        self.setFormatter(_Prefixed("%(message)s") if prefixed else timed)

    def handleError(self, record: logging.LogRecord) -> None:  # noqa: N802 - a hook of `logging`
        """Do nothing: the terminal is gone or lacks the character, and stderr would be no better."""


class _Prefixed(logging.Formatter):
    """Puts the priority before every line, or journald would give the rest of a traceback a different one."""

    def format(self, record: logging.LogRecord) -> str:
        return "\n".join(f"<{priority(record.levelno)}>{line}" for line in super().format(record).split("\n"))


def entry(record: logging.LogRecord) -> bytes:
    """One datagram of systemd's native journal protocol (systemd.io/JOURNAL_NATIVE_PROTOCOL).

    Every value is one line, so the simple `KEY=value` form is enough and no value can start a field.
    """
    fields = {"MESSAGE": _message(record), "PRIORITY": str(priority(record.levelno)), "SYSLOG_IDENTIFIER": "printqueue"}
    fields |= {key: str(getattr(record, name)) for name, key in _FIELDS.items() if getattr(record, name, None)}
    if record.exc_text:
        fields["PRINTQUEUE_TRACE"] = " / ".join(line.strip(" |") for line in record.exc_text.split("\n"))
    return "".join(f"{key}={shown(value, limit=8 * MAX_MESSAGE)}\n" for key, value in fields.items()).encode()


class JournalLog(logging.Handler):
    """Structured entries for journald; those that cannot be sent go to `spare`."""

    def __init__(self, address: str, spare: logging.Handler) -> None:
        super().__init__()
        self.addFilter(Guard())
        self._address, self._spare = address, spare
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC | socket.SOCK_NONBLOCK)
        with suppress(OSError):  # room for a burst; if refused, the default must do
            self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, _SEND_BUFFER_BYTES)

    def emit(self, record: logging.LogRecord) -> None:
        """Send one datagram, without waiting."""
        try:
            self._socket.sendto(entry(record), self._address)
        except OSError:
            self._spare.handle(record)

    def close(self) -> None:
        """Close the socket."""
        self._socket.close()
        super().close()


class FileLog(RotatingFileHandler):
    """The file `log` in a private folder and four older ones, 1 MB each, readable only by their owner. Times are UTC
    (RFC 3339).

    The folder is opened once, so swapping it for a link has no effect. A full disk loses only lines; they are counted,
    and the count is logged when there is room again. Raises `OSError` if the folder cannot be opened.
    """

    def __init__(self, folder: str, *, file_bytes: int = FILE_BYTES) -> None:
        self.path = os.path.join(folder, FILE)
        self._folder = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC)
        self.lost, self._is_said = 0, False
        super().__init__(f"/proc/self/fd/{self._folder}/{FILE}", maxBytes=file_bytes, backupCount=FILES - 1, delay=True)
        self.addFilter(Guard())
        formatter = _WithFields("%(asctime)s %(levelname)s %(message)s", "%Y-%m-%dT%H:%M:%SZ")
        formatter.converter = time.gmtime
        self.setFormatter(formatter)

    def _open(self) -> Any:
        flags = os.O_WRONLY | os.O_APPEND | os.O_CREAT | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC
        descriptor = os.open(FILE, flags, 0o600, dir_fd=self._folder)
        if not stat.S_ISREG(os.fstat(descriptor).st_mode):
            os.close(descriptor)
            raise OSError(errno.EINVAL, "no regular file", self.path)
        return io.TextIOWrapper(_Whole(descriptor, "ab"), "utf-8", errors="backslashreplace", write_through=True)

    def emit(self, record: logging.LogRecord) -> None:
        """Write one record, preceded by the count of lost lines, if any."""
        if lost := self.lost:
            self.lost, says = 0, f"{lost} lines before this one could not be written."
            super().emit(logging.LogRecord(log.name, logging.WARNING, __file__, 0, says, None, None))
            self.lost = lost if self.lost else 0
        super().emit(record)

    def handleError(self, record: logging.LogRecord) -> None:  # noqa: ARG002, N802 - a hook of `logging`
        """Count the lost line, and say so once in the other logs: nobody reads a file that is not written."""
        self.lost += 1
        if not self._is_said:
            self._is_said = True
            log.warning("The log file %s cannot be written; the service goes on without it.", shown(self.path))

    def close(self) -> None:
        """Close the file and its folder."""
        super().close()
        if self._folder >= 0:
            os.close(self._folder)
            self._folder = -1


class _Whole(io.FileIO):
    """A file that writes a line whole or not at all; on a full disk the kernel would write part of it."""

    def write(self, data: Any) -> int:
        before = os.fstat(self.fileno()).st_size
        done = super().write(data)
        if done != len(data):
            self.truncate(before)
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        return done


class _WithFields(logging.Formatter):
    """Appends what the record is about to its message."""

    def formatMessage(self, record: logging.LogRecord) -> str:  # noqa: N802 - a hook of `logging`
        fields = [f"{name}={getattr(record, name)}" for name in _FIELDS if getattr(record, name, None)]
        line = super().formatMessage(record)
        return f"{line}  [{', '.join(fields)}]" if fields else line


def is_journal(stream: TextIO, environ: Mapping[str, str]) -> bool:
    """Whether `stream` leads to journald: $JOURNAL_STREAM holds its device and inode (systemd.exec(5))."""
    try:
        seen = os.fstat(stream.fileno())
    except (OSError, ValueError):
        return False
    return environ.get("JOURNAL_STREAM") == f"{seen.st_dev}:{seen.st_ino}"


@contextmanager
def said_to(
    stream: TextIO, environ: Mapping[str, str] = os.environ, address: str = SOCKET
) -> Iterator[logging.Handler]:
    """Log to `stream`, or to the journal directly if that is where `stream` leads."""
    to_journal = is_journal(stream, environ)
    lines = StreamLog(stream, prefixed=to_journal)
    with added(handler := JournalLog(address, lines) if to_journal else lines):
        yield handler


@contextmanager
def kept_in(folder: str) -> Iterator[None]:
    """Also log to the file `log` in `folder`, including the error that ends the service, if one does.

    Only for the holder of the studio's lock: two services rotating one file would lose lines.
    """
    handler = _file_log(folder)
    if handler is None:
        yield
        return
    with added(handler):
        try:
            yield
        except Exception as error:
            handler.handle(log.makeRecord(log.name, logging.CRITICAL, __file__, 0, "ended by: %s", (error,), None))
            raise


def _file_log(folder: str) -> FileLog | None:
    try:
        return FileLog(folder)
    except OSError as error:
        log.warning("There is no log file in %s (%s); the service goes on without it.", shown(folder), error.strerror)
        return None


@contextmanager
def added(handler: logging.Handler) -> Iterator[None]:
    """Also send records of level INFO and above to `handler` while the block runs."""
    root = logging.getLogger()
    level = root.level
    root.addHandler(handler)
    root.setLevel(logging.INFO)
    try:
        yield
    finally:
        root.removeHandler(handler)
        root.setLevel(level)
        handler.close()
