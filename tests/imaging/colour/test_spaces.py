"""The standard RGB spaces: their numbers against published ones, their profiles through readers that are not ours."""

from __future__ import annotations

import csv
import hashlib
import json
import os
import shutil
import struct
import subprocess
import sys
import warnings
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import ImageCms

from printqueue.imaging.colour.curves import channel_curves
from printqueue.imaging.colour.icc import read_profile, tag_bytes
from printqueue.imaging.colour.spaces import SPACES, profile_bytes, to_pcs_matrix

with warnings.catch_warnings():  # it misses its plotting library aloud
    warnings.simplefilter("ignore")
    import colour

Array = NDArray[np.float64]
D50 = (0.9642, 1.0, 0.8249)  # ICC.1:2022, the profile connection space's white
OUTSIDE = {"srgb": "sRGB", "adobe-rgb": "Adobe RGB (1998)", "display-p3": "Display P3", "romm": "ROMM RGB"}
REFERENCES = Path(__file__).parents[2] / "references"
POINTS = [
    row
    for row in csv.DictReader(
        line for line in (REFERENCES / "transfer_points.csv").read_text("utf-8").splitlines() if line[0] != "#"
    )
    if row["function"].startswith(("sRGB", "AdobeRGB", "ROMM"))
]
KEYS = {"sRGB": "srgb", "AdobeRGB": "adobe-rgb", "ROMM": "romm"}


def tool(name: str, package: str) -> str:
    """The path of a Debian tool; without it the test skips, or fails where the tools are required."""
    path = shutil.which(name)
    if path is None:
        reason = f"{name} is not installed (Debian package {package})"
        (pytest.fail if os.environ.get("PRINTQUEUE_REQUIRE_TOOLS") == "1" else pytest.skip)(reason)
    return path


def lab_by_transicc(profile: str, rgb: Array) -> Array:
    """(n, 3) RGB of 0 to 255 through Debian's lcms to L*a*b*, media-relative, without a precalculated table."""
    text = "\n".join(" ".join(f"{value:.6f}" for value in row) for row in rgb) + "\n"
    command = [tool("transicc", "liblcms2-utils"), "-n", f"-i{profile}", "-o*Lab", "-t1", "-c0"]
    done = subprocess.run(command, input=text, capture_output=True, text=True, timeout=30, check=True)
    return np.array([line.split() for line in done.stdout.splitlines() if line.strip()], np.float64)


@pytest.fixture(params=OUTSIDE)
def key(request: pytest.FixtureRequest) -> str:
    """Each of our spaces in turn."""
    return str(request.param)


@pytest.fixture
def path(key: str, tmp_path: Path) -> str:
    """The space's profile as a file."""
    file = tmp_path / f"{key}.icc"
    file.write_bytes(profile_bytes(key))
    return str(file)


def decoding(key: str) -> Array:
    """Linear light of the codes 0 to 65535 as our profile's own curve gives it."""
    return channel_curves(profile_bytes(key), read_profile(profile_bytes(key)))[0]


def test_every_space_is_held_to_an_outside_one() -> None:
    """No space can be added without a published set of numbers beside it."""
    assert set(OUTSIDE) == set(SPACES)


def test_primaries_and_white(key: str) -> None:
    """Primaries and white are those of colour-science's data set."""
    ours, outside = SPACES[key], colour.RGB_COLOURSPACES[OUTSIDE[key]]
    np.testing.assert_allclose(ours.primaries, outside.primaries, atol=1e-9)
    np.testing.assert_allclose(ours.white, outside.whitepoint, atol=1e-9)


def test_matrix(key: str) -> None:
    """The matrix to the connection space is that of colour-science: primaries, white, then Bradford to D50."""
    space = SPACES[key]
    xyz = colour.models.normalised_primary_matrix(np.array(space.primaries), np.array(space.white))
    white = colour.xy_to_XYZ(np.array(space.white))
    adapted = colour.adaptation.matrix_chromatic_adaptation_VonKries(white, np.array(D50), transform="Bradford")
    np.testing.assert_allclose(to_pcs_matrix(space), adapted @ xyz, atol=1e-9)


