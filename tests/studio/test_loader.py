"""The shelf: extending, reloading, and the last good paper that stays in force."""

from __future__ import annotations

import json
import os
from collections.abc import Callable
from pathlib import Path

import pytest

from printqueue.core.yaml.plain_yaml import MAX_BYTES
from printqueue.studio.papers.loader import MAX_FILES, MAX_TOTAL_BYTES, Shelf

BASE = "surface: baryta\nprofile: plain.icc\nsizes: [A4, A3]\nprint: {ppi: 300, lift: 1/3 stop}\n"


@pytest.fixture
def rules(tmp_path: Path) -> Path:
    """A rules folder with one base and one paper."""
    write(tmp_path, "_base", BASE)
    write(tmp_path, "plain", "extends: _base\npaper: Plain\n")
    return tmp_path


def write(folder: Path, stem: str, text: str) -> Path:
    """Write one rule file."""
    path = folder / f"{stem}.yaml"
    path.write_text(text, encoding="utf-8")
    return path


def said(shelf: Shelf) -> str:
    """All problems of a shelf, one a line."""
    return "\n".join(str(problem) for problem in shelf.problems)


def test_a_base_is_no_paper(rules: Path) -> None:
    """Only files without a leading underscore are papers; their stem is the key."""
    shelf = Shelf.load(rules)
    assert list(shelf.papers) == ["plain"]
    assert shelf.papers["plain"].key == "plain"
    assert shelf.problems == ()


def test_the_nearer_file_wins(rules: Path) -> None:
    """Mappings merge key by key, lists and texts replace, `off` replaces limits and limits replace `off`."""
    write(
        rules,
        "_base",
        BASE
        + "checks:\n  resolution: {reject_below: 150 ppi, warn_below: 240 ppi}\n  size: off\n  profile: {missing: warn}\n",
    )
    write(rules, "near", "extends: _base\npaper: Near\nsizes: [A2]\nprint: {ppi: 360}\n"
          "checks:\n  resolution: {warn_below: 200 ppi}\n  size: {margin: note}\n  profile: off\n")  # fmt: skip
    near = Shelf.load(rules).papers["near"]
    assert [size.name for size in near.sizes] == ["A2"]
    assert (near.print.ppi, near.print.lift) == (360, 1 / 3)
    limits = near.checks["resolution"].model_dump()
    assert (limits["reject_below"], limits["warn_below"]) == (150, 200)
    assert near.checks["size"].model_dump()["margin"] == "note"
    assert "profile" not in near.checks


@pytest.mark.parametrize(
    ("farther", "nearer", "result"),
    [
        ("{style: weighted, width: 2 cm}", "{width: 3 cm}", ("weighted", 30, None)),
        (
            "{style: weighted, width: 2 cm}",
            "{top: 1 cm, right: 1 cm, bottom: 2 cm, left: 1 cm}",
            ("given", None, (10, 10, 20, 10)),
        ),
        ("{top: 1 cm, right: 1 cm, bottom: 2 cm, left: 1 cm}", "{style: even}", ("even", None, None)),
        ("{top: 1 cm, right: 1 cm, bottom: 2 cm, left: 1 cm}", "{top: 3 cm}", ("given", None, (30, 10, 20, 10))),
    ],
)
def test_borders_extend(rules: Path, farther: str, nearer: str, result: tuple[object, object, object]) -> None:
    """A border of the other kind replaces the extended one; one of the same kind completes it."""
    write(rules, "far", f"extends: _base\npaper: Far\nborder: {farther}\n")
    write(rules, "near", f"extends: far\npaper: Near\nborder: {nearer}\n")
    border = Shelf.load(rules).papers["near"].border.border()
    assert (border.style, border.width_mm, border.sides_mm) == result


def test_errors_name_the_file_they_stand_in(rules: Path) -> None:
    """A mistake in a base is reported once, at its own place, however many papers extend it."""
    write(rules, "_base", BASE + "grammage: 300\n")
    write(rules, "other", "extends: _base\npaper: Other\nedge: torn\n")
    assert said(Shelf.load(rules)).split("\n") == [
        "_base.yaml, line 5, grammage: '300' has no unit; write '300 gsm'.",
        "other.yaml, line 3, edge: 'torn' is not possible here. Write 'cut' or 'deckled'.",
    ]


