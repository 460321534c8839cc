"""The demonstration printer profiles, as committed, against ICC.1, their own model, and two builds of lcms."""

import importlib
import os
import shutil
import struct
import subprocess
import sys
from functools import cache
from pathlib import Path
from types import ModuleType
from typing import Any

import imagecodecs
import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import ImageCms
from scipy.interpolate import RegularGridInterpolator
from scipy.spatial import ConvexHull, cKDTree

Array = NDArray[np.float64]

ROOT = Path(__file__).resolve().parents[3]
EXAMPLES = ROOT / "examples"
# Absolute L*a*b* (D50) of bare paper and full black that the papers state, and the surface's matte bit.
PAPERS = {
    "smooth-rag": ((96.5, 0.4, -1.8), (17.0, 0.0, 0.0), 2),
    "textured-rag": ((95.5, 0.6, 1.5), (19.0, 0.2, 0.3), 2),
    "baryta": ((97.0, 0.2, -1.0), (5.0, 0.0, 0.0), 0),
    "kozo": ((91.5, 1.0, 7.5), (24.0, 0.5, 2.0), 2),
}
PERCEPTUAL, RELATIVE, ABSOLUTE = 0, 1, 3  # ICC.1, rendering intents
BPC = 8192  # lcms, cmsFLAGS_BLACKPOINTCOMPENSATION
LAB = ImageCms.ImageCmsProfile(ImageCms.createProfile("LAB")).tobytes()
# ICC.1: what every profile needs, and what a colour printer profile needs
REQUIRED = {"desc", "cprt", "wtpt", "A2B0", "A2B1", "A2B2", "B2A0", "B2A1", "B2A2", "gamt"}

pytestmark = pytest.mark.parametrize("name", PAPERS)


@cache
def example(module: str) -> ModuleType:
    """A module of the examples folder, whose scripts import each other by bare name."""
    sys.path.insert(0, str(EXAMPLES))
    try:
        return importlib.import_module(module)
    finally:
        sys.path.remove(str(EXAMPLES))


@cache
def profile(name: str) -> bytes:
    """The committed profile."""
    return (ROOT / "printqueue/rules/profiles" / f"{name}.icc").read_bytes()


def model_lab(name: str, rgb: Array, *, absolute: bool = False) -> Array:
    """(n, 3) L*a*b* that the model prints for device RGB 0...1."""
    return np.asarray(example("make_profiles").forward_lab(name, rgb, absolute=absolute))


def to_lab(name: str, rgb: Any, intent: int = RELATIVE) -> Array:
    """(n, 3) device RGB 0...1 through the profile to L*a*b*, by lcms in floating point."""
    data = np.ascontiguousarray(rgb, np.float64)[None]
    spaces: dict[str, Any] = {"colorspace": "rgb", "outcolorspace": "lab", "outdtype": np.float64}
    return np.asarray(imagecodecs.cms_transform(data, profile(name), LAB, intent=intent, **spaces)[0])


def to_device(name: str, lab: Any, intent: int = RELATIVE, flags: int = 0) -> Array:
    """(n, 3) L*a*b* through the profile to device codes 0...65535, by lcms."""
    data = np.ascontiguousarray(lab, np.float64)[None]
    spaces: dict[str, Any] = {"colorspace": "lab", "outcolorspace": "rgb", "outdtype": np.uint16}
    codes = imagecodecs.cms_transform(data, LAB, profile(name), intent=intent, flags=flags, **spaces)[0]
    return np.asarray(codes, np.float64)


def transicc(rows: Any, *options: str) -> Array:
    """Rows of three numbers through Debian's lcms 2.14, a build apart from the one in imagecodecs."""
    tool = shutil.which("transicc")
    if tool is None:
        reason = "transicc is not installed (Debian package liblcms2-utils)"
        (pytest.fail if os.environ.get("PRINTQUEUE_REQUIRE_TOOLS") == "1" else pytest.skip)(reason)
    text = "\n".join(" ".join(f"{value:.6f}" for value in row) for row in rows) + "\n"
    done = subprocess.run([tool, "-n", *options], input=text, capture_output=True, text=True, timeout=30, check=True)
    return np.array([line.split() for line in done.stdout.splitlines() if line.strip()], np.float64)


def path_of(name: str) -> str:
    """Where the committed profile lies."""
    return str(ROOT / "printqueue/rules/profiles" / f"{name}.icc")


def delta_e(one: Array, two: Any) -> Array:
    """CIE 1976 colour difference."""
    return np.asarray(np.linalg.norm(one - np.asarray(two), axis=-1))