def test_srgb_matrix_as_published() -> None:
    """sRGB's D50 matrix agrees with the widely printed five-decimal one (Bradford, IEC 61966-2-1 primaries)."""
    published = [[0.43605, 0.38513, 0.14307], [0.22245, 0.71694, 0.06062], [0.01390, 0.09707, 0.71389]]
    np.testing.assert_allclose(to_pcs_matrix(SPACES["srgb"]), published, atol=5e-5)


@pytest.mark.parametrize("row", POINTS, ids=[f"{row['function'][:12]} {row['input']}" for row in POINTS])
def test_transfer_points(row: dict[str, str]) -> None:
    """Each published point lies on our profile's curve, within what 15.16 fixed point parameters allow."""
    curve = decoding(KEYS[row["function"].split()[0]])
    codes = np.linspace(0, 1, 65536)
    given, wanted = float(row["input"]), float(row["output"])
    if "encode" in row["function"]:
        assert np.interp(given, curve, codes) == pytest.approx(wanted, abs=3e-5)
    else:
        code = given / 255 if "code8" in row["function"] else given
        assert np.interp(code, codes, curve) == pytest.approx(wanted, abs=2e-5)


def test_curves(key: str) -> None:
    """The whole decoding curve is colour-science's."""
    outside = colour.RGB_COLOURSPACES[OUTSIDE[key]].cctf_decoding(np.linspace(0, 1, 65536))
    np.testing.assert_allclose(decoding(key), outside, atol=3e-5)


def test_another_engine_sees_the_colours(key: str, path: str) -> None:
    """Read by Debian's lcms, 300 seeded colours and the corners are colour-science's L*a*b* (within dE76 0.05)."""
    rgb = np.concatenate([np.random.default_rng(8).integers(0, 256, (300, 3)), np.eye(3) * 255, [[255] * 3, [0] * 3]])
    outside = colour.RGB_COLOURSPACES[OUTSIDE[key]].cctf_decoding(rgb / 255) @ to_pcs_matrix(SPACES[key]).T
    lab = colour.XYZ_to_Lab(outside, colour.XYZ_to_xy(np.array(D50)))
    assert np.linalg.norm(lab_by_transicc(path, rgb) - lab, axis=1).max() < 0.05


def test_srgb_is_the_engines_own(tmp_path: Path) -> None:
    """Our sRGB profile and the sRGB that lcms has built in give the same colours (within dE76 0.1)."""
    file = tmp_path / "srgb.icc"
    file.write_bytes(profile_bytes("srgb"))
    rgb = np.random.default_rng(9).uniform(0, 255, (300, 3))
    ours, theirs = lab_by_transicc(str(file), rgb), lab_by_transicc("*sRGB", rgb)
    assert np.linalg.norm(ours - theirs, axis=1).max() < 0.1


@pytest.mark.parametrize(
    ("rgb", "lab"),
    [
        ((255, 0, 0), (54.29, 80.8, 69.9)),
        ((0, 255, 0), (87.82, -79.3, 81.0)),
        ((0, 0, 255), (29.57, 68.3, -112.0)),
        ((128, 128, 128), (53.585, 0, 0)),
        ((119, 119, 119), (50.03, 0, 0)),
    ],
)
def test_srgb_landmarks(rgb: tuple[int, int, int], lab: tuple[float, float, float]) -> None:
    """The primaries and middle greys of sRGB have their well-known L*a*b* (D50) through our engine as well."""
    from printqueue.imaging.colour import manager

    pixel = np.array([[rgb]], np.uint16) * np.uint16(257)
    assert np.abs(manager.to_lab(pixel, profile_bytes("srgb"))[0, 0] - lab).max() < 0.1


def test_required_tags(key: str) -> None:
    """A display profile of three components has all that ICC.1 asks: texts, white, adaptation, matrix, curves."""
    facts = read_profile(profile_bytes(key))
    wanted = {"desc", "cprt", "wtpt", "chad", "rXYZ", "gXYZ", "bXYZ", "rTRC", "gTRC", "bTRC"}
    assert (set(facts.tags), facts.device_class, facts.space, facts.pcs) == (wanted, "mntr", "RGB", "XYZ")
    assert facts.usable_as_source
    assert not facts.is_demonstration
    assert facts.white == pytest.approx(D50, abs=1 / 65536)


