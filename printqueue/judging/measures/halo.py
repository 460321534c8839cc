"""Halo: how far the light and dark rims that unsharp masking leaves beside clean edges overshoot.

The measure is two-sided contour overshoot. Across every straight contour with a calm plateau on both sides, take the
profile's swing past *both* plateaus in percent of the edge's own step. The smaller of the two swings counts,
because a thin line or a lit rim swings on one side only. An unsharp mask leaves rims of equal height on both
sides; if one swing is more than twice the other, the smaller counts in proportion. The score is what the
worst quarter of the edges reaches, each weighted by its steepness in tone per px: on a soft edge no radius
near 1 px leaves a rim, and beside a thin line or a joint the step, and so the weight, is small.

Source: our own derivation. An ideal edge of unit step, blurred by s_b and sharpened by an unsharp mask of radius
s_u and amount a, is g(x) = (1 + a) Phi(x / s_b) - a Phi(x / s_s) with s_s^2 = s_b^2 + s_u^2. It swings by
g(x) - 1 at x^2 = 2 ln((1 + a) s_s / (a s_b)) / (1 / s_b^2 - 1 / s_s^2). Noise: 1.25 (sqrt(pi / 2)) turns the
mean absolute deviation of a Gaussian into its sigma, sqrt(6) is the gain of the second difference [1 -2 1].
The limits are our own, found by trial on photographs and synthetic scenes.

What it cannot see: texture without contours (not measurable, never a pass), rims beyond about 6 px.
What it misreads: mortar lines, embossing and outlined paint are true double
edges and count as halos; a step within one pixel, as in drawn graphics, reads up to 9 %, the swing of the
cubic sampling. A mask that works in only one tonal direction leaves one rim and goes unseen.
Accuracy: over 60 to 100 edges, shifting the picture by a few pixels moves a score of 30 by +-5.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields

import cv2
import numpy as np
from numpy.typing import NDArray

from printqueue.judging.measures._contours import ACROSS_PX, STEP_PX, contour_profiles

LEVELS = (0, 1)
MIN_EDGES = 12
CONFIDENT_EDGES = 50
MAX_PROFILES = 20_000

_SCORE_PERCENTILE = 75
_SHARE_ABOVE = 0.10
_PLACES = 12
_PLACES_ACROSS = 24  # two places are at least this fraction of the measured area's longer side apart

_Values = NDArray[np.float64]
_DARK, _LIGHT = ACROSS_PX <= -4, ACROSS_PX >= 4
_DARK_RIM, _LIGHT_RIM = (ACROSS_PX >= -4) & (ACROSS_PX <= 0), (ACROSS_PX >= 0) & (ACROSS_PX <= 4)
_PER_PX = round(1 / STEP_PX)
_CENTRE = ACROSS_PX.size // 2

_MIN_STEP = 0.08
_MIN_STEP_TO_NOISE = 6.0
_MAX_SPREAD = 0.35  # of a plateau, in steps
_MAX_WIDTH_PX = 3.5
_CLIPPED_LIGHT, _CLIPPED_DARK = 0.985, 0.012
_MIN_RIM = 0.01  # in steps: a smaller clipped rim does not count
_ALIKE = 0.5  # smaller swing over larger: rims at least this similar count in full


@dataclass(frozen=True, slots=True)
class Edges:
    """The usable contour edges of a plane or tile at one level; every array has n rows.

    overshoot: swing past *both* plateaus (the smaller, reduced if they differ much) in steps; can be negative.
    step: tone difference of the plateaus, 0..1. width_px: step / steepest slope, in px of the level.
    x_px, y_px: place in full-size px of the picture.
    profiles: (n, 33) from -8 to +8 px of the level, dark side first, as (tone - light plateau) / step.
    """

    overshoot: _Values
    step: _Values
    width_px: _Values
    x_px: NDArray[np.intp]
    y_px: NDArray[np.intp]
    profiles: _Values

    @property
    def steepness(self) -> _Values:
        """Each edge's weight: its steepest slope in tone per px of the level, (n,), above 0."""
        return self.step / self.width_px


@dataclass(frozen=True, slots=True)
class Halo:
    """What the edges say; None if there are too few of them to say anything.

    score_percent: two-sided overshoot that the worst quarter of the edges reaches, % of an edge's own step.
    share_percent: % of the edges above 10 %. Both weight every edge by its steepness, and take the larger of the
    levels that count: full size, and half size if it has 50 edges or full size cannot be measured.
    edges, level: the level that gave the score (0 full size, 1 half size) and how many edges it has; if nothing
    could be measured, the most that any level has. confident: at least 50 edges.
    edge_width_px: median width, 2.5 sigma for a Gaussian edge, in full-size px.
    halo_px: distance from the edge to where the light rim has fallen to half its height, in full-size px;
    delta_lightness: height of the rims in L*; both are medians over the worst quarter.
    places: (x, y, overshoot in %) of up to 12 edges of the worst quarter, worst first, not side by side.
    """

    score_percent: float | None
    share_percent: float | None
    edges: int
    level: int | None
    confident: bool
    edge_width_px: float | None
    halo_px: float | None
    delta_lightness: float | None
    places: tuple[tuple[int, int, float], ...]


