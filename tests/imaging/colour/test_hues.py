"""Names of hues against the Munsell renotation and against the colour words of CSS."""

from __future__ import annotations

import warnings

import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import ImageColor

from printqueue.imaging.colour import manager, spaces
from printqueue.imaging.colour.hues import NAMES, STARTS, hue_index

with warnings.catch_warnings():  # it misses its plotting library aloud
    warnings.simplefilter("ignore")
    import colour

Array = NDArray[np.float64]
# The ten families of the Munsell system (ASTM D1535)
FAMILIES = {
    "R": "red",
    "YR": "orange",
    "Y": "yellow",
    "GY": "yellow-green",
    "G": "green",
    "BG": "blue-green",
    "B": "blue",
    "PB": "blue",
    "P": "violet",
    "RP": "magenta",
}


def named(a: float, b: float) -> str:
    """The name of one colour's hue."""
    return NAMES[int(hue_index(np.array([a]), np.array([b]))[0])]


def chips(hue: str) -> Array:
    """a*, b* (D50) of a hue's real Munsell chips of value 4 to 6 and chroma 6 to 10, (n, 2), by colour-science's data."""
    observer = colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]
    wanted = [
        xyY
        for (name, value, chroma), xyY in colour.MUNSELL_COLOURS["real"]
        if name == hue and value in (4, 5, 6) and chroma in (6, 8, 10)
    ]
    XYZ = colour.xyY_to_XYZ(np.array(wanted, float) * [1, 1, 0.01])
    white_c, d50 = colour.xy_to_XYZ(observer["C"]), colour.xy_to_XYZ(observer["D50"])
    adapted = colour.adaptation.chromatic_adaptation_VonKries(XYZ, white_c, d50, transform="Bradford")
    return np.asarray(colour.XYZ_to_Lab(adapted, observer["D50"])[:, 1:])


@pytest.mark.parametrize("family", FAMILIES)
def test_the_middle_of_each_munsell_family(family: str) -> None:
    """Every chip of 5R, 5YR, 5Y ... bears its family's name."""
    found = chips(f"5{family}")
    assert len(found) >= 6
    assert {named(a, b) for a, b in found} == {FAMILIES[family]}


WORDS = {
    "red": "red",
    "darkred": "red",
    "orange": "orange",
    "darkorange": "orange",
    "yellow": "yellow",
    "gold": "yellow",
    "yellowgreen": "yellow-green",
    "greenyellow": "yellow-green",
    "green": "green",
    "darkgreen": "green",
    "seagreen": "green",
    "teal": "blue-green",
    "cyan": "blue-green",
    "deepskyblue": "blue",
    "blue": "blue",
    "navy": "blue",
    "blueviolet": "violet",
    "darkviolet": "violet",
    "magenta": "magenta",
    "hotpink": "magenta",
}


@pytest.mark.parametrize("word", WORDS)
def test_colour_words(word: str) -> None:
    """Named colours of CSS Color Module Level 4, as sRGB, are called what their word says."""
    code = np.array(ImageColor.getrgb(word)[:3], np.uint16) * 257
    _, a, b = manager.to_lab(code[None, None], spaces.profile_bytes("srgb"))[0, 0]
    assert named(float(a), float(b)) == WORDS[word]


def test_every_angle_has_one_name() -> None:
    """Round the whole circle each hue begins where it is stated to begin, and the names follow in order."""
    degrees = np.radians(np.arange(0, 360, 0.25) + 0.01)
    names = [NAMES[i] for i in hue_index(np.cos(degrees), np.sin(degrees))]
    assert set(names) == set(NAMES)
    assert sum(one != two for one, two in zip(names, names[1:] + names[:1], strict=True)) == len(NAMES)
    for name, start in STARTS.items():
        after, before = np.radians(start + 0.01), np.radians(start - 0.01)
        assert named(np.cos(after), np.sin(after)) == name
        assert named(np.cos(before), np.sin(before)) != name


def test_grey_and_nonsense_do_not_fail() -> None:
    """Colours without a hue, and no numbers, get some name and raise nothing."""
    index = hue_index(np.array([0.0, np.nan, np.inf]), np.array([0.0, 0.0, -np.inf]))
    assert ((index >= 0) & (index < len(NAMES))).all()
