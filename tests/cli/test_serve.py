"""`serve` at its rim: where it logs to, and what the signals do."""

from __future__ import annotations

import logging
import os
import signal
from collections.abc import Iterator
from pathlib import Path
from typing import cast

import pytest

from printqueue.cli import cmd_serve
from printqueue.service.lock import StudioLock
from printqueue.service.loop import Service
from printqueue.studio.folders import open_studio
from tests.cli.support import run

SIGNALS = (signal.SIGTERM, signal.SIGINT, signal.SIGHUP)


class Asked:
    """Stands for a service: remembers what it was asked for."""

    def __init__(self) -> None:
        self.words: list[str] = []

    def stop(self) -> None:
        """Asked to end."""
        self.words.append("stop")

    def wake(self) -> None:
        """Asked to look now."""
        self.words.append("wake")


@pytest.fixture(autouse=True)
def _signals_as_before() -> Iterator[None]:
    before = {number: signal.getsignal(number) for number in SIGNALS}
    yield
    for number, handler in before.items():
        signal.signal(number, handler)


def asked(monkeypatch: pytest.MonkeyPatch, *, terminal: bool, hup: signal.Handlers = signal.SIG_DFL) -> list[str]:
    """What the service is asked for when each signal arrives."""
    for stream in ("stdin", "stderr"):
        monkeypatch.setattr(f"sys.{stream}.isatty", lambda: terminal)
    signal.signal(signal.SIGHUP, hup)
    service = Asked()
    cmd_serve._listen(cast(Service, service))
    for number in SIGNALS:
        os.kill(os.getpid(), number)
    return service.words


def test_hangup_of_a_service_means_look_now(monkeypatch: pytest.MonkeyPatch) -> None:
    """Without a terminal SIGHUP wakes the service; SIGTERM and SIGINT stop it."""
    assert asked(monkeypatch, terminal=False) == ["stop", "stop", "wake"]


def test_hangup_of_a_terminal_means_stop(monkeypatch: pytest.MonkeyPatch) -> None:
    """A terminal that is closed does not leave a service behind that nobody sees."""
    assert asked(monkeypatch, terminal=True) == ["stop", "stop", "stop"]


def test_nohup(monkeypatch: pytest.MonkeyPatch) -> None:
    """A hang-up that was set to be ignored stays ignored (nohup, POSIX.1)."""
    assert asked(monkeypatch, terminal=True, hup=signal.SIG_IGN) == ["stop", "stop"]


def test_the_log_file(studio: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """What is said on stderr stands in the studio's private log too; afterwards no handler is left."""
    before = list(logging.getLogger().handlers)
    ran = run(capsys, "-C", str(studio), "serve", "--once", "--no-watch")
    assert ran.code == 0
    said = [line[10:] for line in ran.err.splitlines()]
    kept = [line.split(" ", 2)[2] for line in (studio / ".printqueue" / "log").read_text().splitlines()]
    assert said == kept
    assert said[0] == f"looking after {studio}"
    assert said[-1] == "made 0, turned back 0, stuck 0"
    assert logging.getLogger().handlers == before


def test_the_second_service_leaves_the_log_alone(studio: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A service that is refused because another holds the studio does not write the other's log file."""
    lock = StudioLock(open_studio(str(studio)))
    try:
        ran = run(capsys, "-C", str(studio), "serve", "--once")
    finally:
        lock.release()
    assert ran.code == 3
    assert "already looks after" in ran.err
    assert not (studio / ".printqueue" / "log").exists()
