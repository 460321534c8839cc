"""Tones of the delivered picture, and what the paper makes of them.

All arrays are small working copies of a few megapixels at most:
`delivered` L* of the picture as handed over (after its lift), white = 100;
`proof` L* of the same pixels as the paper shows them, paper white = 100;
`device` the paper's device RGB codes.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from printqueue.core.model.measures import LIFT_COST
from printqueue.core.model.region import Region
from printqueue.imaging.colour.exposure import lightest_kept
from printqueue.judging.measures.regions import in_cells, largest_regions

Lightness = NDArray[np.float32]
Mask = NDArray[np.bool_]

_BARE = 65535 - 330  # within half a percent of no ink in each channel
_SOLID_L = 0.5
_SHADOW_L = 40.0
_DETAIL_L = 0.5  # a neighbourhood with less variation in L* has nothing to lose
_GRAIN_PX, _NEAR_PX = 3, 7
_KEPT_HALF = 0.5
_PIECE = 0.0005  # of the area; smaller pieces are not reported
_MAX_PIECES = 5


@dataclass(frozen=True, slots=True)
class DeliveredTones:
    """Lightness of the delivered picture, in L*."""

    median: float
    p99_5: float
    lift_cost_percent: tuple[float, ...]  # share of the area that each lift of `LIFT_COST` would leave as bare paper


@dataclass(frozen=True, slots=True)
class BarePaper:
    """Where no ink lands inside the picture, in percent."""

    largest_percent: float  # the largest connected piece, share of the picture's area
    edge_percent: float  # share of the picture's perimeter
    sides: tuple[str, ...] = ()  # of "top", "right", "bottom", "left": those of which a tenth or more is bare
    places: tuple[Region, ...] = ()  # the largest pieces; `value` is their share of the area, in percent


@dataclass(frozen=True, slots=True)
class Solid:
    """Where the paper's deepest black stands, in percent of the area."""

    percent: float
    places: tuple[Region, ...] = ()  # the largest connected pieces; `value` is their share of the area, in percent


@dataclass(frozen=True, slots=True)
class Shadows:
    """How much the paper keeps of the steps between dark tones.

    detail_percent   share of the picture's area that is dark and holds detail
    lost_percent     share of the picture's area that does, and keeps less than half of its separation
    kept_percent     median of the separation kept where it is dark and holds detail; None: nowhere
    worst_percent    the most that the worst twentieth of it keeps; None: nowhere
    places           where it is lost; `value` is the mean of what is kept there, in percent
    """

    detail_percent: float
    lost_percent: float
    kept_percent: float | None = None
    worst_percent: float | None = None
    places: tuple[Region, ...] = ()


def measure_tones(delivered: Lightness) -> DeliveredTones:
    """Measure percentiles of L* over (H, W), and what each lift would cost.

    NaN counts as black, infinity as white.
    """
    plane = _finite(delivered)
    median, p995 = (float(value) for value in np.percentile(plane, [50, 99.5]))
    cost = tuple(_percent(plane >= lightest_kept(thirds / 3)) for thirds in LIFT_COST)
    return DeliveredTones(median, p995, cost)


def measure_bare_paper(device: NDArray[np.uint16]) -> BarePaper:
    """Measure device codes (H, W, 3): the largest bare piece, how much of the edge is bare, and where."""
    bare = cv2.inRange(device, (_BARE,) * 3, (65535,) * 3) > 0
    rim = {"top": bare[0], "right": bare[:, -1], "bottom": bare[-1], "left": bare[:, 0]}
    edge = np.concatenate([bare[0], bare[-1], bare[1:-1, 0], bare[1:-1, -1]])
    sides = tuple(name for name, line in rim.items() if line.mean() >= 0.1)
    largest, places = _pieces(bare)
    return BarePaper(largest, _percent(edge), sides, places)


def measure_solid(proof: Lightness, black: float) -> Solid:
    """Measure the share of the proof (H, W) within half an L* of `black`, the deepest tone this print can show."""
    solid = _finite(proof) < np.float32(black + _SOLID_L)
    return Solid(_percent(solid), _pieces(solid)[1])


def measure_shadows(delivered: Lightness, proof: Lightness) -> Shadows:
    """Compare the separation of dark tones on paper with that in the delivered picture, both (H, W).

    Separation is the standard deviation of L* in the 7 × 7 pixels around each pixel, after a mean over 3 × 3 that
    removes most single-pixel noise. Dark: a mean below L* 40. Detail: a separation over 0.5 L*.
    """
    mean, before = _local(_finite(delivered))
    detail = (mean < _SHADOW_L) & (before > _DETAIL_L)
    if not detail.any():
        return Shadows(0.0, 0.0)
    _, after = _local(_finite(proof))
    kept = np.divide(after, before, out=np.ones_like(after), where=detail)
    lost = detail & (kept < _KEPT_HALF)
    worst, median = (float(value) for value in np.percentile(kept[detail], [5, 50]))
    return Shadows(_percent(detail), _percent(lost), 100 * median, 100 * worst, _lost_places(lost, kept))


def _percent(mask: Mask) -> float:
    return float(100 * np.count_nonzero(mask) / mask.size)


def _finite(plane: Lightness) -> Lightness:
    if np.isfinite(plane).all():
        return plane
    return np.clip(np.nan_to_num(plane, nan=0.0, posinf=100.0, neginf=0.0), 0, 100)


def _local(plane: Lightness) -> tuple[Lightness, Lightness]:
    """Local mean and standard deviation, (H, W) each; the picture is mirrored at its edges."""
    calm = _mean_around(plane - np.float32(_SHADOW_L / 2), _GRAIN_PX)  # near zero, so that squares keep their digits
    mean = _mean_around(calm, _NEAR_PX)
    variance = _mean_around(calm * calm, _NEAR_PX) - mean * mean
    return mean + np.float32(_SHADOW_L / 2), np.sqrt(np.maximum(variance, 0))


def _mean_around(plane: Lightness, side: int) -> Lightness:
    return np.asarray(cv2.blur(plane, (side, side), borderType=cv2.BORDER_REFLECT), np.float32)


def _lost_places(lost: Mask, kept: Lightness) -> tuple[Region, ...]:
    share = in_cells(lost)
    kept_there = in_cells(np.where(lost, kept, 0)) / np.maximum(share, 1e-6)
    return largest_regions(share > 0.5, np.asarray(100 * kept_there, np.float32))


def _pieces(mask: Mask) -> tuple[float, tuple[Region, ...]]:
    """The largest connected piece in percent of the area, and bounding boxes of the pieces worth reporting."""
    if not mask.any():
        return 0.0, ()
    height, width = mask.shape
    _, _, stats, _ = cv2.connectedComponentsWithStats(mask.astype(np.uint8), connectivity=8)
    stats = stats[1:]
    largest = stats[np.argsort(-stats[:, cv2.CC_STAT_AREA], kind="stable")[:_MAX_PIECES]]
    told = [piece for piece in largest if piece[cv2.CC_STAT_AREA] >= _PIECE * mask.size]
    places = tuple(
        Region(int(x) / width, int(y) / height, int(w) / width, int(h) / height, 100 * int(area) / mask.size)
        for x, y, w, h, area in told
    )
    return 100 * int(largest[0, cv2.CC_STAT_AREA]) / mask.size, places
