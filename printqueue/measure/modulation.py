"""The largest modulation along the picture's own edges: does sharpening lift fine contrast beyond what was there?

The tone profile across an edge is an edge spread function; its derivative's spectrum, divided by its value at
frequency 0, is the modulation transfer of everything that the edge went through (as in ISO 12233's edge-based
method, here on natural contours instead of a chart). A lens and a scanner only lose: the curve falls from 1. Sharpening makes
it rise above 1 before it falls. An ideal edge of Gaussian blur s px after an unsharp mask of amount a and radius r:
exp(−2(π s f)²) (1 + a (1 − exp(−2(π r f)²))).

What it cannot tell: on natural contours it also holds what lies beside the edge. Unsharpened photographs that are sharp
to the pixel read 1.0 to 1.35 (median 1.2, 12 photographs), so grades made for test charts do not carry over.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from printqueue.measure._contours import STEP_PX

FEWEST_EDGES = 12
_FREQUENCIES = np.arange(1, 51) / 100  # cycles/px, up to half the sampling frequency
_FLAT_PX = 5.0
_CENTRE_PX = 3.0  # the derivative's centroid is looked for this near to the middle
_LEAST_RISE = 0.5  # of the step, within that distance; a profile that rises less has no centre to speak of
_MOST_SWING = 100.0  # steps; a profile that swings further is damaged data, not an edge

Values = NDArray[np.float64]


def _cubic_response() -> Values:
    """What cubic sampling between pixels does to each frequency: the transform of its kernel (Keys 1981, a = −0.75).

    The profiles are sampled so; at 0.2 cycles/px it lifts by some 2 %.
    """
    a, x = -0.75, (np.arange(2000) + 0.5) / 1000  # 0..2 px
    near = (a + 2) * x**3 - (a + 3) * x**2 + 1
    far = a * x**3 - 5 * a * x**2 + 8 * a * x - 4 * a
    kernel = np.where(x < 1, near, far)
    return np.array([2 * (kernel * np.cos(2 * np.pi * f * x)).mean() * 2 for f in _FREQUENCIES])


_SAMPLING_GAIN = _cubic_response()


def maximum_modulation(profiles: Values) -> float | None:
    """The highest modulation at 0.01 to 0.5 cycles/px over edges of `profiles` (n, samples at 0.5 px), 0 dark to 1 light.

    1.0 where nothing rises above frequency 0. None with fewer than 12 edges that rise in their middle; others, and
    profiles with NaN or infinity, are left out. On tone (L*), not on linear light.
    """
    usable = profiles[_rises(profiles)]
    if len(usable) < FEWEST_EDGES:
        return None
    return max(1.0, float(modulation(usable).max()))


def _rises(profiles: Values) -> NDArray[np.bool_]:
    middle, near = profiles.shape[1] // 2, round(_CENTRE_PX / STEP_PX)
    sound = (np.abs(profiles) < _MOST_SWING).all(axis=1)  # false for NaN too
    with np.errstate(invalid="ignore"):
        return np.asarray(sound & (profiles[:, middle + near] - profiles[:, middle - near] > _LEAST_RISE))


def modulation(profiles: Values) -> Values:
    """Modulation (50,) at 0.01, 0.02 ... 0.50 cycles/px, pooled over edges that rise in their middle."""
    spread = np.diff(profiles, axis=1)  # line spread, between the samples
    at_px = (np.arange(spread.shape[1]) - (spread.shape[1] - 1) / 2) * STEP_PX
    centred = at_px[None, :] - _centroids(spread, at_px)[:, None]
    weighted = spread * _window(at_px)
    # edges lie anywhere within their pixel: each is turned to its own centre before they are added
    total = np.array([(weighted * np.exp(-2j * np.pi * f * centred)).sum() for f in _FREQUENCIES])
    at_zero = weighted.sum()
    difference_loss = np.sinc(_FREQUENCIES * STEP_PX)  # of taking differences over 0.5 px
    return np.asarray(np.abs(total) / abs(at_zero) / difference_loss / _SAMPLING_GAIN)


def _window(at_px: Values) -> Values:
    """Flat over the rims that sharpening leaves, then down to 0 as a cosine (a Tukey window)."""
    beyond = np.clip((np.abs(at_px) - _FLAT_PX) / (at_px[-1] - _FLAT_PX), 0, 1)
    return np.asarray((1 + np.cos(np.pi * beyond)) / 2)


def _centroids(spread: Values, at_px: Values) -> Values:
    near = np.abs(at_px) <= _CENTRE_PX
    weight = spread[:, near]
    return np.asarray((weight * at_px[near]).sum(axis=1) / weight.sum(axis=1))
