"""How well a number tells two groups apart, and how sure that is."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from math import sqrt

import numpy as np
from numpy.typing import NDArray

Values = Sequence[float] | NDArray[np.float64]


def roc_area(positive: Values, negative: Values) -> float:
    """Area under the ROC curve: how often a positive scores above a negative, ties by half (Mann-Whitney).

    NaN where a group is empty.
    """
    above, below = np.asarray(positive, np.float64), np.sort(np.asarray(negative, np.float64))
    if above.size == 0 or below.size == 0:
        return float("nan")
    wins = np.searchsorted(below, above, "left").sum()
    ties = (np.searchsorted(below, above, "right") - np.searchsorted(below, above, "left")).sum()
    return float((wins + ties / 2) / (above.size * below.size))


def by_picture(
    statistic: Callable[[NDArray[np.intp]], float], pictures: Sequence[str], *, rounds: int = 500, seed: int = 1
) -> tuple[float, float]:
    """The 95 % interval of a statistic by drawing whole pictures anew (a cluster bootstrap).

    `statistic` gets the indices of the rows drawn. Rows of one picture are no independent witnesses.
    """
    names, which = np.unique(np.asarray(pictures), return_inverse=True)
    rows = [np.flatnonzero(which == index) for index in range(len(names))]
    random = np.random.default_rng(seed)
    drawn = []
    for _ in range(rounds):
        value = statistic(np.concatenate([rows[i] for i in random.integers(0, len(names), len(names))]))
        if np.isfinite(value):
            drawn.append(value)
    low, high = np.percentile(drawn, [2.5, 97.5]) if drawn else (float("nan"), float("nan"))
    return float(low), float(high)


def wilson(hits: int, of: int) -> tuple[float, float]:
    """The 95 % interval of a share (Wilson 1927, score interval)."""
    if of == 0:
        return 0.0, 1.0
    z, p = 1.959963984540054, hits / of
    centre = (p + z * z / (2 * of)) / (1 + z * z / of)
    half = z / (1 + z * z / of) * sqrt(p * (1 - p) / of + z * z / (4 * of * of))
    return max(0.0, centre - half), min(1.0, centre + half)


def spearman(x: Values, y: Values) -> float:
    """Rank correlation, ties by mean ranks; NaN where one side is constant."""
    a, b = _ranks(x), _ranks(y)
    if a.std() == 0 or b.std() == 0:
        return float("nan")
    return float(np.corrcoef(a, b)[0, 1])


def _ranks(values: Values) -> NDArray[np.float64]:
    array = np.asarray(values, np.float64)
    ordered = np.sort(array)
    return (np.searchsorted(ordered, array, "left") + np.searchsorted(ordered, array, "right") + 1) / 2
