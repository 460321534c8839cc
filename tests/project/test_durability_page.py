"""DURABILITY.md names tests and programs; every one of them must exist."""

from __future__ import annotations

import ast
import re
from pathlib import Path

TESTS = Path(__file__).parents[1]
PAGE = TESTS.parent / "DURABILITY.md"


def named() -> list[tuple[str, str]]:
    """(file below tests/, function) of every test on the page."""
    return re.findall(r"`([\w/]+\.py)::(\w+)`", PAGE.read_text())


def functions(file: str) -> set[str]:
    """Test functions of a file; none where there is no file."""
    path = TESTS / file
    tree = ast.parse(path.read_text()) if path.is_file() else ast.Module([], [])
    return {node.name for node in tree.body if isinstance(node, ast.FunctionDef) and node.name.startswith("test_")}


def test_every_test_on_the_page_exists() -> None:
    """Each `file::name` is a test of that file, and the page names many."""
    wanted = set(named())
    known = {file: functions(file) for file in {file for file, _ in wanted}}
    assert len(wanted) > 100
    assert {f"{file}::{name}" for file, name in wanted if name not in known[file]} == set()


def test_every_program_on_the_page_exists() -> None:
    """Each `tests.faults.NAME` can be run."""
    wanted = set(re.findall(r"`tests\.faults\.(\w+)`", PAGE.read_text()))
    assert len(wanted) > 5
    assert {name for name in wanted if not (TESTS / "faults" / f"{name}.py").is_file()} == set()


def test_every_row_is_answered() -> None:
    """A row has three filled columns (two in the list of promises), and its last one names a test or says why not."""
    rows = [line for line in PAGE.read_text().split("\n") if line.startswith("| ") and "---" not in line]
    answers = [row.strip("| ").split(" | ") for row in rows if not row.startswith(("| what goes wrong", "| | held"))]
    assert len(answers) > 100
    unanswered = [
        one for one in answers if "::test_" not in one[-1] and not one[-1].startswith(("not tested here", "cannot"))
    ]
    assert unanswered == []
    assert {len(one) for one in answers} == {2, 3}
    assert all(all(cell.strip() for cell in one) for one in answers)
