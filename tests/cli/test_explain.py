"""`explain`: every check in words, out of the same place as its code."""

from __future__ import annotations

import pytest

from printqueue.checks import REGISTRY
from tests.cli.support import assert_plain, run


def test_list(capsys: pytest.CaptureFixture[str]) -> None:
    """Without a name: one line for each check, its question."""
    ran = run(capsys, "explain")
    assert ran.code == 0
    lines = ran.out.rstrip("\n").split("\n")
    assert [line.split()[0] for line in lines] == list(REGISTRY)
    assert all(line.endswith("?") for line in lines)


@pytest.mark.parametrize("check", REGISTRY)
def test_each(check: str, capsys: pytest.CaptureFixture[str]) -> None:
    """Each says what it measures, why it matters, its source, what is typical, and every limit that can be set."""
    ran = run(capsys, "explain", check)
    assert ran.code == 0
    for label in ("Measures", "Matters", "Source", "Typical"):
        assert f"\n{label}" in ran.out
    for name in REGISTRY[check].limits.model_json_schema()["properties"]:
        assert f"{name}: " in ran.out
    assert_plain(ran.out)
    assert "None" not in ran.out


@pytest.mark.parametrize("check", REGISTRY)
def test_json(check: str, capsys: pytest.CaptureFixture[str]) -> None:
    """The same as JSON, with stable keys and no empty text."""
    answer = run(capsys, "explain", check, "--json").json
    assert list(answer) == ["check", "question", "measures", "matters", "source", "typical", "parameters"]
    assert answer["check"] == check
    assert all(answer.values()) or answer["parameters"] == {}


def test_unknown(capsys: pytest.CaptureFixture[str]) -> None:
    """An unknown check exits 2; nothing near: all names are listed, and the word typed is escaped."""
    ran = run(capsys, "explain", "\x1b[31mqqq")
    assert (ran.code, ran.out) == (2, "")
    assert all(name in ran.err for name in REGISTRY)
    assert_plain(ran.err)
