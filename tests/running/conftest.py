"""Fixtures of the service's tests, and guards: no thread and no child may outlive its test."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from printqueue.sandbox import ForkServer
from printqueue.studio.folders import Studio
from tests.running import support


@pytest.fixture(scope="session")
def fork_server() -> Iterator[ForkServer]:
    """One fork server for all services of this session."""
    with support.fork_server_of("tests.running.quick_worker") as running:
        yield running


@pytest.fixture
def new_studio(tmp_path: Path) -> Callable[..., Studio]:
    """Makes a studio: `new_studio(settings=..., key=rule text)`."""
    return lambda settings=support.SETTINGS, **papers: support.new_studio(tmp_path / "studio", settings, **papers)


@pytest.fixture
def studio(new_studio: Callable[..., Studio]) -> Studio:
    """A studio with the paper `card`."""
    return new_studio()


@pytest.fixture(autouse=True)
def _nothing_left_running(fork_server: ForkServer) -> Iterator[None]:
    """No thread, and no child of the fork server, outlives its test."""
    before = set(threading.enumerate())
    yield
    support.until(lambda: not support.living_children(fork_server), "the children of the fork server ended")
    left = [thread for thread in threading.enumerate() if thread not in before and thread.is_alive()]
    assert not [thread for thread in left if thread.name.startswith(("service", "picture"))]
