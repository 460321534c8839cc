"""The recipes of rules/README.md, carried out as they stand there."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest

from printqueue.core.model.finding import Level
from printqueue.studio.papers.loader import Shelf
from printqueue.studio.papers.schema import Paper
from tests.cli.support import picture, run

pytestmark = pytest.mark.slow

TITLES = [
    "A new paper",
    "Softer limits for fog pictures",
    "A stricter paper for exhibitions",
    "A size of one's own",
    "Turning a check off",
]


def recipes(guide: str) -> dict[str, str]:
    """Title → its YAML."""
    found = re.findall(r"^### \d\. (.+?)$(.*?)(?=^##)", guide, re.MULTILINE | re.DOTALL)
    return {title: re.findall(r"^```yaml\n(.*?)^```$", text, re.MULTILINE | re.DOTALL)[0] for title, text in found}


def carry_out(studio: Path, yaml: str) -> None:
    """As the first line says: a new file, lines added to one, or lines changed in one."""
    head, _, body = yaml.partition("\n")
    how, path = re.fullmatch(r"# (add to |change in |)(rules/[\w.-]+)", head).groups()  # type: ignore[union-attr]
    file = studio / path
    if how == "":
        assert not file.exists()
        file.write_text(yaml)
    elif how == "add to ":
        file.write_text(file.read_text() + body)
    else:
        text = file.read_text()
        for line in body.splitlines():
            text, count = re.subn(rf"(?m)^{line.partition(':')[0]}:.*$", line, text)
            assert count == 1, line
        file.write_text(text)


@pytest.fixture
def guided(studio: Path) -> tuple[Path, dict[str, str]]:
    """A new studio, and the recipes that lie in its rules/."""
    return studio, recipes((studio / "rules" / "README.md").read_text("utf-8"))


def after(guided: tuple[Path, dict[str, str]], title: str, key: str) -> tuple[Paper, Paper | None]:
    """The paper `key` once the recipe is carried out (in order, nothing to complain of), and as it was before."""
    studio, texts = guided
    before = Shelf.load(str(studio / "rules")).papers.get(key)
    carry_out(studio, texts[title])
    shelf = Shelf.load(str(studio / "rules"))
    assert list(shelf.problems) == []
    return shelf.papers[key], before


def test_there_are_five(guided: tuple[Path, dict[str, str]]) -> None:
    """The five that the guide promises, in order."""
    assert list(guided[1]) == TITLES


def test_a_new_paper(guided: tuple[Path, dict[str, str]], tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """`papers` lists it, its profile missing until it is put there; then it judges a picture."""
    studio = guided[0]
    paper, before = after(guided, TITLES[0], "hot-press")
    assert before is None
    assert [size.name for size in paper.sizes] == ["A4", "A3", "330x480 mm"]
    listed = {one["paper"]: one for one in run(capsys, "-C", str(studio), "papers", "--json").json["papers"]}
    assert "it is not there" in listed["hot-press"]["profile_state"]
    shutil.copy(studio / "profiles" / "smooth-rag.icc", studio / "profiles" / "hot-press.icc")
    words = ("check", picture(tmp_path / "Slipway.tif"), "--paper", "hot-press", "--size", "120x90 mm")
    assert run(capsys, "-C", str(studio), *words).code == 0


def test_fog(guided: tuple[Path, dict[str, str]], tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A picture without a clean edge is remarked on for the one paper and not for the other."""
    studio = guided[0]
    after(guided, TITLES[1], "smooth-rag-fog")
    fog = picture(tmp_path / "Fog.tif")
    levels = {}
    for key in ("smooth-rag", "smooth-rag-fog"):
        ran = run(capsys, "-C", str(studio), "check", fog, "--paper", key, "--size", "120x90 mm", "--json")
        levels[key] = {finding["check"]: finding["level"] for finding in ran.json[0]["findings"]}
    assert levels["smooth-rag"]["oversharpening"] == "note"
    assert levels["smooth-rag-fog"]["oversharpening"] == "pass"
    assert "softness" in levels["smooth-rag"]
    assert "softness" not in levels["smooth-rag-fog"]


def test_exhibition(guided: tuple[Path, dict[str, str]], tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """What the plain paper accepts with a warning comes back from this one: its profile is a demonstration."""
    studio = guided[0]
    paper, _ = after(guided, TITLES[2], "baryta-exhibition")
    assert paper.turn_back_at is Level.WARN
    slipway = picture(tmp_path / "Slipway.tif")
    codes = [
        run(capsys, "-C", str(studio), "check", slipway, "--paper", key, "--size", "120x90 mm").code
        for key in ("baryta", "baryta-exhibition")
    ]
    assert codes == [0, 1]


def test_own_size(guided: tuple[Path, dict[str, str]]) -> None:
    """The list and the usual size are the new ones."""
    paper, before = after(guided, TITLES[3], "smooth-rag")
    assert before is not None
    assert {size.name for size in paper.sizes} == {size.name for size in before.sizes} | {"11x14 in"}
    assert paper.usual_size.name == "11x14 in"


def test_check_off(guided: tuple[Path, dict[str, str]]) -> None:
    """That check is gone from that paper, and nothing else."""
    paper, before = after(guided, TITLES[4], "textured-rag")
    assert before is not None
    assert set(before.checks) - set(paper.checks) == {"vignette"}
    others = Shelf.load(str(guided[0] / "rules")).papers
    assert all("vignette" in other.checks for key, other in others.items() if key != "textured-rag")
