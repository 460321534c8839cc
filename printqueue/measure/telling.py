"""The part of a picture that tells most about a paper: the widest range of tones, with shadows among them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

_BINS = 25  # of 4 L* each
_DEPTH = 100 / _BINS
_SHADOW_L = 25.0  # papers differ below this
_SHADOWS = 0.10  # from this share on shadows count in full
_LOW, _HIGH = 0.02, 0.98
_STEPS = 32  # places tried along each axis
_MOST_PX = 400_000
_CENTRE_L = 2.0  # among parts nearly alike the one nearer to the middle is taken: worth so much L* at the rim


def telling_part(lightness: NDArray[np.float32], share: tuple[float, float]) -> tuple[float, float]:
    """Left and top, in fractions of the picture, of its most telling part.

    `lightness` (H, W) is L* 0..100 of the delivered picture; `share` the part's width and height in fractions (0..1].
    A part's worth is its range of L* from the 2nd to the 98th percentile, less where under 10 % of it is darker than
    L* 25. Own measure, no source: a strip is cut to judge how a paper opens shadows while it holds the lights.
    """
    every = max(1, int(np.ceil((lightness.size / _MOST_PX) ** 0.5)))
    bins = np.clip(lightness[::every, ::every] / _DEPTH, 0, _BINS - 1).astype(np.intp)
    height, width = bins.shape
    down, across = (max(1, round(length * part)) for length, part in zip((height, width), share[::-1], strict=True))
    tops, lefts = _places(height - down), _places(width - across)
    counts = np.stack([_windows(bins == one, tops, lefts, down, across) for one in range(_BINS)])
    worth = _worth(counts, tops, lefts, (height - down) / 2, (width - across) / 2)
    row, column = divmod(int(np.argmax(worth)), len(lefts))
    return float(lefts[column]) / width, float(tops[row]) / height


def _places(room: int) -> NDArray[np.intp]:
    return np.unique(np.linspace(0, max(0, room), _STEPS).round().astype(np.intp))


def _windows(
    mask: NDArray[np.bool_], tops: NDArray[np.intp], lefts: NDArray[np.intp], down: int, across: int
) -> NDArray[np.int64]:
    """How many of each window's pixels are set, (tops, lefts), from sums over the whole plane."""
    sums = np.zeros((mask.shape[0] + 1, mask.shape[1] + 1), np.int64)
    np.cumsum(np.cumsum(mask, axis=0, dtype=np.int64), axis=1, out=sums[1:, 1:])
    feet, rights = tops + down, lefts + across
    return np.asarray(
        sums[np.ix_(feet, rights)] - sums[np.ix_(tops, rights)] - sums[np.ix_(feet, lefts)] + sums[np.ix_(tops, lefts)]
    )


def _worth(
    counts: NDArray[np.int64], tops: NDArray[np.intp], lefts: NDArray[np.intp], middle: float, centre: float
) -> NDArray[np.float64]:
    """(tops, lefts): tonal range in L*, weighted by its shadows, less a little towards the rim."""
    shares = counts.cumsum(axis=0) / counts.sum(axis=0)
    low, high = ((shares < part).sum(axis=0) for part in (_LOW, _HIGH))
    shadows = shares[int(_SHADOW_L / _DEPTH) - 1]
    far_down = np.abs(tops - middle)[:, None] / max(middle, 1)
    far_across = np.abs(lefts - centre) / max(centre, 1)
    return np.asarray(
        (high - low) * _DEPTH * np.minimum(1, 0.2 + 0.8 * shadows / _SHADOWS)
        - _CENTRE_L * np.maximum(far_down, far_across)
    )