def greys(lightness: Any) -> Array:
    """Neutral L*a*b* of these lightnesses."""
    lightness = np.asarray(lightness, np.float64)
    return np.stack([lightness, 0 * lightness, 0 * lightness], -1)


def random_rgb(count: int) -> Array:
    """(count, 3) device values 0...1, the same in every run."""
    return np.random.default_rng(7).random((count, 3))


def tag_table(data: bytes) -> dict[str, tuple[int, int]]:
    """Signature -> (offset, size), read by ICC.1's layout and nothing of ours."""
    (count,) = struct.unpack_from(">I", data, 128)
    rows = [struct.unpack_from(">4sII", data, 132 + 12 * i) for i in range(count)]
    return {signature.decode("ascii"): (offset, size) for signature, offset, size in rows}


def test_header(name: str) -> None:
    """The header states an RGB to Lab printer profile of version 2.4 and no maker (ICC.1, header fields)."""
    data = profile(name)
    assert struct.unpack_from(">I", data, 0)[0] == len(data)
    assert data[8:12] == bytes.fromhex("02400000")
    assert data[12:24] == b"prtrRGB Lab "
    assert struct.unpack_from(">6H", data, 24) == (2026, 1, 1, 0, 0, 0)
    assert data[36:40] == b"acsp"
    assert data[48:56] == bytes(8), "manufacturer and model"
    assert struct.unpack_from(">Q", data, 56)[0] == PAPERS[name][2], "glossy or matte"
    assert data[68:80] == bytes.fromhex("0000F6D6 00010000 0000D32D"), "D50"
    assert data[84:128] == bytes(44), "profile ID and reserved bytes"


def test_tags(name: str) -> None:
    """Every required tag is there, aligned, inside the file, and shared or apart, never overlapping (ICC.1)."""
    data, table = profile(name), tag_table(profile(name))
    assert set(table) == REQUIRED
    blocks = sorted(set(table.values()))
    assert all(offset % 4 == 0 for offset, _ in blocks)
    ends = [offset + size for offset, size in blocks]
    assert all(end <= following for end, (following, _) in zip(ends, blocks[1:], strict=False))
    assert blocks[0][0] >= 132 + 12 * len(table)
    assert ends[-1] <= len(data)
    assert len(data) <= 500_000, "the wheel carries four of them"


def test_says_it_is_a_demonstration(name: str) -> None:
    """Another reader finds in description and copyright that no real sheet stands behind the profile."""
    opened = ImageCms.getOpenProfile(path_of(name))
    title = name.replace("-", " ")
    assert ImageCms.getProfileDescription(opened).strip() == f"DEMONSTRATION {title} (not for a real sheet)"
    wanted = ("synthesised by printqueue", "mit licence", "no real printer")
    assert all(words in ImageCms.getProfileCopyright(opened).lower() for words in wanted)


