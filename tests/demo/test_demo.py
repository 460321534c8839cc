"""The demo: every picture comes out as its caption says, and the studio looks as the README says."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest
import tifffile

from printqueue.demo import run as demo
from printqueue.demo.cases import CASES
from printqueue.demo.pictures import RECIPES
from printqueue.studio.folders import Studio
from printqueue.studio.marker import MARK

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> tuple[Studio, Sequence[demo.CaseResult]]:
    """The whole demo, once."""
    studio = demo.make(str(tmp_path_factory.mktemp("demo") / "studio"), _said_by_nobody)
    return studio, demo.run(studio, _said_by_nobody)


def _said_by_nobody(amount: float, says: str) -> None:
    """Progress that nobody looks at."""


def test_every_picture_comes_out_as_its_caption_says(made: tuple[Studio, Sequence[demo.CaseResult]]) -> None:
    """Verdict and promised finding of each of the cases hold."""
    assert {result.case.name: result.wrong for result in made[1] if result.wrong} == {}
    assert [result.case for result in made[1]] == list(CASES)


def test_accepted_pictures_have_a_print_a_note_and_a_master(made: tuple[Studio, Sequence[demo.CaseResult]]) -> None:
    """Nothing accepted is missing any part of its group, and nothing stays in ready/ but a folder's order."""
    studio, results = made
    for result in results:
        if result.case.accepted:
            assert os.path.isfile(studio.path(result.output)), result.case.name
            note = result.output.removesuffix(".tif") + ".print.txt"
            assert Path(studio.path(note)).read_text("utf-8").startswith("DEMONSTRATION PROFILE")
    masters = [name for name in _visible(studio.path("masters")) if "order.yaml" not in name]
    assert len(masters) == sum(case.accepted for case in CASES)
    assert _visible(studio.path("ready")) == ["order.yaml"]


def _visible(folder: str) -> list[str]:
    """Names of files below a folder of the studio, but for its mark."""
    return [name for _, _, names in os.walk(folder) for name in names if name != MARK]


def test_turned_back_pictures_are_whole_and_have_a_reason(made: tuple[Studio, Sequence[demo.CaseResult]]) -> None:
    """Each stands under its own name in review/, with a reason whose first line is the verdict."""
    studio, results = made
    for result in results:
        if not result.case.accepted:
            picture = studio.path("review", result.case.name)
            assert os.path.getsize(picture) > 0
            reason = Path(os.path.splitext(picture)[0] + ".reason.txt").read_text("utf-8")
            assert reason.startswith(f"Turned back: “{os.path.basename(picture)}”")
            assert "Your file is here, unchanged." in reason


def test_prints_are_sixteen_bit_rgb_at_the_papers_resolution(made: tuple[Studio, Sequence[demo.CaseResult]]) -> None:
    """Size, depth, resolution and bare border of every print, read back by the library."""
    studio, results = made
    for output in (result.output for result in results if result.case.accepted):
        with tifffile.TiffFile(studio.path(output)) as tiff:
            page = tiff.pages.first
            # ISO 216 at 360 ppi: A4 = round(210 / 25.4 × 360) × round(297 / 25.4 × 360), A5 = 148 × 210 mm
            expected = [2976, 4209] if "/A4/" in output else [2098, 2976]
            assert sorted(page.shape[:2]) == expected, output
            assert page.dtype == np.dtype(np.uint16)
            assert page.shape[2] == 3
            assert page.tags["XResolution"].value == (360, 1)


def test_two_of_the_same_name_get_numbers(made: tuple[Studio, Sequence[demo.CaseResult]]) -> None:
    """Pier.png and Pier.tif both become print files; the second is (2), its note and master too."""
    studio, _ = made
    folder = studio.path("print", "smooth-rag", "A5")
    names = {name for name in os.listdir(folder) if name.startswith("Pier")}
    endings = (".tif", ".print.txt", ".proof.jpg")
    assert names == {stem + ending for stem in ("Pier", "Pier (2)") for ending in endings}


def test_no_picture_is_painted_for_nothing() -> None:
    """Every recipe is used by a case."""
    assert {case.recipe for case in CASES} == set(RECIPES)


def test_what_belongs_to_one_place_is_painted_by_one_painter() -> None:
    """Cases are dealt out by the first word of their recipe, so no scene stands under two of these words."""
    words: dict[object, set[str]] = {}
    for name, recipe in RECIPES.items():
        words.setdefault(recipe.scene, set()).add(name.partition("-")[0])
    assert all(len(first) == 1 for first in words.values())


def test_the_reason_in_the_readme_is_the_real_one(made: tuple[Studio, Sequence[demo.CaseResult]]) -> None:
    """The README shows the note that the demo really writes, word for word but for the job's number."""
    studio, _ = made
    note = Path(studio.path("review/smooth-rag/A3/Pier, low tide.reason.txt")).read_text("utf-8")
    readme = (Path(__file__).parents[2] / "README.md").read_text("utf-8")
    text, job = note.rsplit(" Job ", 1)
    assert job.strip().rstrip(".").isdigit()
    assert text in readme
