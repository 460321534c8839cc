"""How many tone levels a picture really uses, from its histogram."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Histogram = NDArray[np.int64]

_FEW_LEVELS = 400  # an 8-bit picture put into 16 bits uses at most 256; a curve on it not many more
_SHARE_ON_GRID = 0.99
_SHARE_NEAR_GRID = 0.95


@dataclass(frozen=True, slots=True)
class Levels:
    """Levels really used, over the channels."""

    used: int  # the most in any channel
    eight_in_sixteen: bool  # 16-bit file that holds what was an 8-bit picture
    combed_percent: float  # empty share of the tone range after a strong curve on 8 bits


def histogram(samples: NDArray[np.uint8] | NDArray[np.uint16]) -> Histogram:
    """Counts per channel of (n, W, C) codes, (C, 256) or (C, 65536)."""
    bins = 256 if samples.dtype == np.uint8 else 65536
    return np.stack([np.bincount(samples[..., c].ravel(), minlength=bins) for c in range(samples.shape[-1])])


def measure_levels(counts: Histogram) -> Levels:
    """Levels of a (C, 256) or (C, 65536) histogram."""
    used = int((counts > 0).sum(axis=1).max())
    eight = counts.shape[1] == 65536 and used > 32 and _holds_eight_bits(counts)
    return Levels(used, eight, _combed_percent(counts))


def _holds_eight_bits(counts: Histogram) -> bool:
    """At most 400 levels in each channel, or (nearly) all values on or beside an 8-bit grid."""
    if (counts > 0).sum(axis=1).max() <= _FEW_LEVELS:
        return True
    codes = np.arange(65536)
    total = counts.sum()
    on_grid = max(counts[:, codes % step == 0].sum() for step in (257, 256))
    near = np.minimum(codes % 257, 257 - codes % 257) <= 2
    return bool(on_grid > _SHARE_ON_GRID * total or counts[:, near].sum() > _SHARE_NEAR_GRID * total)


def _combed_percent(counts: Histogram) -> float:
    """Share of 8-bit bins in the 0.5 to 99.5 % range with under a tenth of their neighbourhood's mean."""
    return max(_combed_channel(channel) for channel in counts)


def _combed_channel(channel: Histogram) -> float:
    bins = channel.reshape(256, -1).sum(axis=1).astype(np.float64)
    cumulated = np.cumsum(bins) / max(bins.sum(), 1)
    first, last = np.searchsorted(cumulated, [0.005, 0.995])
    if last - first < 16:  # too narrow a range to speak of gaps
        return 0.0
    around = np.convolve(bins, np.ones(9) / 9, mode="same")
    gaps = bins[first:last] < 0.1 * around[first:last]
    return float(100 * gaps.mean())