@pytest.mark.parametrize(
    ("files", "words"),
    [
        (
            {"a": "extends: b\n", "b": "extends: a\n"},
            "a.yaml, line 1, extends: the files extend each other in a circle (b → a → b).",
        ),
        ({"a": "x: 1\nextends: a\n"}, "a.yaml, line 2, extends: the files extend each other in a circle (a → a)."),
        ({"a": "extends: _bse\n"}, "there is no '_bse.yaml' in rules/. Did you mean '_base'?"),
        ({"a": "extends: ../../etc/passwd\n"}, "this is no rule name"),
        ({"a": "extends: [_base]\n"}, "this is no rule name"),
        ({"a": "extends: _Base\n"}, "this is no rule name"),
        (
            {
                "a": "extends: b\n",
                "b": "extends: c\n",
                "c": "extends: d\n",
                "d": "extends: e\n",
                "e": "extends: _base\n",
            },
            "more than 4 files",
        ),
    ],
)
def test_chains_that_do_not_hold(rules: Path, files: dict[str, str], words: str) -> None:
    """Circles, unknown names, paths and long chains are refused; papers beside them are not touched."""
    for stem, text in files.items():
        write(rules, stem, text)
    shelf = Shelf.load(rules)
    assert words in said(shelf)
    assert "plain" in shelf.papers
    assert "a" not in shelf.papers


def test_four_in_a_row(rules: Path) -> None:
    """A chain of four extensions is read to its end."""
    for stem, target in (("a", "b"), ("b", "c"), ("c", "_d"), ("_d", "_base")):
        write(rules, stem, f"extends: {target}\npaper: {stem}\n")
    assert Shelf.load(rules).papers["a"].profile == "plain.icc"


def test_rules_text_is_canonical(rules: Path) -> None:
    """The kept text is the merged rules: same rules, same text, whatever the order, comments and files."""
    write(rules, "one", "extends: _base\npaper: Same\nprint: {ppi: 360}\n")
    write(
        rules,
        "two",
        "# a comment\npaper: Same\nsizes: [A4,   A3]\nprofile: plain.icc\nsurface: baryta\nprint: {lift: 1/3 stop, ppi: '360'}\n",
    )
    papers = Shelf.load(rules).papers
    assert papers["one"].rules_text == papers["two"].rules_text
    assert papers["one"].rules_text != papers["plain"].rules_text
    assert json.loads(papers["one"].rules_text) == {
        "paper": "Same", "surface": "baryta", "profile": "plain.icc", "sizes": ["A4", "A3"],
        "print": {"ppi": "360", "lift": "1/3 stop"},
    }  # fmt: skip


def test_reload_when_something_changed(rules: Path) -> None:
    """A changed, a new and a removed file are noticed; an untouched folder costs no reading."""
    shelf = Shelf.load(rules)
    before = shelf.papers["plain"]
    assert not shelf.refresh()
    assert shelf.papers["plain"] is before
    write(rules, "plain", "extends: _base\npaper: Plainer\n")
    write(rules, "new", "extends: _base\npaper: New\n")
    assert shelf.refresh()
    assert {key: paper.paper for key, paper in shelf.papers.items()} == {"new": "New", "plain": "Plainer"}
    (rules / "new.yaml").unlink()
    assert shelf.refresh()
    assert list(shelf.papers) == ["plain"]
    assert before.paper == "Plain", "a paper once read never changes"


def test_same_size_and_time_but_another_file(rules: Path) -> None:
    """A file replaced by one of the same length and time stamp is another file."""
    path = rules / "plain.yaml"
    shelf, seen = Shelf.load(rules), path.stat()
    other = write(rules, "other", "extends: _base\npaper: Plaid\n")
    os.utime(other, ns=(seen.st_atime_ns, seen.st_mtime_ns))
    other.replace(path)
    assert path.stat().st_size == seen.st_size
    assert shelf.refresh()
    assert shelf.papers["plain"].paper == "Plaid"


@pytest.mark.parametrize(
    "broken", ["paper: [", "extends: _base\npaper: X\ngrammage: 300\n", "", "\x00", "extends: nowhere\n"]
)
def test_broken_leaves_the_last_good(rules: Path, broken: str) -> None:
    """A file that breaks leaves its last good paper in force and is listed; put right, it counts again."""
    shelf = Shelf.load(rules)
    good = shelf.papers["plain"]
    path = write(rules, "plain", broken)
    assert shelf.refresh()
    assert shelf.papers["plain"] is good
    assert "plain.yaml" in said(shelf)
    assert shelf.outdated == ("plain",)
    assert not shelf.refresh(), "said once, not at every look"
    path.write_text("extends: _base\npaper: Better\n")
    assert shelf.refresh()
    assert shelf.papers["plain"].paper == "Better"
    assert not shelf.problems
    assert not shelf.outdated


def test_a_broken_base_leaves_all_its_papers(rules: Path) -> None:
    """When the base breaks, every paper that extends it stays as it was."""
    write(rules, "second", "extends: _base\npaper: Second\n")
    shelf = Shelf.load(rules)
    before = dict(shelf.papers)
    write(rules, "_base", BASE + "surfaces: baryta\n")
    shelf.refresh()
    assert dict(shelf.papers) == before
    assert len(shelf.problems) == 1
    assert "Did you mean 'surface'?" in said(shelf)


