"""The lock file holds for every machine: names, versions and hashes, and nothing of the place where it was made."""

from __future__ import annotations

import re
from pathlib import Path

LINES = (Path(__file__).parents[2] / "requirements/dev.lock").read_text("utf-8").splitlines()


def test_only_pinned_requirements() -> None:
    """No index, no folder of wheels, no other option of an installer: only `NAME==VERSION`, hashes following."""
    lines = [line for line in LINES if not line.startswith((" ", "#"))]
    assert len(lines) > 30
    assert [line for line in lines if not re.fullmatch(r"[a-z0-9.-]+==[0-9a-z.]+( ; .+)? \\", line)] == []
