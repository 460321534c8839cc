"""`history`: the contract's keys, newest first, only what was judged."""

from __future__ import annotations

import time
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from printqueue.core.disk import durable
from tests.cli.support import SMALL_SHEET, assert_plain, in_terminal, run, tree

KEYS = [
    "job",
    "picture",
    "sha256",
    "paper",
    "size",
    "copies",
    "made",
    "verdict",
    "output",
    "profile_sha256",
    "settings",
    "findings",
]


def test_keys(worked: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Exactly the contract's keys, newest first; hashes are those of the files; asking changes nothing."""
    before = tree(worked)
    ran = run(capsys, "-C", str(worked), "history", "--json")
    assert ran.code == 0
    assert tree(worked) == before
    assert [list(one) for one in ran.json] == [KEYS] * len(ran.json)
    jobs = [one["job"] for one in ran.json]
    assert jobs == sorted(jobs, reverse=True)
    made = next(one for one in ran.json if one["picture"].endswith("/Slipway.tif"))
    assert (made["verdict"], made["paper"], made["copies"]) == ("accepted", "smooth-rag", 1)
    assert made["output"] == f"print/smooth-rag/{SMALL_SHEET}/Slipway.tif"
    assert (worked / made["output"]).is_file()
    assert datetime.fromisoformat(made["made"]).utcoffset() is not None
    assert made["sha256"] == durable.sha256(str(worked / "masters" / "smooth-rag" / SMALL_SHEET / "Slipway.tif"))
    assert made["profile_sha256"] == durable.sha256(str(worked / "profiles" / "smooth-rag.icc"))
    assert made["settings"]["intent"] == "relative"
    assert {finding["check"] for finding in made["findings"]} >= {"resolution", "profile", "whole"}


def test_turned_back(worked: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """What was turned back is told with its findings, and with neither print nor time of making."""
    (one,) = run(capsys, "-C", str(worked), "history", "net", "--json").json
    assert (one["verdict"], one["made"], one["output"]) == ("turned-back", None, None)
    assert "reject" in {finding["level"] for finding in one["findings"]}


@pytest.mark.parametrize(("name", "count"), [("slipway", 1), ("SMOOTH-RAG", 2), ("nothing of the kind", 0), ("%", 0)])
def test_name(name: str, count: int, worked: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A name keeps the pictures whose path contains it, in any case; a percent sign is a character like others."""
    assert len(run(capsys, "-C", str(worked), "history", name, "--json").json) == count


def test_pipe(worked: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """In a pipe: plain lines that say *made*, never *printed*, with hostile names escaped."""
    ran = run(capsys, "-C", str(worked), "history")
    assert_plain(ran.out)
    assert "\tmade\tsmooth-rag/120x90 mm/Slipway.tif\t" in ran.out
    assert "k[red]elp\\x1b[31m\\u202e.tif" in ran.out
    assert "printed" not in ran.out


def test_terminal(worked: Path) -> None:
    """In a terminal, markup in a name is shown as it stands and the name cannot turn the reading direction."""
    shown = in_terminal("-C", str(worked), "history", columns=240)
    assert "k[red]elp\\x1b[31m\\u202e.tif" in shown
    assert "\u202e" not in shown


def test_nothing_yet(studio: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A new studio has no history, and says so."""
    assert run(capsys, "-C", str(studio), "history").out == "Nothing was made yet.\n"
    assert run(capsys, "-C", str(studio), "history", "--json").json == []


# -- filters ------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("words", "names"),
    [
        (("--made",), {"Slipway.tif", "kelp"}),
        (("--turned-back",), {"net", "Fog.tif"}),
        (("--paper", "kozo"), {"Fog.tif"}),
        (("--paper", "smooth"), set()),
        (("--size", "a4"), {"net", "Fog.tif"}),
        (("--since", "2000", "--until", "2999"), {"Slipway.tif", "kelp", "net", "Fog.tif"}),
        (("--since", "2999"), set()),
        (("--until", "2000-12-31"), set()),
        (("--paper", "smooth-rag", "--made", "slip"), {"Slipway.tif"}),
    ],
)
def test_filters(words: tuple[str, ...], names: set[str], worked: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Each filter keeps what it names; several keep what all of them name."""
    found = {
        one["picture"].rpartition("/")[2] for one in run(capsys, "-C", str(worked), "history", *words, "--json").json
    }
    assert {next(name for name in names if one.startswith(name.replace("kelp", "k[red]"))) for one in found} == names
    assert len(found) == len(names)


def test_most(worked: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """At most so many, the newest; that there are more is said."""
    every = run(capsys, "-C", str(worked), "history", "--json").json
    assert run(capsys, "-C", str(worked), "history", "--most", "3", "--json").json == every[:3]
    said = run(capsys, "-C", str(worked), "history", "--most", "3").out
    assert said.endswith("These are the newest 3. Ask for more with --most.\n")
    assert "newest" not in run(capsys, "-C", str(worked), "history", "--most", "4").out


@pytest.mark.parametrize(
    "words",
    [("--made", "--turned-back"), ("--most", "0"), ("--most", "-1"), ("--most", "many"), ("--since", "yesterday")],
)
def test_nonsense(words: tuple[str, ...], worked: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """What cannot be asked exits 2 and prints nothing on standard output."""
    ran = run(capsys, "-C", str(worked), "history", *words)
    assert (ran.code, ran.out) == (2, "")


def test_nothing_like_that(worked: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A filter that keeps nothing does not say that nothing was ever made; a misspelt paper is told with the nearest."""
    said = "Nothing like that was made or turned back."
    assert run(capsys, "-C", str(worked), "history", "--since", "2999").out == f"{said}\n"
    misspelt = run(capsys, "-C", str(worked), "history", "--paper", "bartya").out
    assert misspelt == f"{said} rules/ has no paper 'bartya' now. Did you mean 'baryta'?\n"


def test_why_it_was_turned_back(worked: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Where nothing was made, the last column names the checks instead of settings that were never used."""
    rows = [
        line.split("\t") for line in run(capsys, "-C", str(worked), "history", "--turned-back").out.splitlines()[1:]
    ]
    assert {row[3].rpartition("/")[2]: row[5] for row in rows} == {"net\\xff.tif": "resolution", "Fog.tif": "whole"}


def test_times_are_the_machines_own(
    worked: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The table tells local time and names its zone; JSON stays UTC."""
    monkeypatch.setenv("TZ", "TIDE-5")
    time.tzset()
    try:
        heading, first, *_ = run(capsys, "-C", str(worked), "history", "--made").out.split("\n")
        made = run(capsys, "-C", str(worked), "history", "--made", "--json").json[0]["made"]
    finally:
        monkeypatch.undo()
        time.tzset()
    assert heading.split("\t")[:3] == ["job", "when (TIDE)", "became"]
    there = datetime.fromisoformat(made) + timedelta(hours=5)
    assert first.split("\t")[1] == there.strftime("%Y-%m-%d %H:%M")
