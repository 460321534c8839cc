"""The difference in hue and chroma alone against published pairs and two libraries, on whole pictures."""

from __future__ import annotations

import csv
import warnings
from pathlib import Path

import numpy as np
import pytest
import skimage.data
from numpy.typing import NDArray
from skimage.color import deltaE_ciede2000, rgb2lab

from printqueue.imaging.colour.difference import hue_and_chroma_difference
from tests.imaging.colour.looking import delta_e_2000

with warnings.catch_warnings():  # it misses its plotting library aloud
    warnings.simplefilter("ignore")
    import colour

Array = NDArray[np.float64]
TABLE = Path(__file__).parents[2] / "references/ciede2000_pairs.csv"
TOLERANCE = 0.003  # float32


def pairs() -> Array:
    """The 34 pairs of Sharma, Wu and Dalal, Color Res. Appl. 30(1), 21-30 (2005), Table 1: (34, 8)."""
    lines = [line for line in TABLE.read_text("utf-8").splitlines() if not line.startswith("#")]
    return np.array([[float(value) for value in row.values()] for row in csv.DictReader(lines)])


def at_one_lightness(lab: Array, other: Array) -> Array:
    """The same colours, all at the mean L* of the two."""
    out = lab.copy()
    out[..., 0] = (lab[..., 0] + other[..., 0]) / 2
    return out


def test_published_pairs_of_one_lightness() -> None:
    """The pairs that differ in hue and chroma only (L* equal in the table) come out as published; pair 14 either way."""
    table = pairs()
    equal = table[table[:, 1] == table[:, 4]]
    assert len(equal) >= 17
    off = np.abs(hue_and_chroma_difference(equal[:, 1:4], equal[:, 4:7]) - equal[:, 7])
    pair_14 = equal[:, 0] == 14
    off[pair_14] = np.minimum(off[pair_14], np.abs(off[pair_14] - abs(4.8045 - 4.7461)))
    assert off.max() <= TOLERANCE


def test_all_pairs_at_one_lightness() -> None:
    """Without the lightness term is the same as both colours at one L*: colour-science's ΔE00 of the 34 pairs so changed."""
    one, two = pairs()[:, 1:4], pairs()[:, 4:7]
    wanted = colour.delta_E(at_one_lightness(one, two), at_one_lightness(two, one), method="CIE 2000")
    off = np.abs(hue_and_chroma_difference(one, two) - wanted)
    assert np.delete(off, 13).max() <= TOLERANCE, "pair 14 sits on the jump of the mean hue"


def picture() -> Array:
    """L*a*b* of a whole photograph, (512, 512, 3)."""
    return np.asarray(rgb2lab(skimage.data.astronaut()))  # type: ignore[no-untyped-call]


def test_whole_picture_against_scikit_image() -> None:
    """On every pixel of a photograph against itself upside down: scikit-image's ΔE00 at one lightness, and in full."""
    one = picture()
    two = one[::-1, ::-1]
    level = deltaE_ciede2000(at_one_lightness(one, two), at_one_lightness(two, one))  # type: ignore[no-untyped-call]
    off = np.abs(hue_and_chroma_difference(one, two) - level)
    opposite = np.isclose(hue_gap(one, two), 180, atol=0.01)  # the mean hue jumps there
    assert off[~opposite].max() <= TOLERANCE
    assert opposite.mean() < 1e-3
    full = np.asarray(deltaE_ciede2000(one, two))  # type: ignore[no-untyped-call]
    assert np.abs(delta_e_2000(one, two) - full).max() < 1e-6


def hue_gap(one: Array, two: Array) -> Array:
    """Angle between the two hues, 0 to 180 degrees."""
    turn = np.arctan2(one[..., 2], one[..., 1]) - np.arctan2(two[..., 2], two[..., 1])
    return np.degrees(np.abs(np.angle(np.exp(1j * turn))))


def test_lightness_counts_for_nothing() -> None:
    """Neutrals of any two lightnesses do not differ, colours differ by the same whatever their lightness."""
    greys = np.zeros((101, 3))
    greys[:, 0] = np.arange(101)
    assert hue_and_chroma_difference(greys, greys[::-1]).max() == 0
    lab = np.random.default_rng(3).uniform((0, -80, -80), (100, 80, 80), (2000, 3))
    other, lighter = lab[::-1].copy(), lab[::-1].copy()
    lighter[:, 0] = 90
    np.testing.assert_array_equal(hue_and_chroma_difference(lab, other), hue_and_chroma_difference(lab, lighter))


@pytest.mark.parametrize("kind", ["f4", "f8"])
def test_is_float32_of_any_shape(kind: str) -> None:
    """One float32 per pixel, also for a single one."""
    one: Array = np.zeros((1, 1, 3), kind)
    out = hue_and_chroma_difference(one, one + 5)
    assert out.shape == (1, 1)
    assert out.dtype == np.dtype("f4")