def find_edges(
    tone: NDArray[np.float32],
    *,
    level: int,
    origin_px: tuple[int, int] = (0, 0),
    max_profiles: int = MAX_PROFILES,
) -> Edges:
    """Find the usable contour edges of a plane or tile (H, W) of perceptual tone in 0..1.

    Level 0 takes it as it is; level 1 halves its size, so that wider rims fit between the plateaus.
    origin_px (x, y) is where a tile lies in its picture. The outermost 10 px of the level are skipped:
    tiles on a grid of multiples of 16 px that overlap by 20 px (level 1: 40 px) see every edge once.
    If there are more than max_profiles contours, every n-th is taken. Raises ValueError for any other shape or level.
    """
    plane = _at_level(tone, level)
    # NaN or infinity in a hostile plane fails the limits, and so costs only the edges it touches
    with np.errstate(invalid="ignore", over="ignore"):
        profiles = contour_profiles(plane, max_profiles)
        x = (profiles.x << level) + level + origin_px[0]
        y = (profiles.y << level) + level + origin_px[1]
        return _usable(profiles.tone, x, y)


def score(edges_by_level: Mapping[int, Sequence[Edges]], *, min_edges: int = MIN_EDGES) -> Halo:
    """Score the pooled edges of one plane, or of a picture's tiles, at each level.

    Wide rims show at the coarser level, but a few edges there are weak evidence against many at full size:
    it counts from 50 edges up, or if level 0 holds fewer than min_edges.
    """
    pooled = {level: _pooled(tiles) for level, tiles in edges_by_level.items()}
    usable = {level: edges for level, edges in pooled.items() if len(edges.step) >= max(1, min_edges)}
    if not usable:
        edges_found = max((len(edges.step) for edges in pooled.values()), default=0)
        return Halo(None, None, edges_found, None, edges_found >= CONFIDENT_EDGES, None, None, None, ())
    counting = {k: edges for k, edges in usable.items() if k == min(usable) or len(edges.step) >= CONFIDENT_EDGES}
    worst = max(counting, key=lambda level: _score(counting[level]))
    return _halo(counting[worst], worst, max(_share(edges) for edges in counting.values()))


def _at_level(tone: NDArray[np.float32], level: int) -> NDArray[np.float32]:
    if tone.ndim != 2 or level not in LEVELS:
        raise ValueError(f"halo: needs a plane (H, W) and level 0 or 1, got {tone.shape} and {level}")
    plane = np.ascontiguousarray(tone, dtype=np.float32)
    height, width = plane.shape[0] >> level, plane.shape[1] >> level
    if level == 0 or min(height, width) == 0:
        return plane
    even = plane[: height << level, : width << level]
    return np.asarray(cv2.resize(even, (width, height), interpolation=cv2.INTER_AREA), dtype=np.float32)


def _usable(tone: _Values, x: NDArray[np.intp], y: NDArray[np.intp]) -> Edges:
    """Read the profiles and keep those with a clear step between calm, unclipped plateaus."""
    light, dark = np.median(tone[:, _LIGHT], axis=1), np.median(tone[:, _DARK], axis=1)
    step, noise, slope = light - dark, _fine_noise(tone), _steepest(tone)
    keep = np.isfinite(tone).all(axis=1) & (step < _MAX_WIDTH_PX * slope)
    keep &= step > np.maximum(_MIN_STEP, _MIN_STEP_TO_NOISE * noise)
    keep &= _spread(tone, light, dark) < _MAX_SPREAD * step
    keep &= (light < _CLIPPED_LIGHT) & (dark > _CLIPPED_DARK)
    tone, light, dark, step, noise = tone[keep], light[keep], dark[keep], step[keep], noise[keep]
    both = _two_sided(tone, light, dark, noise)
    profiles = (tone - light[:, None]) / step[:, None]
    return Edges(both, step, step / slope[keep], x[keep], y[keep], profiles)


def _fine_noise(tone: _Values) -> _Values:
    """Sigma of pixel noise from second differences at 1 px spacing within both plateaus; tone 0..1."""
    bends = [np.abs(_second_difference(tone[:, plateau])) for plateau in (_DARK, _LIGHT)]
    return np.asarray(1.25 / np.sqrt(6) * np.concatenate(bends, axis=1).mean(axis=1))


def _second_difference(plateau: _Values) -> _Values:
    return np.asarray(plateau[:, 2 * _PER_PX :] - 2 * plateau[:, _PER_PX:-_PER_PX] + plateau[:, : -2 * _PER_PX])


