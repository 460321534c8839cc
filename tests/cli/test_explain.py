"""`explain`: every check in words, and its limits as the starter papers have them, out of the same place as its code."""

from __future__ import annotations

from typing import Annotated

import pytest
from pydantic import Field

from printqueue.cli import explaining
from printqueue.cli.cmd_explain import starter_papers
from printqueue.core.model.finding import Finding, Level
from printqueue.core.model.subject import Subject
from printqueue.core.yaml.fields import Flag, Whole
from printqueue.core.yaml.limits import Limits
from printqueue.core.yaml.plain_yaml import read
from printqueue.core.yaml.quantity import Days, Percent
from printqueue.judging.checks import REGISTRY
from printqueue.judging.contract import Check, Explanation
from printqueue.studio.papers.schema import Paper
from tests.cli.support import assert_plain, in_terminal, run

PAPERS = starter_papers()


def test_list(capsys: pytest.CaptureFixture[str]) -> None:
    """Without a name: one line for each check, its question; as JSON the same."""
    ran = run(capsys, "explain")
    assert ran.code == 0
    heading, *lines = ran.out.rstrip("\n").split("\n")
    assert heading == "check\tthe question it answers"
    assert [line.split()[0] for line in lines] == list(REGISTRY)
    assert all(line.endswith("?") and len(line) <= 100 for line in lines)
    listed = run(capsys, "explain", "--json").json
    assert [one["check"] for one in listed] == list(REGISTRY)


@pytest.mark.parametrize("check", REGISTRY)
def test_each(check: str, capsys: pytest.CaptureFixture[str]) -> None:
    """Each says what it measures, why it matters, its source, what is typical, and every limit that can be set."""
    ran = run(capsys, "explain", check)
    assert ran.code == 0
    for label in ("Measures", "Matters", "Source", "Typical", "Limits"):
        assert f"\n{label}" in ran.out
    for name in REGISTRY[check].limits.model_json_schema()["properties"]:
        assert f"\n  {name} " in ran.out or f"\n  {name}\n" in ran.out
    assert_plain(ran.out)
    assert "None" not in ran.out
    assert max(map(len, ran.out.split("\n"))) <= 80
    assert all(line == line.rstrip() for line in ran.out.split("\n"))


@pytest.mark.parametrize("check", REGISTRY)
def test_json(check: str, capsys: pytest.CaptureFixture[str]) -> None:
    """The same as JSON, with stable keys and no empty text."""
    answer = run(capsys, "explain", check, "--json").json
    assert list(answer) == ["check", "question", "measures", "matters", "source", "typical", "parameters"]
    assert answer["check"] == check
    assert all(answer.values())
    surfaces = sorted({str(paper.surface) for paper in PAPERS})
    for parameter in answer["parameters"].values():
        assert list(parameter) == ["description", "takes", "default", "starter"]
        assert parameter["takes"]
        assert sorted(parameter["starter"]) == surfaces


@pytest.mark.parametrize("check", REGISTRY)
def test_what_is_shown_can_be_written(check: str) -> None:
    """Every starter value that `explain` shows, put into a paper file, reads as the value that is in force."""
    for paper in PAPERS:
        shown = {one.name: one.starter[str(paper.surface)] for one in explaining.parameters(REGISTRY[check], PAPERS)}
        if set(shown.values()) == {explaining.OFF}:
            assert check not in paper.checks
            continue
        lines = "".join(f"    {name}: {text}\n" for name, text in shown.items() if text != explaining.NOT_SET)
        text = f"paper: P\nsurface: {paper.surface}\nprofile: p.icc\nsizes: [A4]\nchecks:\n  {check}:\n{lines}"
        again = Paper.from_tree(read(text.encode(), "p.yaml"), {"key": "p"}).checks[check]
        assert again == paper.checks[check]


class _NewLimits(Limits):
    """How `much` a newcomer takes."""

    much: Annotated[Percent | None, Field(description="more is too much")] = 12.5
    old: Days | None = None
    often: Whole = 3
    strict: Flag = True
    a_limit_with_a_long_name: Level = Level.WARN


def _never(subject: Subject, limits: _NewLimits) -> Finding:
    raise AssertionError


NEW = Check("newcomer", _NewLimits, _never, Explanation("Is it new?", "All. " * 30, "Much.", "None at all.", "Rare."))


def test_a_new_check_needs_nothing_here() -> None:
    """Fields, descriptions and docstring of a check that nobody knew are shown; it is off where no paper names it."""
    limits = {one.name: one for one in explaining.parameters(NEW, PAPERS)}
    assert list(limits) == ["much", "old", "often", "strict", "a_limit_with_a_long_name", "unmeasurable"]
    assert (limits["much"].default, limits["much"].takes) == ("12.5 %", "for example 15 %")
    assert (limits["old"].default, limits["old"].takes) == (None, "for example 14 days")
    assert [limits[name].default for name in ("often", "strict", "a_limit_with_a_long_name")] == ["3", "true", "warn"]
    assert limits["unmeasurable"].takes == "reject, warn, note or pass"
    assert (limits["often"].takes, limits["strict"].takes) == ("a whole number", "true or false")
    assert {value for one in limits.values() for value in one.starter.values()} == {explaining.OFF}
    page = explaining.page(NEW, list(limits.values()))
    assert "  How `much` a newcomer takes.\n" in page
    assert "\n  a_limit_with_a_long_name\n" in page
    assert "More is too much." in page
    assert max(map(len, page.split("\n"))) <= 80


def test_surfaces_that_share_a_value_share_a_line() -> None:
    """Where all agree it says so; where they differ each value has its line."""
    page = explaining.page(REGISTRY["resolution"], explaining.parameters(REGISTRY["resolution"], PAPERS))
    assert "120 ppi on textured-matte, washi\n" in page
    assert "note on every surface\n" in page


def test_in_a_terminal_headings_stand_out() -> None:
    """Bold headings, and the same words as in a pipe."""
    shown = in_terminal("explain", "resolution", columns=80)
    assert "\x1b[1mresolution" in shown
    assert "\x1b[1mMeasures" in shown
    page = explaining.page(REGISTRY["resolution"], explaining.parameters(REGISTRY["resolution"], PAPERS))
    import re

    assert re.sub(r"\x1b\[[0-9;]*m", "", shown).replace("\r\n", "\n").strip() == page.strip()


def test_unknown(capsys: pytest.CaptureFixture[str]) -> None:
    """An unknown check exits 2; nothing near: all names are listed, and the word typed is escaped."""
    ran = run(capsys, "explain", "\x1b[31mqqq")
    assert (ran.code, ran.out) == (2, "")
    assert all(name in ran.err for name in REGISTRY)
    assert_plain(ran.err)