@pytest.fixture(scope="module")
def made_again(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder that the generator's command line has just filled."""
    outdir = tmp_path_factory.mktemp("profiles")
    script = str(EXAMPLES / "make_profiles.py")
    subprocess.run([sys.executable, script, str(outdir)], check=True, timeout=120, capture_output=True)
    return outdir


@pytest.mark.slow
def test_generator_makes_the_committed_bytes(name: str, made_again: Path) -> None:
    """Made anew by the command line, the profile has the committed bytes, and nothing else is left behind.

    Exact on purpose: the generator keeps to correctly rounded operations (seen equal with numpy 2.1 and 2.4
    and with all of numpy's vector units switched off).
    """
    assert (made_again / f"{name}.icc").read_bytes() == profile(name)
    assert {path.stem for path in made_again.iterdir()} == set(PAPERS)


def test_model_prints_what_the_paper_states(name: str) -> None:
    """Bare paper, full black and the six inks come out of the model as stated, to rounding (ICC.1 scaling)."""
    paper = example("paper_model").PAPERS[name]
    assert (paper.white, paper.black) == PAPERS[name][:2]
    corners = np.array([[1, 1, 1], [0, 1, 1], [1, 0, 1], [1, 1, 0], [1, 0, 0], [0, 1, 0], [0, 0, 1], [0, 0, 0]])
    stated = [paper.white, paper.cyan, paper.magenta, paper.yellow]
    stated += [paper.red, paper.green, paper.blue, paper.black]
    assert delta_e(model_lab(name, corners.astype(float), absolute=True), stated).max() < 1e-9


def test_model_is_yule_nielsen_neugebauer(name: str) -> None:
    """The model equals the textbook formula, (sum of weight x XYZ^(1/n))^n, Demichel's weights written out."""
    pm = example("paper_model")
    model, rgb = pm.model(name), random_rgb(50)
    ink = model._coverages(1 - rgb)[0]
    weights = np.ones((50, 8))
    for corner in range(8):
        for i, bit in enumerate((4, 2, 1)):
            weights[:, corner] *= ink[:, i] if corner & bit else 1 - ink[:, i]
    xyz = (weights @ pm.lab_to_xyz(model.paper.corners()) ** 0.5) ** 2
    ratio = xyz / pm.lab_to_xyz(np.array(model.paper.white))
    f = np.where(ratio > 216 / 24389, np.cbrt(ratio), (24389 / 27 * ratio + 16) / 116)  # CIE 15
    lab = np.stack([116 * f[:, 1] - 16, 500 * (f[:, 0] - f[:, 1]), 200 * (f[:, 1] - f[:, 2])], -1)
    assert delta_e(model.forward(rgb), lab).max() < 1e-9


def test_printed_colour_follows_the_model(name: str) -> None:
    """A2B through lcms is the model's colour (measured: mean dE76 0.01 to 0.03, most 0.19)."""
    rgb = random_rgb(4000)
    error = delta_e(to_lab(name, rgb), model_lab(name, rgb))
    assert error.mean() < 0.05
    assert error.max() < 0.3
    assert delta_e(to_lab(name, rgb, PERCEPTUAL), to_lab(name, rgb)).max() < 0.01, "one table for all intents"


def test_printed_colour_in_another_build(name: str) -> None:
    """A2B through lcms 2.14 is the model's colour too, paper and full black included."""
    rgb = np.concatenate([random_rgb(60), [[1, 1, 1], [0, 0, 0]]])
    got = transicc(rgb * 255, "-i", path_of(name), "-o", "*Lab", "-t3")
    assert delta_e(got, model_lab(name, rgb, absolute=True)).max() < 0.3


def test_round_trip_in_gamut(name: str) -> None:
    """B2A1 finds the RGB of a printable colour (measured: mean dE76 0.08 to 0.13, 99 % 0.88, most 1.63)."""
    lab = model_lab(name, random_rgb(20000))
    rgb = to_device(name, lab) / 65535
    for printed in (model_lab(name, rgb), to_lab(name, rgb)):
        error = delta_e(printed, lab)
        assert error.mean() < 0.18
        assert np.quantile(error, 0.99) < 1.2
        assert error.max() < 2.5


def test_unprintable_colours_go_to_the_nearest(name: str) -> None:
    """B2A1 moves colours hardly farther than the nearest of 33^3 printed ones, found apart (most seen: 1.6)."""
    axis = np.linspace(0, 1, 33)
    printed = model_lab(name, np.stack(np.meshgrid(axis, axis, axis), -1).reshape(-1, 3))
    lab = np.random.default_rng(3).uniform((0, -80, -110), (100, 80, 80), (4000, 3))
    nearest = cKDTree(printed).query(lab)[0]
    found = example("paper_model").model(name).invert(lab)[1]
    assert (found <= nearest + 1e-9).all(), "the inversion itself never loses to a sample"
    moved = delta_e(to_lab(name, to_device(name, lab) / 65535), lab)
    assert (moved - nearest).mean() < 0.2
    assert (moved - nearest).max() < 2.5


def test_white_is_bare_paper(name: str) -> None:
    """Media white lays no ink: 65535 within 1 code, whatever the intent but absolute."""
    for intent in (PERCEPTUAL, RELATIVE, 2):
        assert np.abs(to_device(name, [[100, 0, 0]], intent) - 65535).max() <= 1
    codes = transicc([[100, 0, 0]], "-i", "*Lab", "-o", path_of(name), "-t1", "-w") * 257
    assert np.abs(codes - 65535).max() <= 1


def test_absolute_paper_and_black(name: str) -> None:
    """By absolute colorimetry bare paper and full ink are the stated colours, within dE76 0.3."""
    white, black, _ = PAPERS[name]
    assert delta_e(to_lab(name, [[1, 1, 1], [0, 0, 0]], ABSOLUTE), [white, black]).max() < 0.3
    assert delta_e(to_lab(name, [[1, 1, 1]]), [[100, 0, 0]]).max() < 0.01


def test_greys_fall_evenly_and_stay_neutral(name: str) -> None:
    """r = g = b is a straight line from paper white to full black in L*a*b*, so monotone and near neutral."""
    t = np.linspace(0, 1, 1025)[:, None]
    lab = to_lab(name, np.repeat(t, 3, axis=1))
    line = lab[:1] * (1 - t) + lab[-1:] * t
    assert (np.diff(lab[:, 0]) > 0).all()
    assert delta_e(lab, line).max() < 0.1
    assert np.linalg.norm(lab[:, 1:], axis=1).max() < 1, "chroma against the paper white"


def test_shadows_stay_apart_with_black_point_compensation(name: str) -> None:
    """With compensation L* 0, 10, 25 stay over 2 L* apart and follow the formula of ISO 18619.

    The formula takes the black measured at L* = 0; 0.8 L* covers the tables (measured: 0.1 to 0.6).
    """
    codes = to_device(name, greys([0, 10, 25, 50, 75]), RELATIVE, BPC)
    got = to_lab(name, codes / 65535)[:, 0]
    assert (np.diff(got) > 2).all()
    luminance = example("paper_model").lab_to_xyz(greys(np.array([0, 10, 25, 50, 75])))[:, 1]
    black = ((got[0] + 16) / 116) ** 3 if got[0] > 8 else got[0] * 27 / 24389
    wanted = (1 - black) * luminance + black
    assert np.abs(got - np.where(wanted > 216 / 24389, 116 * np.cbrt(wanted) - 16, wanted * 24389 / 27)).max() < 0.8


def test_shadows_without_compensation(name: str) -> None:
    """Without compensation all that is darker than the paper's black prints as that black, the rest as it is."""
    lightness = np.arange(0, 100, 2.5)
    got = to_lab(name, to_device(name, greys(lightness)) / 65535)[:, 0]
    black = to_lab(name, [[0, 0, 0]])[0, 0]
    assert np.abs(got - np.maximum(lightness, black)).max() < 0.6


def test_perceptual_table_keeps_tones_apart(name: str) -> None:
    """B2A0 needs no compensation: black is full black, white is paper, every step of grey is kept in order."""
    codes = to_device(name, greys(np.linspace(0, 100, 401)), PERCEPTUAL)
    assert (np.diff(codes, axis=0) > 0).all()
    assert codes[0].max() <= 655, "full black within 1 % of the scale"
    assert codes[-1].min() >= 65534


def test_gamut_table(name: str) -> None:
    """`gamt` (read here by its layout) says 0 for printable colours and more for others, ICC.1's meaning.

    Its 16 nodes blur the boundary: outside, colours within dE76 4 of it are left out (measured: all right);
    inside, all colours count (measured: 98 to 99.7 % right).
    """
    lab = np.random.default_rng(5).uniform((0, -90, -90), (100, 90, 110), (6000, 3))
    distance = delta_e(to_lab(name, to_device(name, lab) / 65535), lab)
    out = evaluate_lut16(profile(name), "gamt", lab)
    assert (out[distance > 4] > 0).mean() > 0.99
    inside = model_lab(name, random_rgb(3000))
    assert (evaluate_lut16(profile(name), "gamt", inside) == 0).mean() > 0.96


def evaluate_lut16(data: bytes, tag: str, lab: Array) -> Array:
    """One output channel of a version 2 Lab table, multilinear, 0...1 (ICC.1, lut16Type)."""
    start = tag_table(data)[tag][0]
    assert data[start : start + 4] == b"mft2"
    channels, out, nodes = data[start + 8], data[start + 9], data[start + 10]
    n, m = struct.unpack_from(">2H", data, start + 48)
    codes = np.frombuffer(data, ">u2", channels * n + nodes**channels * out + out * m, start + 52) / 65535
    curves, clut, last = np.split(codes, [channels * n, channels * n + nodes**channels * out])
    encoded = np.stack([lab[:, 0] * 652.8, (lab[:, 1] + 128) * 256, (lab[:, 2] + 128) * 256], -1) / 65535
    axes = curves.reshape(channels, n)
    position = np.stack([np.interp(encoded[:, i], np.linspace(0, 1, n), axes[i]) for i in range(3)], -1)
    grid = RegularGridInterpolator([np.linspace(0, 1, nodes)] * 3, clut.reshape(nodes, nodes, nodes))
    return np.asarray(np.interp(grid(position), np.linspace(0, 1, m), last))


def test_gamut_sizes_follow_the_surface(name: str) -> None:
    """Baryta prints the most colours, then smooth, textured, and washi least (common practice, no source)."""
    axis = np.linspace(0, 1, 9)
    rgb = np.stack(np.meshgrid(axis, axis, axis), -1).reshape(-1, 3)
    order = ["baryta", "smooth-rag", "textured-rag", "kozo"]
    volumes = {paper: ConvexHull(model_lab(paper, rgb, absolute=True)).volume for paper in order}
    assert [paper for paper in order if volumes[paper] > volumes[name]] == order[: order.index(name)]
