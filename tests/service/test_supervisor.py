"""The datagrams to a supervisor, received by a socket of our own. Keys and rules: sd_notify(3), sd_watchdog_enabled(3)."""

from __future__ import annotations

import os
import socket
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from printqueue.sandbox import ChildLimits, ForkServer
from printqueue.service import supervisor


@pytest.fixture
def listener(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[socket.socket]:
    """A datagram socket that stands in $NOTIFY_SOCKET."""
    address = str(tmp_path / "notify")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as sock:
        sock.bind(address)
        sock.settimeout(0)
        monkeypatch.setenv("NOTIFY_SOCKET", address)
        yield sock


def heard(sock: socket.socket) -> list[str]:
    """Everything received, one datagram an entry."""
    found = []
    while True:
        try:
            found.append(sock.recv(4096).decode())
        except BlockingIOError:
            return found


@pytest.mark.parametrize(
    ("say", "datagram"),
    [
        (lambda: supervisor.ready(), "READY=1"),
        (lambda: supervisor.ready("the share is missing"), "READY=1\nSTATUS=the share is missing"),
        (lambda: supervisor.alive("1 waiting"), "WATCHDOG=1\nSTATUS=1 waiting"),
        (lambda: supervisor.stopping(), "STOPPING=1"),
        (
            lambda: supervisor.busy(2.5, "looking through print/"),
            "EXTEND_TIMEOUT_USEC=2500000\nSTATUS=looking through print/",
        ),
    ],
)
def test_one_datagram_each(listener: socket.socket, say: Callable[[], None], datagram: str) -> None:
    """Each state is one datagram of KEY=value lines, the sentence in the same one."""
    say()
    assert heard(listener) == [datagram]


def test_a_name_cannot_forge_a_state(listener: socket.socket) -> None:
    """A line break in the sentence cannot begin a key of its own, and the sentence is bounded."""
    supervisor.alive("fog\nREADY=1\nMAINPID=1\x1b[2J" + "x" * 5000)
    (said,) = heard(listener)
    first, *rest = said.split("\n")
    assert first == "WATCHDOG=1"
    assert len(rest) == 1
    assert rest[0].startswith("STATUS=fog")
    assert "\x1b" not in said
    assert len(rest[0]) <= len("STATUS=") + supervisor.MAX_STATUS


def test_abstract_address(monkeypatch: pytest.MonkeyPatch) -> None:
    """An address that begins with @ is one without a file (unix(7))."""
    name = f"printqueue-test-{os.getpid()}"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as sock:
        sock.bind(f"\0{name}")
        sock.settimeout(0)
        monkeypatch.setenv("NOTIFY_SOCKET", f"@{name}")
        supervisor.ready()
        assert heard(sock) == ["READY=1"]


@pytest.mark.parametrize("address", ["", "relative", "/nowhere/notify", "vsock:2:1234", "@" + "x" * 300])
def test_nobody_listens(address: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Without a supervisor, or with an address that leads nowhere, telling does nothing and raises nothing."""
    monkeypatch.setenv("NOTIFY_SOCKET", address)
    supervisor.ready("fine")


def _sent(sock: socket.socket) -> bool:
    try:
        sock.sendto(b"x", os.environ["NOTIFY_SOCKET"])
    except BlockingIOError:
        return False
    return True


def test_a_deaf_supervisor_holds_nothing_up(listener: socket.socket, monkeypatch: pytest.MonkeyPatch) -> None:
    """When the receiver's queue is full, telling gives up after its limit instead of blocking the scan."""
    monkeypatch.setattr(supervisor, "_SEND_LIMIT_S", 0.02)
    most = int(Path("/proc/sys/net/unix/max_dgram_qlen").read_text())
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as sender:
        sender.settimeout(0)
        sent = [_sent(sender) for _ in range(most + 2)]
    assert sent[0]
    assert not sent[-1]
    start = time.monotonic()
    supervisor.alive()
    assert time.monotonic() - start < 5
    assert "WATCHDOG=1" not in heard(listener)


@pytest.mark.parametrize(
    ("usec", "pid", "expected"),
    [
        ("120000000", "", 30.0),
        ("120000000", "own", 30.0),
        ("120000000", "1", float("inf")),
        ("", "", float("inf")),
        ("0", "", float("inf")),
        ("-5", "", float("inf")),
        ("²", "", float("inf")),
    ],
)
def test_pace(usec: str, pid: str, expected: float, monkeypatch: pytest.MonkeyPatch) -> None:
    """A quarter of the watchdog's time, for the process it is meant for only; nonsense means no watchdog."""
    monkeypatch.setenv("WATCHDOG_USEC", usec)
    monkeypatch.setenv("WATCHDOG_PID", str(os.getpid()) if pid == "own" else pid)
    assert supervisor.pace_s() == expected


def test_sentences() -> None:
    """The sentence counts what waits and what is in hand."""
    assert supervisor.looked(3, 1, "12:03:04") == "3 waiting, 1 in hand, last look 12:03:04"


# -- what a child is told ------------------------------------------------------


def _names(_: Any, files: list[int]) -> bytes:
    return " ".join(sorted(os.environ)).encode()


TASKS = {"names": _names}  # they run in another process


def test_a_child_knows_no_supervisor(monkeypatch: pytest.MonkeyPatch) -> None:
    """A process that reads pictures is told neither the supervisor's socket nor its watchdog, though the service is."""
    for name in ("NOTIFY_SOCKET", "WATCHDOG_USEC", "WATCHDOG_PID", "LISTEN_FDS", "JOURNAL_STREAM"):
        monkeypatch.setenv(name, "1")
    fork_server = ForkServer(__name__)
    try:
        with fork_server.child(ChildLimits()) as child:
            told = set(child.ask("names", None).decode().split())
    finally:
        fork_server.close()
    assert "PATH" in told
    assert told.isdisjoint({"NOTIFY_SOCKET", "WATCHDOG_USEC", "WATCHDOG_PID", "LISTEN_FDS", "JOURNAL_STREAM"})
