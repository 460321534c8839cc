"""Room on the disks before work begins."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace

import pytest

from printqueue.core.disk import room
from printqueue.core.errors import WorldError


@pytest.fixture
def disk(monkeypatch: pytest.MonkeyPatch) -> Callable[[int, int], None]:
    """Sets what statvfs says: bytes free for users, bytes in all."""

    def says(free: int, whole: int) -> None:
        found = SimpleNamespace(f_bavail=free // 4096, f_frsize=4096, f_blocks=whole // 4096)
        monkeypatch.setattr(os, "statvfs", lambda _: found)

    return says


def test_the_reserve_stays_free(tmp_path: Path, disk: Callable[[int, int], None]) -> None:
    """On a large disk 512 MB stay free: what would touch them waits, and is told in MB."""
    disk(2_000_000_000, 10**12)
    room.require({str(tmp_path): 1_400_000_000})
    with pytest.raises(
        WorldError, match=r"has 2000 MB free; this picture needs 1500 MB, and 512 MB stay free"
    ) as error:
        room.require({str(tmp_path): 1_500_000_000})
    assert "goes on by itself" in error.value.do


def test_a_small_disk_has_a_small_reserve(tmp_path: Path, disk: Callable[[int, int], None]) -> None:
    """Two hundredths of the disk, where that is less."""
    disk(1_000_000, 2_000_000)
    room.require({str(tmp_path): 950_000})
    with pytest.raises(WorldError):
        room.require({str(tmp_path): 970_000})


def test_needs_on_one_disk_are_summed(tmp_path: Path, disk: Callable[[int, int], None]) -> None:
    """Copy and prints on the same file system need room together."""
    disk(2_000_000_000, 10**12)
    (tmp_path / "a").mkdir()
    (tmp_path / "b").mkdir()
    with pytest.raises(WorldError):
        room.require({str(tmp_path / "a"): 800_000_000, str(tmp_path / "b"): 800_000_000})
