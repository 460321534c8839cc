"""The example studio: its README's own commands, and every row of its table."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

import pytest

from printqueue.ledger import LedgerReader
from tests.cli.support import found_by_name

pytestmark = pytest.mark.slow

ROOT = Path(__file__).parents[2]
README = (ROOT / "examples" / "studio" / "README.md").read_text("utf-8")
ROWS = re.findall(r"^\| `([^`]+\.jpg)` \| (.+?) \| (made|turned back) \|$", README, re.MULTILINE)
PAPER = (ROOT / "examples" / "studio" / "rules" / "postcard.yaml").read_text("utf-8")


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The studio after the README's commands, word by word, run where `examples/` can be seen."""
    folder = tmp_path_factory.mktemp("example")
    (folder / "examples").symlink_to(ROOT / "examples")
    (script,) = re.findall(r"^```sh\n(.*?)^```$", README, re.MULTILINE | re.DOTALL)
    ended = subprocess.run(
        ["sh", "-e", "-c", script],
        cwd=folder,
        env=found_by_name(folder),
        capture_output=True,
        text=True,
        timeout=180,
        check=False,
    )
    assert ended.returncode == 1, ended.stderr  # as the README says: something was turned back
    return folder / "my-studio"


def test_every_picture_has_its_row() -> None:
    """The table tells of each picture that lies there, and of no other."""
    pictures = (ROOT / "examples" / "studio" / "ready" / "postcard").glob("*.jpg")
    assert sorted(name for name, _, _ in ROWS) == sorted(path.name for path in pictures)


@pytest.mark.parametrize(("name", "becomes"), [(name, becomes) for name, _, becomes in ROWS])
def test_becomes(served: Path, name: str, becomes: str) -> None:
    """What the table says of each."""
    stem = name.removesuffix(".jpg")
    printed, back = served / "print/postcard/150x100 mm" / f"{stem}.tif", served / "review/postcard" / name
    assert (printed.exists(), back.exists()) == ((True, False) if becomes == "made" else (False, True))


def test_the_numbers_of_the_table(served: Path) -> None:
    """The resolution that the table names is the one that was measured, and the limit is the paper's own."""
    reason = (served / "review/postcard/Reeds.reason.txt").read_text("utf-8")
    measured, limit = re.findall(r"(\d+) ppi where this paper's own rule wants (\d+)", README)[0]
    assert f"{measured} ppi at" in reason
    assert f"Limit {limit} ppi" in reason
    assert f"reject_below: {limit} ppi" in PAPER
    lines = {
        word: number
        for number, word in enumerate(
            [
                "one",
                "two",
                "three",
                "four",
                "five",
                "six",
                "seven",
                "eight",
                "nine",
                "ten",
                "eleven",
                "twelve",
                "thirteen",
                "fourteen",
            ],
            1,
        )
    }
    (said,) = re.findall(r"is the paper: (\w+) lines", README)
    assert lines[said] == len(PAPER.splitlines())


def test_the_orders_were_obeyed(served: Path) -> None:
    """Copies, lift, title and edition of the one; the allowance of the other stands in its note with the reason."""
    records = {
        record.path.rpartition("/")[2]: record
        for record in LedgerReader(str(served / ".printqueue/ledger.sqlite")).prints()
    }
    mill = records["Lit windows.jpg"]
    assert mill.copies == 2
    assert mill.settings["lift_stops"] == pytest.approx(1 / 6)
    assert mill.settings["title"] == "The mill, lamps lit"
    note = " ".join((served / "print/postcard/150x100 mm/Reeds, seen from afar.print.txt").read_text("utf-8").split())
    assert "Allowed by you (stands in a shop window, seen from two metres)" in note
