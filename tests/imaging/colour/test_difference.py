"""CIEDE2000 and CIE lightness against the published pairs, the published constants and an independent library."""

from __future__ import annotations

import csv
import warnings
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from printqueue.imaging.colour.difference import lightness, luminance
from tests.imaging.colour.looking import delta_e_2000

with warnings.catch_warnings():  # it misses its plotting library aloud
    warnings.simplefilter("ignore")
    import colour

Array = NDArray[np.float64]
REFERENCES = Path(__file__).parents[2] / "references"


def rows(name: str) -> list[dict[str, str]]:
    """The rows of a reference table; lines that begin with # are left out."""
    lines = (REFERENCES / name).read_text("utf-8").splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


# Sharma, Wu, Dalal, Color Res. Appl. 30(1), 21-30 (2005), Table 1
PAIRS = np.array([[float(value) for value in row.values()] for row in rows("ciede2000_pairs.csv")])
FIRST, SECOND, PUBLISHED = PAIRS[:, 1:4], PAIRS[:, 4:7], PAIRS[:, 7]


def random_lab(seed: int, count: int = 20_000) -> Array:
    """(count, 3) L*a*b* over more than any print can show."""
    return np.random.default_rng(seed).uniform((0, -120, -120), (100, 120, 120), (count, 3))


def test_the_published_pairs() -> None:
    """All 34 pairs of Sharma, Wu and Dalal come out as printed, to the table's four decimals (pair 14 has two)."""
    assert len(PAIRS) == 34
    off = np.abs(delta_e_2000(FIRST, SECOND) - PUBLISHED)
    off[13] = min(off[13], abs(delta_e_2000(FIRST[13], SECOND[13]) - 4.7461))
    assert off.max() <= 5.1e-5


def test_the_published_pairs_the_other_way_round() -> None:
    """Exchanging the two colours changes none of the 34 differences (pair 14 may take its other value)."""
    ahead, back = delta_e_2000(FIRST, SECOND), delta_e_2000(SECOND, FIRST)
    np.testing.assert_allclose(np.delete(back, 13), np.delete(ahead, 13), atol=1e-12)
    assert min(abs(back[13] - 4.8045), abs(back[13] - 4.7461)) <= 5.1e-5


def test_agrees_with_another_implementation() -> None:
    """On 20,000 random pairs, near and far, the difference is colour-science's."""
    one = random_lab(1)
    near = one + np.random.default_rng(2).normal(0, 2, one.shape)
    for two in (random_lab(3), near):
        np.testing.assert_allclose(delta_e_2000(one, two), colour.delta_E(one, two, method="CIE 2000"), atol=1e-9)


def test_is_a_difference() -> None:
    """It is symmetric, never negative, zero only for the same colour, and finite for greys."""
    one, two = random_lab(4), random_lab(5)
    assert (delta_e_2000(one, two) > 0).all()
    np.testing.assert_allclose(delta_e_2000(one, two), delta_e_2000(two, one), atol=1e-9)
    assert (delta_e_2000(one, one) == 0).all()
    grey = np.array([[50.0, 0, 0], [0.0, 0, 0], [100.0, 0, 0]])
    assert np.isfinite(delta_e_2000(grey, grey[::-1])).all()


def test_keeps_the_shape_of_images() -> None:
    """Images in, one number per pixel out."""
    image = random_lab(6, 12).reshape(3, 4, 3)
    assert delta_e_2000(image, image[::-1]).shape == (3, 4)
    assert delta_e_2000(image.astype(np.float32), image[::-1]).dtype == np.float64


POINTS = [row for row in rows("transfer_points.csv") if row["function"].startswith("L*")]


@pytest.mark.parametrize("row", POINTS, ids=[f"L{row['input']}" for row in POINTS])
def test_lightness_points(row: dict[str, str]) -> None:
    """L* and luminance follow CIE 15's exact constants at the table's points, both ways."""
    L, Y = np.array(float(row["input"])), np.array(float(row["output"]))
    assert luminance(L) == pytest.approx(float(Y), abs=1e-12)
    assert lightness(Y) == pytest.approx(float(L), abs=1e-6)


def test_lightness_agrees_with_another_implementation() -> None:
    """L* of 10,000 luminances is colour-science's, and comes back, knee included."""
    Y = np.concatenate([np.linspace(0, 0.02, 5000), np.linspace(0.02, 1, 5000)])
    np.testing.assert_allclose(lightness(Y), colour.colorimetry.lightness_CIE1976(Y * 100), atol=1e-9)
    np.testing.assert_allclose(luminance(lightness(Y)), Y, atol=1e-12)
    assert lightness(np.array(0.18)) == pytest.approx(49.4961, abs=5e-5)  # an 18 % grey card
