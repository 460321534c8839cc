"""The lock file holds for every machine: names, versions and hashes, and nothing of the place where it was made."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

LINES = (Path(__file__).parents[2] / "requirements/dev.lock").read_text("utf-8").splitlines()


@pytest.mark.parametrize("line", sorted({line for line in LINES if not line.startswith((" ", "#"))}))
def test_only_pinned_requirements(line: str) -> None:
    """No index, no folder of wheels, no other option of an installer: only `NAME==VERSION`, hashes following."""
    assert re.fullmatch(r"[a-z0-9.-]+==[0-9a-z.]+( ; .+)? \\", line)