def test_layout(key: str) -> None:
    """Header fields, order, alignment and padding are as ICC.1 (7.2, 7.3) lays them down."""
    data = profile_bytes(key)
    assert struct.unpack_from(">I", data, 0)[0] == len(data)
    assert len(data) % 4 == 0
    assert data[8:12] == bytes.fromhex("04400000")
    assert data[12:24] == b"mntrRGB XYZ "
    assert data[36:40] == b"acsp"
    assert data[68:80] == bytes.fromhex("0000F6D6 00010000 0000D32D"), "D50"
    assert data[100:128] == bytes(28), "reserved"
    (count,) = struct.unpack_from(">I", data, 128)
    rows = [struct.unpack_from(">4sII", data, 132 + 12 * i) for i in range(count)]
    ends = [132 + 12 * count] + [offset + size for _, offset, size in rows]
    assert all(offset % 4 == 0 for _, offset, _ in rows)
    assert all(0 <= row[1] - end < 4 for row, end in zip(rows, ends, strict=False)), "no gap but padding, no overlap"


def test_white_is_the_connection_spaces(key: str) -> None:
    """The matrix columns as stored add up to D50, so that full code stays exactly white."""
    columns = [struct.unpack(">3i", tag_bytes(profile_bytes(key), f"{c}XYZ")[8:20]) for c in "rgb"]
    assert np.abs(np.sum(columns, axis=0) - np.array(D50) * 65536).max() <= 2


def test_exiftool_reads_it(key: str, path: str) -> None:
    """A parser of another family finds the same title, class, matrix and white, and has no complaint."""
    command = [
        tool("exiftool", "libimage-exiftool-perl"),
        "-j",
        "-n",
        "-validate",
        "-warning",
        "-ICC_Profile:all",
        path,
    ]
    found: dict[str, Any] = json.loads(subprocess.run(command, capture_output=True, timeout=30, check=True).stdout)[0]
    assert (found["ProfileDescription"], found["ProfileClass"]) == (SPACES[key].title, "mntr")
    assert "Warning" not in found
    names = ("RedMatrixColumn", "GreenMatrixColumn", "BlueMatrixColumn")
    columns = np.array([found[name].split() for name in names], np.float64).T
    np.testing.assert_allclose(columns, to_pcs_matrix(SPACES[key]), atol=2e-5)
    np.testing.assert_allclose(np.array(found["MediaWhitePoint"].split(), np.float64), D50, atol=2e-5)


def test_pillow_opens_it(key: str, path: str) -> None:
    """Pillow's lcms takes it as a matrix profile for input, under its own title."""
    opened = ImageCms.getOpenProfile(path)
    assert ImageCms.getProfileDescription(opened).strip() == SPACES[key].title
    assert opened.profile.is_matrix_shaper


# SHA-256, first 16 digits: a recipe holds the bytes of an assumed profile, so they may never change unasked
BYTES = {
    "srgb": "16e2d628ac1189ed",
    "adobe-rgb": "90c2bc10f41aadc4",
    "display-p3": "af7f553f20ac3adb",
    "romm": "c9be9ddd31f00fa4",
}


def test_the_bytes_never_change(key: str) -> None:
    """Every machine and every run writes the same bytes: also another process, with another hash seed."""
    code = (
        "import hashlib, sys; from printqueue.imaging.colour.spaces import profile_bytes;"
        "print(hashlib.sha256(profile_bytes(sys.argv[1])).hexdigest())"
    )
    environment = os.environ | {"PYTHONHASHSEED": "7", "TZ": "XYZ-9"}
    done = subprocess.run(
        [sys.executable, "-c", code, key], env=environment, capture_output=True, text=True, timeout=60, check=True
    )
    assert done.stdout.strip() == hashlib.sha256(profile_bytes(key)).hexdigest()
    assert done.stdout[:16] == BYTES[key]
