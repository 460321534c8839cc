"""`papers`: what is in force, what is wrong, and the schema for editors."""

from __future__ import annotations

from pathlib import Path

import pytest

from printqueue.judging.checks import REGISTRY
from tests.cli.support import assert_plain, run, tree

SHIPPED = ["baryta", "kozo", "smooth-rag", "textured-rag"]
KEYS = ["paper", "name", "surface", "sizes", "default_size", "profile", "profile_state", "checks"]


def test_schema(capsys: pytest.CaptureFixture[str]) -> None:
    """`--schema` is one JSON Schema document that needs no studio and knows every check."""
    ran = run(capsys, "papers", "--schema")
    assert ran.code == 0
    assert ran.json["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    assert {"extends", "paper", "surface", "profile", "sizes", "border", "checks"} <= set(ran.json["properties"])
    assert set(ran.json["$defs"]["Checks"]["properties"]) == set(REGISTRY)


def test_json(first_studio: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """One object per paper; demonstration profiles are called that; asking changes nothing."""
    before = tree(first_studio)
    ran = run(capsys, "-C", str(first_studio), "papers", "--json")
    assert ran.code == 0
    assert tree(first_studio) == before
    assert ran.json["problems"] == []
    assert [one["paper"] for one in ran.json["papers"]] == SHIPPED
    assert all(list(one) == KEYS and "DEMONSTRATION" in one["profile_state"] for one in ran.json["papers"])


def test_problems(studio: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A broken rule file: exit 2, every problem with file, line and the nearest key; the other papers are listed."""
    with (studio / "rules" / "kozo.yaml").open("a") as rules:
        rules.write("bordr: 3 mm\nprint: {lift: 1}\n")
    ran = run(capsys, "-C", str(studio), "papers")
    assert ran.code == 2
    assert "Rules: kozo.yaml, line " in ran.out
    assert "Did you mean 'border'?" in ran.out
    assert "print.lift" in ran.out
    assert "\nsmooth-rag\t" in ran.out


def test_hostile_profile(studio: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A profile's own description is text from outside: it is shown escaped, in words and in JSON."""
    profile = studio / "profiles" / "baryta.icc"
    data = profile.read_bytes()
    assert data.count(b"DEMONSTRATION") >= 1
    profile.write_bytes(data.replace(b"DEMONSTRATION", b"\x1b[31mEVIL[/b]"[:13].ljust(13)))
    ran = run(capsys, "-C", str(studio), "papers")
    assert_plain(ran.out)
    assert "fine: \\x1b[31mEVIL[/b]" in ran.out
    assert_plain(run(capsys, "-C", str(studio), "papers", "--json").out)


@pytest.mark.parametrize("command", ["papers", "doctor"])
def test_limits_that_contradict_each_other(command: str, studio: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """They are a problem for `papers` and for `doctor`, with the file that the other limit comes from."""
    with (studio / "rules" / "kozo.yaml").open("a") as rules:
        rules.write("checks:\n  resolution: {warn_below: 100 ppi}\n")
    ran = run(capsys, "-C", str(studio), command)
    said = " ".join(ran.out.split())
    assert ran.code != 0
    assert "checks.resolution.warn_below" in said
    assert "(100 ppi) lies below reject_below (120 ppi; _washi.yaml, line 7)" in said