def test_broken_from_the_start(rules: Path) -> None:
    """A paper that was never good is not on the shelf; the others are."""
    write(rules, "bad", "paper: Bad\n")
    shelf = Shelf.load(rules)
    assert list(shelf.papers) == ["plain"]
    assert {problem.key for problem in shelf.problems} == {"surface", "profile", "sizes"}


def test_the_folder_goes_and_comes_back(rules: Path) -> None:
    """While rules/ cannot be seen, the papers stay and the reason is said; back again, all is well."""
    shelf = Shelf.load(rules)
    away = rules.with_name("away")
    rules.rename(away)
    assert shelf.refresh()
    assert list(shelf.papers) == ["plain"]
    assert "cannot be read" in said(shelf)
    assert not shelf.refresh(), "said once, not at every look"
    away.rename(rules)
    assert shelf.refresh()
    assert shelf.problems == ()


def test_no_folder_at_all(tmp_path: Path) -> None:
    """Without a rules folder there are no papers, and the shelf says so instead of failing."""
    shelf = Shelf.load(tmp_path / "nowhere")
    assert (dict(shelf.papers), len(shelf.problems)) == ({}, 1)


def test_only_regular_files(rules: Path, tmp_path_factory: pytest.TempPathFactory) -> None:
    """Links, folders and FIFOs are named and never opened to the end; hidden and foreign files are passed over."""
    outside = write(tmp_path_factory.mktemp("outside"), "secret", "extends: _base\npaper: Secret\n")
    (rules / "link.yaml").symlink_to(outside)
    (rules / "folder.yaml").mkdir()
    os.mkfifo(rules / "fifo.yaml")
    (rules / ".hidden.yaml").write_text("nonsense: [")
    (rules / "README.md").write_text("words")
    (rules / "plain.yaml~").write_text("nonsense: [")
    shelf = Shelf.load(rules)
    assert list(shelf.papers) == ["plain"]
    assert sorted(problem.file for problem in shelf.problems) == ["fifo.yaml", "folder.yaml", "link.yaml"]
    assert "symbolic link" in said(shelf)


@pytest.mark.parametrize(
    "name",
    ["Plain Two.yaml", "UPPER.yaml", "a_b.yaml", "é.yaml", "-a.yaml", "a.b.yaml", "other.yml", "x" * 80 + ".yaml"],
)
def test_names_that_cannot_be_keys(rules: Path, name: str) -> None:
    """A rule file whose name cannot be a folder and a key is named with what to do, and not read."""
    (rules / name).write_text("extends: _base\npaper: Other\n")
    shelf = Shelf.load(rules)
    assert list(shelf.papers) == ["plain"]
    assert "Rename it" in said(shelf)


def test_names_that_are_no_text(rules: Path) -> None:
    """A file name of bytes that are no UTF-8 is shown as escapes."""
    with open(os.fsencode(rules) + b"/a\xff\x1b.yaml", "wb") as file:
        file.write(b"paper: X\n")
    assert "a\\xff\\x1b.yaml" in said(Shelf.load(rules))


def test_a_large_file(rules: Path) -> None:
    """A file above 64 KiB is named and not read; the papers beside it are."""
    write(rules, "large", "# " + "x" * 70_000)
    shelf = Shelf.load(rules)
    assert "larger than 64 KiB" in said(shelf)
    assert list(shelf.papers) == ["plain"]


def fill_with_files(folder: Path) -> None:
    """More files than a rules folder may hold."""
    for number in range(MAX_FILES):
        (folder / f"zz{number}.yaml").touch()


def fill_with_bytes(folder: Path) -> None:
    """More bytes than a rules folder may hold."""
    for number in range(MAX_TOTAL_BYTES // MAX_BYTES):
        write(folder, f"zz{number}", "#" * MAX_BYTES)


@pytest.mark.parametrize("fill", [fill_with_files, fill_with_bytes])
def test_a_flooded_folder(rules: Path, fill: Callable[[Path], None]) -> None:
    """A folder of too many files or bytes is not read at all: the papers read before stay, and the reason is said."""
    shelf = Shelf.load(rules)
    good = shelf.papers["plain"]
    fill(rules)
    assert shelf.refresh()
    assert shelf.papers["plain"] is good
    assert f"more than {MAX_FILES} rule files or 1024 KiB" in said(shelf)
    assert dict(Shelf.load(rules).papers) == {}
    for path in rules.glob("zz*"):
        path.unlink()
    assert shelf.refresh()
    assert (list(shelf.papers), shelf.problems) == (["plain"], ())
