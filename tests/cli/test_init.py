"""`init`: a studio that is in order from its first minute, or nothing at all."""

from __future__ import annotations

import stat
from pathlib import Path

import pytest

from printqueue.studio.folders import PUBLIC_FOLDERS
from tests.cli.support import assert_plain, run, tree


def test_ready_to_run(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """All folders, papers, profiles and drop folders stand; the private folder is private; what to do next is said."""
    root = tmp_path / "mill"
    ran = run(capsys, "init", str(root))
    assert ran.code == 0
    assert all((root / name).is_dir() for name in PUBLIC_FOLDERS)
    assert stat.S_IMODE((root / ".printqueue").stat().st_mode) == 0o700
    assert (root / "ready" / "smooth-rag" / "A3").is_dir()
    assert (root / "studio.yaml").is_file()
    for words in ("not your only file", "printqueue serve", "DEMONSTRATION"):
        assert words in ran.out
    assert run(capsys, "-C", str(root), "papers").code == 0


def test_current_folder(tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    """Without a name the current folder becomes the studio, if it is empty."""
    monkeypatch.chdir(tmp_path)
    assert run(capsys, "init").code == 0
    assert run(capsys, "status").code == 0


def test_not_empty(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A folder that holds anything is refused with exit 3, and stays as it is."""
    (tmp_path / "Kelp.tif").write_bytes(b"the only file")
    before = tree(tmp_path)
    ran = run(capsys, "init", str(tmp_path))
    assert ran.code == 3
    assert "is not empty. Nothing was changed." in ran.err
    assert tree(tmp_path) == before


def test_twice(studio: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A studio is never made over a studio."""
    before = tree(studio)
    assert run(capsys, "init", str(studio)).code == 3
    assert tree(studio) == before


@pytest.mark.parametrize("where", ["file", "file/below"])
def test_impossible(where: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Where no folder can be made: exit 3 and one sentence, no traceback."""
    (tmp_path / "file").write_bytes(b"")
    ran = run(capsys, "init", str(tmp_path / where))
    assert ran.code == 3
    assert len(ran.err.rstrip("\n").split("\n")) == 1


def test_hostile_name(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A folder's name is shown escaped."""
    ran = run(capsys, "init", str(tmp_path / "fog\x1b[31m\n[b]"))
    assert ran.code == 0
    assert_plain(ran.out)
    assert "fog\\x1b[31m\\x0a[b]" in ran.out
