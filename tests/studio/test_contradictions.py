"""Limits that contradict each other: of every check that has two, alone, among other mistakes, and by way of `extends:`."""

from __future__ import annotations

import itertools
from pathlib import Path
from typing import Annotated

import pytest
from pydantic import Field

from printqueue.core.yaml.limits import Limits
from printqueue.core.yaml.plain_yaml import RulesError, read
from printqueue.core.yaml.quantity import Percent
from printqueue.judging.checks import REGISTRY
from printqueue.studio.papers.loader import Shelf

PLAIN = "paper: Plain\nsurface: smooth-matte\nprofile: plain.icc\nsizes: [A4]\n"
BELOW = ["reject_below", "warn_below", "note_below"]  # from the fewest to the most
ABOVE = ["note_above", "warn_above", "reject_above"]
UNITS = {"resolution": "ppi", "vignette": "L*"}


def _pairs() -> list[tuple[str, str, str]]:
    """(check, the limit that must be smaller, the one that must be larger) of all checks, from their fields."""
    found = []
    for name, check in REGISTRY.items():
        fields = list(check.limits.model_fields)
        for ladder in (BELOW, ABOVE):
            for low, high in itertools.combinations(ladder, 2):
                starts = {field.removesuffix(low) for field in fields if field.endswith(low)}
                found += [(name, start + low, start + high) for start in sorted(starts) if start + high in fields]
    return found


PAIRS = _pairs()


def _problems(folder: Path, **files: str) -> list[str]:
    for name, text in files.items():
        (folder / f"{name}.yaml").write_text(text)
    return [str(problem) for problem in Shelf.load(folder).problems]


def test_these_are_the_pairs() -> None:
    """Limits of two levels on one measure, in nine places of eight checks; a new one is found by its name."""
    assert sorted({name for name, _, _ in PAIRS}) == [
        "clipping", "compression", "fine-detail", "gamut", "oversharpening", "resolution", "softness", "vignette"
    ]  # fmt: skip
    assert len(PAIRS) == 9


@pytest.mark.parametrize(("check", "low", "high"), PAIRS)
def test_a_milder_limit_beyond_the_stricter_one(tmp_path: Path, check: str, low: str, high: str) -> None:
    """The wrong way round is refused at its line with both keys and values; the right way and the same value are not."""
    unit = UNITS.get(check, "%")
    text = PLAIN + "checks:\n  {}:\n    {}: {} {}\n    {}: {} {}\n"
    (said,) = _problems(tmp_path, plain=text.format(check, low, 22, unit, high, 20, unit))
    assert said.startswith(f"plain.yaml, line 8, checks.{check}.")
    for words in (low, high, f"22 {unit}", f"20 {unit}", "would ever be"):
        assert words in said
    assert _problems(tmp_path, plain=text.format(check, high, 22, unit, low, 20, unit)) == []
    assert _problems(tmp_path, plain=text.format(check, low, 22, unit, high, 22, unit)) == []


def test_all_of_a_file_at_once(tmp_path: Path) -> None:
    """Contradictions stand in one list with whatever else is wrong, also inside the same check."""
    text = (
        PLAIN
        + "sizess: [A4]\nchecks:\n  resolution:\n    warn_below: 200 ppi\n    reject_below: 220 ppi\n    nose: 3\n"
        "  clipping: {paper_warn_above: 1 %, paper_note_above: 5 %, black_warn_above: 10 %, black_note_above: 20 %}\n"
        "  gamut: {warn_above: 5, note_above: 10 %}\n"
    )
    said = _problems(tmp_path, plain=text)
    assert [line.partition(": ")[0] for line in said] == [
        "plain.yaml, line 5, sizess",
        "plain.yaml, line 9, checks.resolution.reject_below",
        "plain.yaml, line 10, checks.resolution.nose",
        "plain.yaml, line 11, checks.clipping.paper_note_above",
        "plain.yaml, line 11, checks.clipping.black_note_above",
        "plain.yaml, line 12, checks.gamut.warn_above",
    ]


def test_which_file_the_other_limit_comes_from(tmp_path: Path) -> None:
    """Where one of the two is inherited, the problem stands in the nearer file, whichever it says, and names the other."""
    base = PLAIN + "checks:\n  resolution:\n    reject_below: 150 ppi\n    warn_below: 240 ppi\n"
    stricter = "extends: _base\nchecks: {resolution: {reject_below: 300 ppi}}\n"
    milder = "extends: _base\n\nchecks: {resolution: {warn_below: 100 ppi}}\n"
    said = _problems(tmp_path, _base=base, stricter=stricter, milder=milder)
    assert [line.partition(": ")[0] for line in said] == [
        "milder.yaml, line 3, checks.resolution.warn_below",
        "stricter.yaml, line 2, checks.resolution.reject_below",
    ]
    assert "reject_below (150 ppi; _base.yaml, line 7)" in said[0]
    assert "warn_below (240 ppi; _base.yaml, line 8)" in said[1]


def test_of_a_base_it_is_said_once(tmp_path: Path) -> None:
    """A contradiction in a base stands there, once, however many papers extend it; none of them is in force."""
    base = PLAIN + "checks:\n  resolution: {reject_below: 220 ppi, warn_below: 200 ppi}\n"
    (said,) = _problems(tmp_path, _base=base, one="extends: _base\n", two="extends: _base\n")
    assert said.startswith("_base.yaml, line 6, checks.resolution.warn_below: ")
    assert Shelf.load(tmp_path).papers == {}


class BothSides(Limits):
    """Limits of a check that only this test knows: bounded on both sides."""

    grain_reject_below: Annotated[Percent | None, Field(description="less is turned back")] = None
    grain_note_above: Annotated[Percent | None, Field(description="more is noted")] = None


def test_from_both_sides_nothing_would_pass() -> None:
    """Where a check has limits on both sides, there must be room between them."""
    fine = read(b"grain_reject_below: 5 %\ngrain_note_above: 6 %\n", "fine.yaml")
    assert BothSides.from_tree(fine).grain_note_above == 6
    with pytest.raises(RulesError, match=r"grain_note_above.*6 %.*nothing would ever pass"):
        BothSides.from_tree(read(b"grain_reject_below: 6 %\ngrain_note_above: 6 %\n", "fine.yaml"))
