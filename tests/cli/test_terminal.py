"""What a terminal shows: it fits, a word stands beside every colour, and who wants none gets none."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from tests.cli.support import SMALL_SHEET, in_terminal, picture, without_codes

pytestmark = pytest.mark.slow

COLOUR = re.compile(r"\x1b\[[\d;]*3[0-8][\d;]*m")
COMMANDS = [("status",), ("history",), ("papers",), ("explain",)]


@pytest.fixture(scope="module")
def judged(tmp_path_factory: pytest.TempPathFactory) -> str:
    """A picture of far too few pixels."""
    return picture(tmp_path_factory.mktemp("judged") / "Nets, drying on the slipway at the tidal mill.tif", 90, 60)


def check(file: str) -> tuple[str, ...]:
    """The words that judge it."""
    return ("check", file, "--paper", "smooth-rag", "--size", SMALL_SHEET)


@pytest.mark.parametrize("command", COMMANDS, ids=" ".join)
def test_tables_fit_80_columns(command: tuple[str, ...], worked: Path) -> None:
    """No line of a table is wider than the terminal; only sentences wrap, and the terminal wraps those."""
    lines = without_codes(in_terminal("-C", str(worked), *command, columns=80)).split("\n")
    rules = [number for number, line in enumerate(lines) if set(line.strip()) == {"─"}]
    tables = lines[rules[0] :] if rules else lines
    assert max(map(len, tables)) <= 80


def test_check_fits_80_columns(worked: Path, judged: str) -> None:
    """The table of findings too; the summary is one line, however the terminal wraps it."""
    first, *rest = without_codes(in_terminal("-C", str(worked), *check(judged), columns=80)).split("\n")
    assert "TURNED BACK for smooth-rag" in first
    assert max(map(len, rest)) <= 80
    assert any(line.split()[:2] == ["reject", "resolution"] for line in rest)


def test_colours_say_what_a_word_says(worked: Path, judged: str) -> None:
    """Where there are colours, they colour the word of a level and nothing else."""
    shown = in_terminal("-C", str(worked), *check(judged))
    inked = re.findall(r"\x1b\[[\d;]*38;5;\d+m([^\x1b]*)\x1b", shown)
    assert set(map(str.strip, inked)) == {"reject", "warn"}


@pytest.mark.parametrize("around", [{"NO_COLOR": "1"}, {"TERM": "dumb"}], ids=str)
def test_no_colour(around: dict[str, str], worked: Path, judged: str) -> None:
    """https://no-color.org: not empty means no colour; a dumb terminal gets no code at all. The words are the same."""
    plain = in_terminal("-C", str(worked), *check(judged), around=around)
    assert not COLOUR.search(plain)
    if "TERM" in around:
        assert "\x1b" not in plain
    assert without_codes(plain) == without_codes(in_terminal("-C", str(worked), *check(judged)))


def test_progress_of_several_files(worked: Path, judged: str) -> None:
    """A bar with the file at hand while it works; what stays on the screen is the answers."""
    shown = in_terminal("-C", str(worked), "check", judged, judged, judged, *check(judged)[2:])
    assert "Judging 3 files" in shown
    assert "1: Nets, drying" in shown
    assert shown.rstrip().endswith("3 files: 3 turned back.")
    assert without_codes(shown).count("TURNED BACK for") == 3
