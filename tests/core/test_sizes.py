"""Sheet sizes against the table of standards, and what counts as a size in a folder name."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from printqueue.core.sizes import MAX_MM, MIN_MM, NAMED, SizeError, is_size, listed, looks_like_size, parse, same
from printqueue.core.units import pixels

TABLE = list(
    csv.DictReader((Path(__file__).parents[1] / "references" / "paper_sizes.csv").read_text("utf-8").splitlines())
)
SPELLINGS = {
    "ANSI A / Letter": ["ANSI A", "Letter"],
    "ANSI B / Tabloid": ["ANSI B", "Tabloid"],
    "Super B / A3+ (metric label)": ["Super B", "A3+"],
}
NAMES = [(name, row) for row in TABLE for name in SPELLINGS.get(row["name"], [row["name"]])]


@pytest.mark.parametrize(("name", "row"), NAMES, ids=[name for name, _ in NAMES])
def test_sizes_and_pixels_of_the_table(name: str, row: dict[str, str]) -> None:
    """Each sheet of the table (ISO 216, ANSI, inch, metric label) has its mm, and its pixels at 240, 300 and 360 ppi."""
    size = parse(name)
    assert [size.width_mm, size.height_mm] == pytest.approx([float(row["w_mm"]), float(row["h_mm"])])
    for ppi in (240, 300, 360):
        expected = int(row[f"w_px_{ppi}"]), int(row[f"h_px_{ppi}"])
        assert (pixels(size.width_mm, ppi), pixels(size.height_mm, ppi)) == expected


def test_the_table_is_whole() -> None:
    """All 22 ISO sheets are in the table and among the names, so that the test above cannot pass by being empty."""
    iso = {row["name"] for row in TABLE if row["family"].startswith("ISO 216")}
    assert iso == {f"{series}{number}" for series in "AB" for number in range(11)}
    assert iso <= NAMED.keys()


@pytest.mark.parametrize("series", ["A", "B"])
def test_iso_halves(series: str) -> None:
    """ISO 216: each sheet is the one before, folded in half, rounded down to whole mm."""
    for number in range(10):
        big, small = NAMED[f"{series}{number}"], NAMED[f"{series}{number + 1}"]
        assert (small.width_mm, small.height_mm) == (big.height_mm // 2, big.width_mm)


@pytest.mark.parametrize(
    ("text", "name", "width_mm", "height_mm"),
    [
        ("a3", "A3", 297, 420),
        (" A3 ", "A3", 297, 420),
        ("a3+", "A3+", 329, 483),
        ("letter", "Letter", 215.9, 279.4),
        ("300x400 mm", "300x400 mm", 300, 400),
        ("300x400mm", "300x400 mm", 300, 400),
        ("300 x 400 mm", "300x400 mm", 300, 400),
        ("300×400 mm", "300x400 mm", 300, 400),
        ("40x30 cm", "40x30 cm", 400, 300),
        ("8.5x11 in", "8.5x11 in", 215.9, 279.4),
        ("29.7x42 cm", "29.7x42 cm", 297, 420),
    ],
)
def test_spellings(text: str, name: str, width_mm: float, height_mm: float) -> None:
    """Case, spaces and the cross may vary; the name becomes the usual one and is safe as a folder's name."""
    size = parse(text)
    assert size.name == name
    assert [size.width_mm, size.height_mm] == pytest.approx([width_mm, height_mm])
    assert parse(size.name) == size, "a size's name reads as the same size"


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("A11", "Did you mean 'A1'?"),
        ("Leter", "Did you mean 'Letter'?"),
        ("30x40", "has no unit; write '30x40 mm'"),
        ("29,7x42 cm", "for example '29.7x42 cm'"),
        ("30 cm x 40 cm", "one unit at the end"),
        ("30x40 px", "one unit at the end"),
        ("5x5 mm", "out of range"),
        ("0x400 mm", "out of range"),
        ("99999x300 mm", "out of range"),
        ("-30x40 cm", "is no size"),
        ("300x400x2 mm", "is no size"),
        ("٣٠x٤٠ cm", "is no size"),
        ("1e2x300 mm", "is no size"),
        ("", "is no size"),
        ("../A3", "is no size"),
        ("A3/..", "is no size"),
        ("x" * 100_000, "is no size"),
        ("1" * 100_000 + "x1 mm", "is no size"),
    ],
)
def test_refused_with_a_way_out(text: str, words: str) -> None:
    """What is no size is refused with the nearest name or the form to write."""
    with pytest.raises(SizeError, match=r"^.{1,300}$") as caught:
        parse(text)
    assert words in str(caught.value)
    assert not is_size(text)


def test_meant_as_a_size() -> None:
    """A folder '30x40' is a size without its unit, not a group: it must be answered, not printed at another size."""
    assert all(
        looks_like_size(text)
        for text in ("A3", "A33", "a9", "B22", "30x40", "30 x 40", "29,7x42", "8x10in", '8x10"', "30cm x 40cm")
    )
    assert all(looks_like_size(text) for text in ("A 2", "A2b", "a3_", "A-4", "Leter", "tabliod"))
    assert not any(
        looks_like_size(text)
        for text in ("Fog", "2024", "4x4 tour", "x", "A3 proofs", "#3", "", "Later", "Latter", "Boats", "A2 framed")
    )


def test_the_same_sheet() -> None:
    """Names and orientation do not make a different sheet; 1.2 mm do."""
    assert same(parse("A3"), parse("420x297 mm"))
    assert same(parse("8x10 in"), parse("254x203.2 mm"))
    assert not same(parse("A3+"), parse("13x19 in"))
    assert listed(parse("42x29.7 cm"), [parse("A4"), parse("A3")])
    assert not listed(parse("A2"), [parse("A4"), parse("A3")])


SIDE = st.decimals(min_value=int(MIN_MM), max_value=9999, places=2).map(lambda side: f"{side:f}")


@given(SIDE, SIDE)
def test_any_size_reads_back(width: str, height: str) -> None:
    """Every size within the range comes back with its own sides from its own name, which holds no slash."""
    size = parse(f"{width} x {height}mm")
    assert (size.width_mm, size.height_mm) == (float(width), float(height))
    assert size.long_mm <= MAX_MM
    assert parse(size.name) == size
    assert "/" not in size.name


@given(st.text(max_size=50))
def test_any_text_is_answered(text: str) -> None:
    """A text is a size with a safe name or is refused: nothing else can happen."""
    if is_size(text):
        assert looks_like_size(text)
        assert not set(parse(text).name) & set("/\\\0")
