"""`check` and `render`: the contract's keys, the exit codes, and not a byte changed."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
import tifffile

from tests.cli.support import HOSTILE, NOT_UTF8, SMALL_SHEET, assert_plain, picture, run, tree

# The contract, key by key.
KEYS = ["file", "paper", "size", "print", "verdict", "findings", "measurements", "error"]
FINDING = ["check", "level", "measured", "limit", "unit", "says", "do", "allowed"]
TINY = "Mark\x1b[31m.tif"
FITS = ("--paper", "smooth-rag", "--size", SMALL_SHEET)


@pytest.fixture(scope="module")
def pictures(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A good picture under a plain and under hostile names, one of far too few pixels, a text that is called a picture, and no more."""
    folder = tmp_path_factory.mktemp("pictures")
    good = picture(folder / "Slipway.tif")
    shutil.copy(good, folder / HOSTILE)
    shutil.copy(good, folder / NOT_UTF8)
    picture(folder / TINY, 90, 60)
    (folder / "Fog.tif").write_text("no picture at all\n")
    return folder


def test_json(first_studio: Path, pictures: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """One object per file with exactly the contract's keys; the highest code; studio and pictures untouched."""
    before = tree(first_studio), tree(pictures)
    names = [str(pictures / name) for name in ("Slipway.tif", HOSTILE, NOT_UTF8, "Fog.tif", "nowhere.tif")]
    ran = run(capsys, "-C", str(first_studio), "check", *names, *FITS, "--json")
    assert ran.code == 2
    assert (tree(first_studio), tree(pictures)) == before
    assert_plain(ran.out)
    assert [list(one) for one in ran.json] == [KEYS] * 5
    assert {tuple(finding) for one in ran.json for finding in one["findings"]} == {tuple(FINDING)}
    assert {finding["level"] for one in ran.json for finding in one["findings"]} <= {"reject", "warn", "note", "pass"}
    assert [one["verdict"] for one in ran.json] == ["accepted", "accepted", "accepted", "turned-back", None]
    good, hostile, undecodable, text, nowhere = ran.json
    assert good["findings"] == hostile["findings"] == undecodable["findings"]
    assert "\\x1b[31m\\u202e" in hostile["file"]
    assert "net\\xff.tif" in undecodable["file"]
    assert [finding["check"] for finding in text["findings"]] == ["whole"]
    assert "no regular file" in nowhere["error"]


def test_print_rectangle(first_studio: Path, pictures: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """`print` is the picture's rectangle and the source's ppi there: 3:2 inside 120x90 mm less 25 mm all round."""
    ran = run(capsys, "-C", str(first_studio), "check", str(pictures / "Slipway.tif"), *FITS, "--json")
    assert ran.code == 0
    printed = ran.json[0]["print"]
    assert list(printed) == ["width_mm", "height_mm", "ppi"]
    # the space is 70 x 40 mm; a picture of 3:2 in it is 60 x 40 mm, and 600 px over 40 mm are 381 ppi
    assert printed["width_mm"] == pytest.approx(60, abs=0.2)
    assert printed["height_mm"] == pytest.approx(40, abs=0.2)
    assert printed["ppi"] == pytest.approx(600 / 40 * 25.4, abs=2)


def test_turned_back(first_studio: Path, pictures: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Too few pixels: exit 1, and each finding in one plain line, the worst first, with what to do."""
    ran = run(capsys, "-C", str(first_studio), "check", str(pictures / TINY), *FITS)
    assert ran.code == 1
    assert_plain(ran.out)
    first, heading, *lines = ran.out.rstrip("\n").split("\n")
    assert "TURNED BACK for smooth-rag, 120x90 mm (60 × 40 mm at 38 ppi): 1 reject, " in first
    assert heading == "level\tcheck\tmeasured, limit, what to do"
    assert lines[0].startswith("reject\tresolution\t")
    levels = [line.split("\t")[0] for line in lines]
    assert levels == sorted(levels, key=["reject", "warn", "note", "pass"].index)
    assert levels.count("pass") == 1
    assert "vignette, whole" in lines[-1]


def test_several(first_studio: Path, pictures: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Of several files the last line counts what became of them."""
    names = [str(pictures / name) for name in ("Slipway.tif", TINY, "nowhere.tif")]
    ran = run(capsys, "-C", str(first_studio), "check", *names, *FITS)
    assert ran.out.endswith("\n3 files: 1 accepted, 1 turned back, 1 not judged.\n")


def test_words_for_one_file_per_line(first_studio: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A file that is not there is said once, with exit 2, and gets no verdict."""
    ran = run(capsys, "-C", str(first_studio), "check", "nowhere\x1b[2J.tif", *FITS)
    assert ran.code == 2
    assert ran.out.count("nowhere\\x1b[2J.tif") >= 1
    assert_plain(ran.out + ran.err)


@pytest.mark.parametrize("size", ["A33", "30x", "-5x5 mm"])
def test_bad_size(size: str, first_studio: Path, pictures: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A size that is none exits 2 before anything is judged."""
    words = ("check", str(pictures / "Slipway.tif"), "--paper", "baryta", f"--size={size}")
    ran = run(capsys, "-C", str(first_studio), *words)
    assert (ran.code, ran.out) == (2, "")
    assert size in ran.err


def test_render(first_studio: Path, pictures: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """An accepted picture becomes one print file and nothing else; a name that is taken is never written over."""
    before = tree(first_studio), tree(pictures)
    out = tmp_path / "print.tif"
    words = ("-C", str(first_studio), "render", str(pictures / "Slipway.tif"), *FITS, "-o", str(out))
    assert run(capsys, *words).code == 0
    assert [path.name for path in tmp_path.iterdir()] == ["print.tif"]
    # 120 x 90 mm at 360 ppi: round(mm / 25.4 * ppi)
    assert tifffile.imread(out).shape == (1276, 1701, 3)
    kept = out.read_bytes()
    ran = run(capsys, *words)
    assert ran.code == 2
    assert "exists already" in ran.err
    assert out.read_bytes() == kept
    assert (tree(first_studio), tree(pictures)) == before


def test_render_turned_back(
    first_studio: Path, pictures: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """What is turned back leaves no file, not even a hidden one."""
    words = ("render", str(pictures / TINY), *FITS, "--json", "-o", str(tmp_path / "print.tif"))
    ran = run(capsys, "-C", str(first_studio), *words)
    assert ran.code == 1
    assert ran.json[0]["verdict"] == "turned-back"
    assert list(tmp_path.iterdir()) == []


def test_what_could_not_be_measured_is_one_row(
    first_studio: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Without a profile half of the checks have nothing to say: that is one row, after the one that matters."""
    bare = tmp_path / "Bare.tif"
    with tifffile.TiffFile(picture(tmp_path / "Slipway.tif")) as tiff:
        tifffile.imwrite(bare, tiff.asarray(), photometric="rgb")
    lines = run(capsys, "-C", str(first_studio), "check", str(bare), *FITS).out.splitlines()
    rows = [line.split("\t") for line in lines[2:]]
    assert rows[0][:2] == ["reject", "profile"]
    unmeasured = [row for row in rows if row[2].startswith("Not measured")]
    assert len(unmeasured) == 1
    assert "brightness" in unmeasured[0][2]


@pytest.mark.parametrize(
    ("orders", "code", "said"),
    [
        (["net.order.yml"], 0, ""),
        (["net.order.yml", "net.order.yaml"], 2, "2 orders stand for it"),
        (["net.order.txt"], 2, "net.order.txt"),
    ],
)
def test_the_order_beside_it(
    first_studio: Path,
    pictures: Path,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    orders: list[str],
    code: int,
    said: str,
) -> None:
    """`check` takes the order that the service would take; where the service would hold the picture it gives no verdict."""
    shutil.copy(pictures / "Slipway.tif", tmp_path / "net.tif")
    for order in orders:
        (tmp_path / order).write_text("size: 100x80 mm\n")
    ran = run(capsys, "-C", str(first_studio), "check", str(tmp_path / "net.tif"), "--paper", "smooth-rag", "--json")
    (one,) = ran.json
    assert ran.code == code
    assert said in (one["error"] or "")
    assert one["size"] == ("100x80 mm" if code == 0 else None)
