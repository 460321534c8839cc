"""What makes a folder this studio's and no other's: the studio's marker, and a small mark in each of its folders.

A name proves nothing: an empty mount point has it too, and so has another studio's folder. The marker holds the studio's
identity (a random number made once), the numbers of its folders' marks, and who serves the studio. A mark repeats the
identity, and has a number of its own: a disk that is mounted over a marked folder gets another one, so that the folder
beneath is not taken for it when the disk has gone.

The marker is never replaced, since its lock is on that very file, but written in place. Each of its lines has a fixed
length, and its own writer: the last one the service, the one before it `init`.
"""

from __future__ import annotations

import os
import re
import secrets
import socket
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from hashlib import sha256

from printqueue.core.disk import durable, folders
from printqueue.core.text import shown

MARKER = "studio"  # in .printqueue/
MARK = ".printqueue"  # in every other folder: hidden, so that ready/ passes it over without a word
_MOST = 4096
_ID = re.compile(r"^id: ([0-9a-f]{32})$", re.MULTILINE)
_SERVED = re.compile(
    r"^served by: (?P<host>\S+), machine (?P<machine>\w+), start (?P<boot>\w+), service (?P<token>\w+), "
    r"since (?P<since>\S+), last seen (?P<seen>\S+) *$",
    re.MULTILINE,
)
_PLACE = re.compile(r"^place: ([0-9a-f]{8})$", re.MULTILINE)
_PLACES = re.compile(r"^folders: ([^\n]*)$", re.MULTILINE)
_ONE_PLACE = re.compile(r"([a-z]+) ([0-9a-f]{8})(?:,|$)")
_PLACES_CHARS, _SERVED_CHARS = 300, 400
_MARKER_TEXT = "This folder is a printqueue studio. Without this file the service takes the share for not mounted.\n"
_MARK_TEXT = (
    "This folder belongs to a printqueue studio. Without this file the service takes it for not mounted, and waits.\n"
)


@dataclass(frozen=True, slots=True)
class Served:
    """Who looks after a studio: written into its marker, so that other machines see it."""

    host: str
    machine: str
    boot: str  # of the machine: after another start, the services of the one before have ended
    token: str  # of the one run
    since: str
    seen: str

    def may_live(self, other: Served) -> bool:
        """Whether `other` may run now without a lock of this machine telling so: it is, or was, on another machine."""
        return self.boot != other.boot and (self.host, self.machine) != (other.host, other.machine)


def new_id() -> str:
    """An identity that no other studio has."""
    return secrets.token_hex(16)


def read(path: str) -> str:
    """Text of a marker or mark; "" where there is no regular file. Never waits, follows no link."""
    descriptor = folders.open_file(path)
    if descriptor is None:
        return ""
    try:
        return text_of(descriptor)
    finally:
        os.close(descriptor)


def opened(marker: str) -> int:
    """A marker, to be written to."""
    with folders.parent(marker) as (folder, name):
        return os.open(name, os.O_RDWR | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC, dir_fd=folder)


def text_of(descriptor: int) -> str:
    """What an open marker or mark says."""
    return os.pread(descriptor, _MOST, 0).decode("utf-8", "replace")


def id_in(text: str) -> str:
    """The identity in a marker's or mark's text, "" where it has none (an older studio's marker)."""
    found = _ID.search(text)
    return found[1] if found else ""


def served_in(text: str) -> Served | None:
    """Who serves the studio, None where nobody says so."""
    found = _SERVED.search(text)
    return Served(**found.groupdict()) if found else None


def place_in(text: str) -> str:
    """The number of a mark, "" where it has none."""
    found = _PLACE.search(text)
    return found[1] if found else ""


def places_in(text: str) -> dict[str, str]:
    """Folder → number of its mark, as the marker has it."""
    found = _PLACES.search(text)
    return dict(_ONE_PLACE.findall(found[1].rstrip())) if found else {}


def marker_text(identity: str, places: Mapping[str, str], served: Served | None = None) -> bytes:
    """A whole marker."""
    head = f"{_MARKER_TEXT}id: {identity}\n"
    return head.encode() + _places_line(places) + _served_line(served)


def _places_line(places: Mapping[str, str]) -> bytes:
    listed = ", ".join(f"{name} {number}" for name, number in places.items())
    return f"folders: {listed:<{_PLACES_CHARS}}\n".encode()


def _served_line(served: Served | None) -> bytes:
    line = "nobody"
    if served is not None:
        line = (
            f"{served.host}, machine {served.machine}, start {served.boot}, service {served.token}, "
            f"since {served.since}, last seen {served.seen}"
        )
    return f"served by: {line:<{_SERVED_CHARS}}\n".encode()


def write_served(descriptor: int, served: Served | None) -> None:
    """Say in an open marker who serves the studio."""
    text = text_of(descriptor)
    _write_line(descriptor, marker_text(id_in(text), places_in(text), served), _served_line(served), from_end=0)


def write_places(descriptor: int, places: Mapping[str, str]) -> None:
    """Set the numbers of the folders' marks in an open marker."""
    text = text_of(descriptor)
    line, last = _places_line(places), len(_served_line(None))
    _write_line(descriptor, marker_text(id_in(text), places, served_in(text)), line, from_end=last)


def write_marker(descriptor: int, text: bytes) -> None:
    """Bring an open marker into the form that it has."""
    os.pwrite(descriptor, text, 0)
    os.ftruncate(descriptor, len(text))
    os.fsync(descriptor)


def _write_line(descriptor: int, whole: bytes, line: bytes, *, from_end: int) -> None:
    """One line where it stands; the whole marker where somebody has edited it by hand."""
    at = len(whole) - from_end - len(line)
    now = os.pread(descriptor, _MOST, 0)
    if len(now) == len(whole) and (now[:at], now[at + len(line) :]) == (whole[:at], whole[at + len(line) :]):
        os.pwrite(descriptor, line, at)
    else:
        write_marker(descriptor, whole)


def put(folder: str, identity: str) -> str:
    """Put the studio's mark into one of its folders, durably, over an earlier one of its own; the mark's number."""
    number = secrets.token_hex(4)
    durable.replace_own(os.path.join(folder, MARK), f"{_MARK_TEXT}id: {identity}\nplace: {number}\n".encode())
    durable.sync_folder(folder)
    return number


def this_run(now: str) -> Served:
    """This process as the one that serves a studio from now on."""
    host, machine, boot = _machine()
    return Served(host, machine, boot, secrets.token_hex(4), now, now)


@cache
def _machine() -> tuple[str, str, str]:
    """Name, number and start of this machine. machine-id(5) is not to be shown to others: a hash of it will do."""
    host = re.sub(r"[^\w.-]", "_", shown(socket.gethostname(), limit=64)) or "unnamed"
    number = sha256(b"printqueue " + _first_line("/etc/machine-id").encode()).hexdigest()[:12]
    return host, number, sha256(_first_line("/proc/sys/kernel/random/boot_id").encode()).hexdigest()[:12]


def _first_line(path: str) -> str:
    try:
        with open(path, encoding="ascii", errors="replace") as stream:
            return stream.readline().strip()
    except OSError:
        return ""
