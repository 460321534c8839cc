"""The papers that come with the service: valid, complete, and what the starter table says."""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path

import pytest
import yaml

from printqueue.core.model.paper import Surface
from printqueue.judging.checks import REGISTRY
from printqueue.studio.papers.loader import Shelf
from printqueue.studio.papers.schema import Paper

RULES = Path(str(files("printqueue"))) / "rules"
SHELF = Shelf.load(RULES)
# key → title, surface, white, black (the demonstration papers' own model values)
PAPERS = {
    "smooth-rag": ("Smooth cotton, cool white", Surface.SMOOTH_MATTE, (96.5, 0.4, -1.8), (17, 0, 0)),
    "textured-rag": ("Textured cotton, warm white", Surface.TEXTURED_MATTE, (95.5, 0.6, 1.5), (19, 0.2, 0.3)),
    "baryta": ("Baryta, bright white", Surface.BARYTA, (97.0, 0.2, -1.0), (5, 0, 0)),
    "kozo": ("Kozo, natural white", Surface.WASHI, (91.5, 1.0, 7.5), (24, 0.5, 2.0)),
}
# starter limits by paper: resolution, oversharpening, contrast, clipping (common practice, no source)
LIMITS: dict[str, tuple[tuple[int, int], tuple[int, int], tuple[int, str], dict[str, float]]] = {
    "baryta": ((160, 240), (40, 20), (15, "note"), {"paper_warn_above": 0.5, "black_note_above": 10}),
    "smooth-rag": ((150, 240), (40, 20), (15, "warn"), {"paper_note_above": 5, "black_note_above": 10}),
    "textured-rag": ((120, 180), (50, 28), (15, "warn"), {"paper_note_above": 5, "black_warn_above": 20}),
    "kozo": ((120, 180), (50, 28), (10, "warn"), {"paper_note_above": 5, "black_warn_above": 20}),
}


def test_all_are_valid() -> None:
    """The shipped rules hold no mistake, and exactly these four papers."""
    assert [str(problem) for problem in SHELF.problems] == []
    assert set(SHELF.papers) == set(PAPERS)


@pytest.mark.parametrize("key", PAPERS)
def test_each_paper(key: str) -> None:
    """Title, surface, tone and profile are those of the four demonstration papers; A5, A4, A3, A2 and one more are in stock."""
    paper = SHELF.papers[key]
    assert (paper.paper, paper.surface, paper.tone.white, paper.tone.black) == PAPERS[key]
    assert paper.profile == f"{key}.icc"
    assert paper.usual_size.name == "A3"
    assert [size.name for size in paper.sizes][:4] == ["A5", "A4", "A3", "A2"]
    assert len(paper.sizes) == 5
    assert (paper.fit, paper.print.sharpen, paper.print.lift) == ("whole", None, 0)
    assert paper.handling
    assert paper.printer.black_ink == ("photo" if key == "baryta" else "matte")


@pytest.mark.parametrize("key", PAPERS)
def test_every_check_is_in_force_everywhere(key: str) -> None:
    """A check that exists is named by every shipped paper, or switched off there for a reason: none is forgotten."""
    surface = SHELF.papers[key].surface
    off = set() if surface.textured else {"fine-detail"}  # nothing in a smooth surface swallows detail
    assert set(SHELF.papers[key].checks) == set(REGISTRY) - off


@pytest.mark.parametrize("key", PAPERS)
def test_starter_limits(key: str) -> None:
    """Limits that differ by surface are those of the starter table."""
    limits = {name: one.model_dump() for name, one in SHELF.papers[key].checks.items()}
    resolution, halo, contrast, clipping = LIMITS[key]
    assert (limits["resolution"]["reject_below"], limits["resolution"]["warn_below"]) == resolution
    assert (limits["oversharpening"]["reject_above"], limits["oversharpening"]["warn_above"]) == halo
    assert limits["oversharpening"]["share"] == 50
    assert (limits["contrast"]["lost_above"], limits["contrast"]["level"]) == contrast
    set_limits = {
        name: value for name, value in limits["clipping"].items() if name.endswith("above") and value is not None
    }
    assert set_limits == {"edge_note_above": 10, **clipping}


@pytest.mark.parametrize("key", PAPERS)
def test_levels_common_to_all(key: str) -> None:
    """Facts reject, risks warn, matters of taste are notes: on every paper alike."""
    limits = {name: one.model_dump(mode="json") for name, one in SHELF.papers[key].checks.items()}
    assert {name: level for name, level in limits["profile"].items() if level == "reject"}.keys() == {
        "missing",
        "unreadable",
        "printer_class",
    }
    assert (limits["profile"]["display"], limits["profile"]["demonstration"], limits["profile"]["declared_only"]) == (
        "warn",
        "warn",
        "note",
    )
    assert limits["whole"]["unmeasurable"] == "reject"
    assert limits["oversharpening"]["unmeasurable"] == "note"
    assert (limits["layers"]["transparency"], limits["layers"]["pages"]) == ("reject", "reject")
    assert (limits["brightness"]["above_black"], limits["brightness"]["headroom"]) == (12, 0.5)


def test_a_deckled_edge_has_room() -> None:
    """Deckled: the border is at least 20 mm from the shallowest point (common practice, no source)."""
    deckled = [paper for paper in SHELF.papers.values() if paper.edge == "deckled"]
    assert [paper.key for paper in deckled] == ["kozo"]
    assert all((paper.border.width or 0) >= 20 for paper in deckled)


def test_the_folder_beside_the_package() -> None:
    """`rules` at the top of the repository is the package's own folder, not a copy."""
    top = RULES.parents[1] / "rules"
    assert not top.exists() or top.resolve() == RULES.resolve()


def test_the_guide_names_every_key() -> None:
    """The guide in rules/ has a line for every key of a paper."""
    guide = (RULES / "README.md").read_text("utf-8")
    assert [name for name in Paper.model_fields if f"`{name}`" not in guide] == []


def test_every_limit_is_explained() -> None:
    """Each line under `checks` of a rule file carries a comment: it is the photographer's documentation."""
    for path in RULES.glob("_*.yaml"):
        text = path.read_text("utf-8")
        after = text.split("\nchecks:\n", 1)[1].split("\n")
        bare = [line for line in after if ":" in line and not line.rstrip().endswith(":") and "#" not in line]
        assert bare == [], path.name


def test_other_readers_agree() -> None:
    """An ordinary YAML reader finds the same keys: the files are plain YAML."""
    for path in RULES.glob("*.yaml"):
        tree = yaml.load(path.read_bytes(), Loader=yaml.BaseLoader)
        assert isinstance(tree, dict), path.name
        assert set(tree) <= set(Paper.model_fields), path.name
