"""Finds the part of a picture that says most about a paper: the widest range of tones, including shadows."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

_BINS = 25  # of 4 L* each
_DEPTH = 100 / _BINS
_SHADOW_L = 25.0  # papers differ below this
_SHADOWS = 0.10  # from this share up, shadows count in full
_LOW, _HIGH = 0.02, 0.98
_STEPS = 32  # positions tried along each axis
_MAX_PX = 400_000
_CENTRE_L = 2.0  # the more central of similar parts wins: lying at the edge costs this much L*


def telling_part(lightness: NDArray[np.float32], share: tuple[float, float]) -> tuple[float, float]:
    """Left and top, in fractions of the picture, of its most telling part.

    `lightness` (H, W) is L* 0..100 of the delivered picture; `share` the part's width and height in fractions (0..1].
    A part scores its range of L* from the 2nd to the 98th percentile, less if under 10 % of it is darker than L* 25.
    Our own measure, no source: a strip is for judging how a paper opens shadows while holding the lights.
    """
    every = max(1, int(np.ceil((lightness.size / _MAX_PX) ** 0.5)))
    bins = np.clip(lightness[::every, ::every] / _DEPTH, 0, _BINS - 1).astype(np.intp)
    down, across = (_places(side, part) for side, part in zip(bins.shape, share[::-1], strict=True))
    counts = np.stack([_windows(bins == one, down, across) for one in range(_BINS)])
    row, column = divmod(int(np.argmax(_worth(counts, down, across))), len(across.first))
    return float(across.first[column]) / bins.shape[1], float(down.first[row]) / bins.shape[0]


class _Places(NamedTuple):
    """The positions tried along one side, in samples: where a part begins, its length, and the space it has."""

    first: NDArray[np.intp]
    length: int
    room: int

    @property
    def off_centre(self) -> NDArray[np.float64]:
        """How far from the middle each position is: 0 there, 1 at the edge."""
        return np.asarray(np.abs(self.first - self.room / 2) / max(self.room / 2, 1))


def _places(side: int, share: float) -> _Places:
    length = max(1, round(side * share))
    room = side - length
    return _Places(np.unique(np.linspace(0, max(0, room), _STEPS).round().astype(np.intp)), length, room)


def _windows(mask: NDArray[np.bool_], down: _Places, across: _Places) -> NDArray[np.int64]:
    """Count the set pixels in each window, (down, across), from sums over the whole plane."""
    sums = np.zeros((mask.shape[0] + 1, mask.shape[1] + 1), np.int64)
    np.cumsum(np.cumsum(mask, axis=0, dtype=np.int64), axis=1, out=sums[1:, 1:])
    tops, lefts = down.first, across.first
    feet, rights = tops + down.length, lefts + across.length
    return np.asarray(
        sums[np.ix_(feet, rights)] - sums[np.ix_(tops, rights)] - sums[np.ix_(feet, lefts)] + sums[np.ix_(tops, lefts)]
    )


def _worth(counts: NDArray[np.int64], down: _Places, across: _Places) -> NDArray[np.float64]:
    """(down, across): tonal range in L*, weighted by its shadows, slightly less towards the edge."""
    shares = counts.cumsum(axis=0) / counts.sum(axis=0)
    low, high = ((shares < part).sum(axis=0) for part in (_LOW, _HIGH))
    shadows = shares[int(_SHADOW_L / _DEPTH) - 1]
    return np.asarray(
        (high - low) * _DEPTH * np.minimum(1, 0.2 + 0.8 * shadows / _SHADOWS)
        - _CENTRE_L * np.maximum(down.off_centre[:, None], across.off_centre)
    )
