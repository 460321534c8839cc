"""Studios: a fresh one for each test that changes it, one that has worked for those that only look."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pytest

from printqueue.studio import starter
from tests.cli.support import HOSTILE, NOT_UTF8, SMALL_SHEET, picture, program


@pytest.fixture(scope="session")
def first_studio(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A studio as `init` makes it. Not to be changed."""
    root = tmp_path_factory.mktemp("first") / "studio"
    starter.init(str(root))
    return root


@pytest.fixture
def studio(first_studio: Path, tmp_path: Path) -> Path:
    """A copy of it for one test."""
    return Path(shutil.copytree(first_studio, tmp_path / "studio"))


@pytest.fixture(scope="session")
def worked(first_studio: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A studio whose service has run once: two prints made, two pictures turned back, three things passed over."""
    root = Path(shutil.copytree(first_studio, tmp_path_factory.mktemp("worked") / "studio"))
    (root / "studio.yaml").write_text("settle: 0 s\n")
    folder = root / "ready" / "smooth-rag" / SMALL_SHEET
    folder.mkdir()
    original = picture(folder / "Slipway.tif")
    shutil.copy(original, folder / HOSTILE)
    picture(root / "ready" / "baryta" / "A4" / NOT_UTF8, 90, 60)  # far too few pixels for that
    (root / "ready" / "kozo" / "A4" / "Fog.tif").write_bytes(b"no picture at all\n")
    (folder / "Net.tif.part").write_bytes(b"half")
    (folder / "Empty.tif").write_bytes(b"")
    (root / "ready" / "kozo" / "Link\x1b[2J.tif").symlink_to(original)
    ended = subprocess.run(program("-C", str(root), "serve", "--once"), capture_output=True, timeout=120, check=False)
    assert ended.returncode == 1, ended.stderr.decode()
    return root
