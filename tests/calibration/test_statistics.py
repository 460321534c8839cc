"""The calibration's arithmetic against scipy and against cases by hand; and that its photographs are split for good."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
import scipy.stats
from hypothesis import given
from hypothesis import strategies as st

from tests.calibration import statistics, treatments
from tests.calibration.pictures import NAMES, averaged, held_out

OUTSIDE: Any = scipy.stats  # carries no types
numbers = st.lists(st.integers(-5, 5).map(float), min_size=2, max_size=30)


@given(numbers, numbers)
def test_roc_area_is_mann_whitney(positive: list[float], negative: list[float]) -> None:
    """U / (n m) of scipy.stats.mannwhitneyu."""
    expected = OUTSIDE.mannwhitneyu(positive, negative).statistic / (len(positive) * len(negative))
    assert statistics.roc_area(positive, negative) == pytest.approx(expected)


@given(st.lists(st.tuples(st.integers(0, 9), st.integers(0, 9)), min_size=3, max_size=30))
def test_rank_correlation(pairs: list[tuple[int, int]]) -> None:
    """scipy.stats.spearmanr, ties among them."""
    x, y = zip(*pairs, strict=True)
    if len(set(x)) > 1 and len(set(y)) > 1:
        assert statistics.spearman(x, y) == pytest.approx(float(OUTSIDE.spearmanr(x, y).statistic))


@pytest.mark.parametrize(("hits", "of"), [(0, 20), (3, 40), (50, 50)])
def test_interval_of_a_share(hits: int, of: int) -> None:
    """scipy.stats.binomtest's Wilson interval."""
    found = OUTSIDE.binomtest(hits, of).proportion_ci(method="wilson")
    assert statistics.wilson(hits, of) == pytest.approx((found.low, found.high))


def test_interval_widens_when_pictures_are_few() -> None:
    """The same rows as two pictures or as forty: what hangs together counts once."""
    values = np.repeat([0.0, 1.0], 20)
    mean = lambda rows: float(values[rows].mean())  # noqa: E731 - one expression
    few = statistics.by_picture(mean, ["a"] * 20 + ["b"] * 20)
    many = statistics.by_picture(mean, [str(i) for i in range(40)])
    assert few[1] - few[0] > 2 * (many[1] - many[0])


def test_the_split_is_the_one_in_the_readme() -> None:
    """The held-out part is fixed by name: a change here would let limits see what they must not."""
    readme = (Path(__file__).parent / "README.md").read_text(encoding="utf-8")
    said = readme.split("Held out are: ")[1].split(".")[0].replace("\n", " ")
    assert sorted(name for name in NAMES if held_out(name)) == sorted(name.strip() for name in said.split(","))


def test_every_photograph_has_its_licence_in_the_readme() -> None:
    """No picture is used without a word on where it comes from."""
    rows = [
        line for line in (Path(__file__).parent / "README.md").read_text(encoding="utf-8").splitlines() if "|" in line
    ]
    listed = {name.strip() for row in rows for name in row.split("|")[1].split(",")}
    assert [name for name in NAMES if name not in listed] == []


def test_treatments_do_what_they_say() -> None:
    """Unsharp masking by its own formula on a step; averaging by hand; noise of the size asked for; JPEG twice the same."""
    step = np.repeat(np.repeat(np.array([[60, 160]], np.float32), 20, 1), 8, 0)[..., None].repeat(3, 2)
    sharp = treatments.unsharp(step, amount=1.0, sigma=1.0)
    assert sharp.max() > 175
    assert sharp.min() < 45
    assert averaged(np.arange(16, dtype=np.uint8).reshape(4, 4, 1), 2)[..., 0].tolist() == [[2, 4], [10, 12]]
    flat = np.full((200, 200, 3), 128, np.float32)
    assert treatments.noisy(flat, "a", sigma=4).std() == pytest.approx(4, rel=0.05)
    assert treatments.grainy(flat, "a", sigma=4).std() == pytest.approx(4, rel=0.05)
    np.testing.assert_array_equal(treatments.jpeg(step, quality=50), treatments.jpeg(step, quality=50))
