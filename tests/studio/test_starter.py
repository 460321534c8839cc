"""A new studio runs with the settings that were written into it."""

from __future__ import annotations

from pathlib import Path

from printqueue.studio.starter import init


def test_settings_written_are_settings_in_force(tmp_path: Path) -> None:
    """`init` hands back the studio as its studio.yaml describes it, not with the defaults."""
    assert init(str(tmp_path / "plain")).config.settle == 5.0
    assert init(str(tmp_path / "quick"), "settle: 0.2 s\n").config.settle == 0.2