def _steepest(tone: _Values) -> _Values:
    """Largest rise over 1 px, centred within 1 px of the edge; tone per px."""
    near = tone[:, _CENTRE - _PER_PX - 1 : _CENTRE + _PER_PX + 2]
    return np.asarray((near[:, _PER_PX:] - near[:, :-_PER_PX]).max(axis=1))


def _spread(tone: _Values, light: _Values, dark: _Values) -> _Values:
    light_spread = np.abs(tone[:, _LIGHT] - light[:, None]).mean(axis=1)
    dark_spread = np.abs(tone[:, _DARK] - dark[:, None]).mean(axis=1)
    return np.asarray(1.25 * np.maximum(light_spread, dark_spread))


def _two_sided(tone: _Values, light: _Values, dark: _Values, noise: _Values) -> _Values:
    """The smaller swing, in steps, reduced if the two are not alike.

    A rim cut off by white or black counts as high as the rim on the other side.
    """
    peak, valley = tone[:, _LIGHT_RIM].max(axis=1), tone[:, _DARK_RIM].min(axis=1)
    step = light - dark
    over, under = (peak - light - noise) / step, (dark - valley - noise) / step
    both, larger = np.minimum(over, under), np.maximum(over, under)
    both = np.where(both > 0, both * np.minimum(1, both / np.maximum(_ALIKE * larger, np.finfo(np.float64).tiny)), both)
    both = np.where((peak > _CLIPPED_LIGHT) & (over > _MIN_RIM) & (over < under), under, both)
    both = np.where((valley < _CLIPPED_DARK) & (under > _MIN_RIM) & (under < over), over, both)
    return np.asarray(both)


def _pooled(tiles: Sequence[Edges]) -> Edges:
    none = np.zeros(0, dtype=np.intp)
    empty = Edges(np.zeros(0), np.zeros(0), np.zeros(0), none, none, np.zeros((0, ACROSS_PX.size)))
    names = [field.name for field in fields(Edges)]
    return Edges(*(np.concatenate([getattr(edges, name) for edges in (empty, *tiles)]) for name in names))


def _score(edges: Edges) -> float:
    """The weighted percentile in steps, interpolated linearly between the middles of the edges' weights."""
    rising = np.argsort(edges.overshoot, kind="stable")
    weight = edges.steepness[rising]
    reached = np.cumsum(weight)
    middles = (reached - weight / 2) / reached[-1]
    return float(np.interp(_SCORE_PERCENTILE / 100, middles, edges.overshoot[rising]))


def _share(edges: Edges) -> float:
    """Weighted share of the edges with a visible halo, 0..1."""
    return float(edges.steepness[edges.overshoot > _SHARE_ABOVE].sum() / edges.steepness.sum())


def _halo(edges: Edges, level: int, share: float) -> Halo:
    height = _score(edges)
    worst = edges.overshoot >= height
    rim_px = _half_height_px(np.median(edges.profiles[worst], axis=0))
    return Halo(
        score_percent=100 * height,
        share_percent=100 * share,
        edges=len(edges.step),
        level=level,
        confident=len(edges.step) >= CONFIDENT_EDGES,
        edge_width_px=float(np.median(edges.width_px)) * 2**level,
        halo_px=None if rim_px is None else rim_px * 2**level,
        delta_lightness=100 * float(np.median(edges.overshoot[worst] * edges.step[worst])),
        places=_places(edges, height),
    )


def _half_height_px(profile: _Values) -> float | None:
    """Distance from the edge's centre to where its light rim has fallen to half its height; None without a rim."""
    side = profile[_CENTRE:]
    top = int(np.argmax(side[_LIGHT_RIM[_CENTRE:]]))
    half = side[top] / 2
    fallen = np.nonzero(side[top:] <= half)[0]
    if half <= 0 or fallen.size == 0:
        return None
    after = top + int(fallen[0])
    return STEP_PX * float(after - (half - side[after]) / (side[after - 1] - side[after]))


def _places(edges: Edges, height: float) -> tuple[tuple[int, int, float], ...]:
    """The worst edges that reach `height`, spread out: neighbours on one contour would mark the same place."""
    x, y = edges.x_px, edges.y_px
    apart_px = max(np.ptp(x), np.ptp(y)) / _PLACES_ACROSS
    left = np.argsort(-edges.overshoot, kind="stable")[: np.count_nonzero(edges.overshoot >= height)]
    places: list[tuple[int, int, float]] = []
    while left.size and len(places) < _PLACES:
        here = left[0]
        places.append((int(x[here]), int(y[here]), 100 * float(edges.overshoot[here])))
        left = left[np.hypot(x[left] - x[here], y[left] - y[here]) > apart_px]
    return tuple(places)
