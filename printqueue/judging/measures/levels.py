"""How many tone levels a picture really uses, from its histogram."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Histogram = NDArray[np.int64]
Codes = NDArray[np.uint8] | NDArray[np.uint16]

_MAX_AT_ONCE = 1 << 24  # pixels; counts come as float32, exact up to here

_EIGHT_BIT_LEVELS = 256
_REACH = 16  # bins; the spacing of 4-bit tones
_ENOUGH = 30  # pixels in a bin, on average over its neighbourhood
_TOO_FEW = 32  # so few levels, as in a flat card or a line drawing, say nothing about their origin
_SHARE = 0.99  # of the pixels; the rest may have been retouched in 16 bits
_SHARE_NEAR_GRID = 0.95
_UNEVEN = 0.8  # median |ln| of the ratio of neighbouring gaps; unrelated levels have ln 3, a combed 8-bit picture ln 2
_DENSITY = (0.3, 8.0)  # levels per 8-bit step of their range; a curve of slope 3 leaves a third, one of 1/8 eight


@dataclass(frozen=True, slots=True)
class Levels:
    """Levels really used, over the channels."""

    used: int  # the most in any channel
    eight_in_sixteen: bool  # a 16-bit file that holds a former 8-bit picture
    combed_percent: float  # share of the tone range left empty by a strong curve on 8 bits


def histogram(samples: Codes) -> Histogram:
    """Counts per channel of (n, W, C) codes, (C, 256) or (C, 65536); every sample is counted."""
    channels = samples.shape[-1]
    flat = np.ascontiguousarray(samples).reshape(1, -1, channels)
    total = np.zeros((channels, 256 if samples.dtype == np.uint8 else 65536), np.int64)
    for start in range(0, flat.shape[1], _MAX_AT_ONCE):
        total += _counts(flat[:, start : start + _MAX_AT_ONCE])
    return total


def _counts(flat: NDArray[Any]) -> Histogram:
    """Counts of (1, n, C) codes. 16-bit codes are counted by both bytes at once, which takes a third less time."""
    channels = flat.shape[-1]
    if flat.dtype == np.uint8:
        by_channel = [cv2.calcHist([flat], [c], None, [256], [0, 256]) for c in range(channels)]
    else:
        pairs = flat.astype("<u2", copy=False).view(np.uint8)  # low byte, high byte
        sides, spans = [256, 256], [0, 256, 0, 256]
        by_channel = [cv2.calcHist([pairs], [2 * c + 1, 2 * c], None, sides, spans) for c in range(channels)]
    return np.stack([np.asarray(counts, np.int64).ravel() for counts in by_channel])


def measure_levels(counts: Histogram) -> Levels:
    """Levels of a (C, 256) or (C, 65536) histogram."""
    used = (counts > 0).sum(axis=1)
    telling = counts[used > _TOO_FEW]
    eight = counts.shape[1] == 65536 and len(telling) > 0 and all(_holds_eight_bits(channel) for channel in telling)
    return Levels(int(used.max()), bool(eight), _combed_percent(counts))


def _holds_eight_bits(channel: Histogram) -> bool:
    """Whether (nearly) all values lie on or next to an 8-bit grid, or on 256 levels that were one before a curve.

    Pure black and white lie on every grid and are left out: a border or a burnt-out sky says nothing.
    """
    inner = channel.copy()
    inner[[0, -1]] = 0
    total = int(inner.sum())
    if total == 0:
        return False
    near = inner[::257].sum() + sum(inner[off::257].sum() + inner[257 - off :: 257].sum() for off in (1, 2))
    on_grid = max(inner[::257].sum(), inner[::256].sum())
    return bool(on_grid > _SHARE * total or near > _SHARE_NEAR_GRID * total or _is_curved_grid(inner))


def _is_curved_grid(inner: Histogram) -> bool:
    """Whether at most 256 levels hold 99 % of the pixels, as dense and as evenly spaced as 8 bits under a curve.

    A chart drawn in 16 bits also has few levels, but they are unrelated or far apart; the few levels
    of a 16-bit fog lie close together.
    """
    used = np.flatnonzero(inner)
    if used.size > _EIGHT_BIT_LEVELS:
        order = used[np.argsort(inner[used])[::-1]]
        many = int(np.searchsorted(np.cumsum(inner[order]), _SHARE * inner.sum())) + 1
        used = np.sort(order[:many])
    if not _TOO_FEW < used.size <= _EIGHT_BIT_LEVELS:
        return False
    gaps = np.diff(used).astype(np.float64)
    density = used.size / (gaps.sum() / 257)
    dense = _DENSITY[0] <= density <= _DENSITY[1]
    return bool(dense and np.median(np.abs(np.log(gaps[1:] / gaps[:-1]))) < _UNEVEN)


def _combed_percent(counts: Histogram) -> float:
    """Share of the 8-bit bins in the 0.5 to 99.5 % range that hold less than a tenth of their neighbourhood's mean.

    The first and the last bin are left out: a black border or a burnt-out sky is not a tone.
    """
    return max(_combed_channel(channel) for channel in counts)


def _combed_channel(channel: Histogram) -> float:
    bins = channel.reshape(256, -1).sum(axis=1).astype(np.float64)
    bins[[0, -1]] = 0
    cumulated = np.cumsum(bins) / max(bins.sum(), 1)
    first, last = np.searchsorted(cumulated, [0.005, 0.995])
    if last - first < 16:  # too narrow a range to have meaningful gaps
        return 0.0
    around = np.convolve(bins, np.ones(9) / 9, mode="same")
    enough = around >= _ENOUGH  # where there are few pixels, an empty bin is chance
    # a gap has tones on both sides; next to the lights of a night picture there is simply nothing
    between = np.minimum(_highest_before(bins), _highest_before(bins[::-1])[::-1]) >= around
    gaps = (bins < 0.1 * around) & enough & between
    return float(100 * gaps[first:last].mean())


def _highest_before(bins: NDArray[np.float64]) -> NDArray[np.float64]:
    """The highest of the `_REACH` bins before each."""
    padded = np.concatenate([np.zeros(_REACH), bins[:-1]])
    return np.asarray(np.lib.stride_tricks.sliding_window_view(padded, _REACH).max(axis=1))
