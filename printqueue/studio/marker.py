"""Proof that a folder belongs to this studio: the studio's marker, and a small mark in each of its folders.

A name proves nothing: an empty mount point or another studio's folder can have it too. The marker holds the studio's
identity (a random number made once), the numbers of its folders' marks, and who serves the studio. A mark repeats the
identity and adds its own number: a disk mounted over a marked folder gets a different one, so when the disk is gone,
the folder underneath is not mistaken for it.

The marker is overwritten, never replaced, because the service's lock is on that very file. Each line has a fixed length
and its own writer: the service writes the last one, `init` the one before.
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
MARK = ".printqueue"  # in every other folder; hidden, so it is silently passed over in ready/
_MAX_BYTES = 4096
_ID = re.compile(r"^id: ([0-9a-f]{32})$", re.MULTILINE)
_SERVED = re.compile(
    r"^served by: (?P<host>\S+), machine (?P<machine>\w+), start (?P<boot>\w+), service (?P<token>\w+), "
    r"since (?P<since>\S+), last seen (?P<seen>\S+) *$",
    re.MULTILINE,
)
_NUMBER = re.compile(r"^place: ([0-9a-f]{8})$", re.MULTILINE)
_NUMBERS = re.compile(r"^folders: ([^\n]*)$", re.MULTILINE)
_ONE_NUMBER = re.compile(r"([a-z]+) ([0-9a-f]{8})(?:,|$)")
_NUMBERS_CHARS, _SERVED_CHARS = 300, 400
_MARKER_TEXT = "This folder is a printqueue studio. Without this file the service takes the share for not mounted.\n"
_MARK_TEXT = (
    "This folder belongs to a printqueue studio. Without this file the service takes it for not mounted, and waits.\n"
)


@dataclass(frozen=True, slots=True)
class Served:
    """Who serves a studio, written into its marker for other machines to see."""

    host: str
    machine: str
    boot: str  # the machine's boot: services from an earlier one have ended
    token: str  # unique to this run
    since: str
    seen: str

    def may_live(self, other: Served) -> bool:
        """Whether `other` may be running on another machine, which this machine's lock cannot tell."""
        return self.boot != other.boot and (self.host, self.machine) != (other.host, other.machine)


def is_studio(root: str) -> bool:
    """Whether the folder `root` carries a marker."""
    return os.path.isfile(os.path.join(root, ".printqueue", MARKER))


def new_id() -> str:
    """A new studio's identity."""
    return secrets.token_hex(16)


def read(path: str) -> str:
    """The text of a marker or mark; "" if it is not a regular file. Never blocks or follows a link."""
    descriptor = folders.open_file(path)
    if descriptor is None:
        return ""
    try:
        return text_of(descriptor)
    finally:
        os.close(descriptor)


def opened(marker: str) -> int:
    """A descriptor for writing to a marker."""
    with folders.parent(marker) as (folder, name):
        return os.open(name, os.O_RDWR | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC, dir_fd=folder)


def text_of(descriptor: int) -> str:
    """The text of an open marker or mark."""
    return os.pread(descriptor, _MAX_BYTES, 0).decode("utf-8", "replace")


def id_in(text: str) -> str:
    """The identity in a marker's or mark's text; "" in the marker of a studio made by an older version."""
    found = _ID.search(text)
    return found[1] if found else ""


def served_in(text: str) -> Served | None:
    """Who serves the studio, according to its marker's text."""
    found = _SERVED.search(text)
    return Served(**found.groupdict()) if found else None


def number_in(text: str) -> str:
    """The number in a mark's text, "" if there is none."""
    found = _NUMBER.search(text)
    return found[1] if found else ""


def numbers_in(text: str) -> dict[str, str]:
    """Folder → number of its mark, according to the marker's text."""
    found = _NUMBERS.search(text)
    return dict(_ONE_NUMBER.findall(found[1].rstrip())) if found else {}


def marker_text(identity: str, numbers: Mapping[str, str], served: Served | None = None) -> bytes:
    """The full text of a marker."""
    listed = ", ".join(f"{name} {number}" for name, number in numbers.items())
    by = "nobody"
    if served is not None:
        by = (
            f"{served.host}, machine {served.machine}, start {served.boot}, service {served.token}, "
            f"since {served.since}, last seen {served.seen}"
        )
    head = f"{_MARKER_TEXT}id: {identity}\n"
    return f"{head}folders: {listed:<{_NUMBERS_CHARS}}\nserved by: {by:<{_SERVED_CHARS}}\n".encode()


def write_served(descriptor: int, served: Served | None) -> None:
    """Write who serves the studio into an open marker."""
    text = text_of(descriptor)
    _overwrite_lines(descriptor, marker_text(id_in(text), numbers_in(text), served))


def write_numbers(descriptor: int, numbers: Mapping[str, str]) -> None:
    """Write the numbers of its folders' marks into an open marker."""
    text = text_of(descriptor)
    _overwrite_lines(descriptor, marker_text(id_in(text), numbers, served_in(text)))


def write_marker(descriptor: int, text: bytes) -> None:
    """Overwrite an open marker."""
    os.pwrite(descriptor, text, 0)
    os.ftruncate(descriptor, len(text))
    os.fsync(descriptor)


def _overwrite_lines(descriptor: int, text: bytes) -> None:
    """Overwrite the lines that differ, or the whole marker if someone has edited it by hand."""
    now, at = os.pread(descriptor, _MAX_BYTES, 0), 0
    if len(now) != len(text):
        write_marker(descriptor, text)
        return
    for line in text.splitlines(keepends=True):
        if now[at : at + len(line)] != line:
            os.pwrite(descriptor, line, at)
        at += len(line)


def put(folder: str, identity: str) -> str:
    """Durably put the studio's mark into one of its folders, replacing its own earlier one; return its number."""
    number = secrets.token_hex(4)
    durable.replace_own(os.path.join(folder, MARK), f"{_MARK_TEXT}id: {identity}\nplace: {number}\n".encode())
    durable.sync_folder(folder)
    return number


def this_run(now: str) -> Served:
    """This process, serving a studio from `now` on."""
    host, machine, boot = _machine()
    return Served(host, machine, boot, secrets.token_hex(4), now, now)


@cache
def _machine() -> tuple[str, str, str]:
    """This machine's name, number and boot. The number is a hash, since machine-id(5) must stay private."""
    host = re.sub(r"[^\w.-]", "_", shown(socket.gethostname(), limit=64)) or "unnamed"
    number = sha256(b"printqueue " + _first_line("/etc/machine-id").encode()).hexdigest()[:12]
    return host, number, sha256(_first_line("/proc/sys/kernel/random/boot_id").encode()).hexdigest()[:12]


def _first_line(path: str) -> str:
    try:
        with open(path, encoding="ascii", errors="replace") as stream:
            return stream.readline().strip()
    except OSError:
        return ""
