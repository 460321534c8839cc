"""`strip`, from the command line to the sheet on disk, through a real child."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile

from printqueue.studio.marker import MARK
from tests.cli.support import assert_plain, picture, run

pytestmark = pytest.mark.slow


def strip(capsys: pytest.CaptureFixture[str], studio: Path, file: str, *words: str) -> Any:
    """A strip for smooth rag; its answer as JSON."""
    ran = run(capsys, "-C", str(studio), "strip", file, "--paper", "smooth-rag", "--json", *words)
    assert ran.code == 0, ran.err
    return ran.json


def test_a_strip_and_its_note(studio: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Four lifts on the smallest sheet: right pixels beside each other, lighter from piece to piece; the note says what to paste."""
    file = picture(tmp_path / "Slipway.tif")
    made = strip(capsys, studio, file, "--size", "A4")
    assert [round(piece["lift_stops"], 3) for piece in made["pieces"]] == [-0.333, 0, 0.333, 0.667]
    assert made["sheet"] == "A5"
    out = studio / "strips" / "smooth-rag" / "Slipway.tif"
    assert made["output"] == str(out)
    with tifffile.TiffFile(out) as tiff:
        page = tiff.pages.first
        pixels = page.asarray()
        assert page.tags[34675].value == (studio / "profiles" / "smooth-rag.icc").read_bytes()
        assert page.tags[282].value == (360, 1)
    assert sorted(pixels.shape[:2]) == [2098, 2976]  # 148 × 210 mm at 360 ppi
    inked = (pixels < 60000).all(axis=-1)
    columns = np.flatnonzero(inked.mean(axis=0) > 0.3)
    rows = np.flatnonzero(inked.mean(axis=1) > 0.5)
    pieces = [
        pixels[block[0] : block[-1], band[0] : band[-1]].mean()
        for block in np.split(rows, np.flatnonzero(np.diff(rows) > 1) + 1)
        for band in np.split(columns, np.flatnonzero(np.diff(columns) > 1) + 1)
    ]
    assert len(pieces) == 4
    assert pieces == sorted(pieces)
    assert pieces[3] > pieces[0] * 1.1
    note = (studio / "strips" / "smooth-rag" / "Slipway.strip.txt").read_text("utf-8")
    assert_plain(note)
    for said in (
        "DEMONSTRATION PROFILE",
        "Piece 3   lift: 1/3 stop",
        "Slipway.order.yaml",
        "matte cotton, heavy",
        "in the light it will hang in",
        "ΔE76",
    ):
        assert said in note
    assert not list((studio / "strips" / "smooth-rag").glob(".*"))


def test_a_second_strip_overwrites_nothing(studio: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """It takes the next number, its note with it; intents stand in rows."""
    file = picture(tmp_path / "Slipway.tif")
    first = Path(strip(capsys, studio, file, "--size", "A4", "--lifts", "0,1/3")["output"])
    before = first.read_bytes()
    second = strip(capsys, studio, file, "--size", "A4", "--lifts", "0,1/3", "--intents", "relative,perceptual")
    assert Path(second["output"]).name == "Slipway (2).tif"
    assert (first.parent / "Slipway (2).strip.txt").exists()
    assert first.read_bytes() == before
    assert [piece["intent"] for piece in second["pieces"]] == ["relative", "relative", "perceptual", "perceptual"]


def test_one_intent_that_is_not_the_papers_own(
    studio: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """It is among the lines to paste; what the file says of its making is words, not code."""
    file = picture(tmp_path / "Slipway.tif")
    made = strip(capsys, studio, file, "--size", "A4", "--lifts", "0,1/3", "--intents", "perceptual")
    out = Path(made["output"])
    assert "Piece 2   lift: 1/3 stop, intent: perceptual\n" in out.with_suffix(".strip.txt").read_text("utf-8")
    with tifffile.TiffFile(out) as tiff:
        said = str(tiff.pages.first.tags[270].value)
    assert "its pieces: 0 stop perceptual, 0.3333 stop perceptual; its part: chosen by its tones" in said
    assert "(lift" not in said


def test_the_same_strip_has_the_same_bytes(studio: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """No clock is in it; and a part in percent is the same part in pixels."""
    file = picture(tmp_path / "Slipway.tif")
    one, two = (strip(capsys, studio, file, "--size", "A4", "--lifts=0", "--crop=10%,20%,30%,30%") for _ in range(2))
    assert Path(one["output"]).read_bytes() == Path(two["output"]).read_bytes()
    assert one["part"] == two["part"]
    in_pixels = strip(capsys, studio, file, "--size", "A4", "--lifts=0", "--crop=90,120,270,180")
    assert in_pixels["part"] == one["part"]
    assert one["part"]["px"] == pytest.approx([90, 120, 270, 180], abs=1)


@pytest.mark.parametrize(
    ("words", "code", "says"),
    [
        (["--crop", "1,2,3"], 2, "--crop=10%,20%,30%,30%"),
        (["--crop", "10%,20,30,30"], 2, "no part of a picture"),
        (["--crop", "800,0,200,100"], 1, "900 × 600 px"),
        (["--lifts", "bright"], 2, "--lifts"),
        (["--lifts", "3"], 2, "-2 to +2 stops"),
        (["--intents", "pretty"], 2, "perceptual, relative"),
    ],
)
def test_what_cannot_be_made(
    words: list[str], code: int, says: str, studio: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """One sentence that says what to write; nothing is left behind."""
    file = picture(tmp_path / "Slipway.tif")
    ran = run(capsys, "-C", str(studio), "strip", file, "--paper", "smooth-rag", "--size", "A4", *words)
    assert ran.code == code
    assert says in ran.err
    assert not [path for path in (studio / "strips").rglob("*") if path.is_file() and path.name != MARK]


def test_a_picture_without_profile(studio: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """It is refused with what to do; with an order that assumes one beside it, it is made."""
    file = tmp_path / "Bare.tif"
    tifffile.imwrite(file, np.full((600, 900, 3), 30000, np.uint16), photometric="rgb")
    ran = run(capsys, "-C", str(studio), "strip", str(file), "--paper", "smooth-rag", "--size", "A4")
    assert ran.code == 1
    assert "assume_profile" in ran.err
    (tmp_path / "Bare.order.yaml").write_text("assume_profile: srgb\n")
    assert strip(capsys, studio, str(file), "--size", "A4")["sheet"] == "A5"
