"""Tones of the delivered picture, and what becomes of them on the paper.

All arrays are small working copies of at most a few megapixels:
`delivered` L* of the picture as handed over (after its lift), white = 100;
`proof` L* of the same pixels as the paper shows them, paper white = 100;
`device` the paper's device RGB codes.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Lightness = NDArray[np.float32]

_BARE = 65535 - 330  # within half a percent of no ink in every channel
_SOLID_L = 1.0
_SHADOW_L = 40.0
_DETAIL_L = 0.5  # a block whose L* varies less holds nothing to lose
_BLOCK = 6
_KEPT_HALF = 0.5


@dataclass(frozen=True, slots=True)
class Tones:
    """Lightness of the delivered picture, in L*, and shares of its area, in percent."""

    median: float
    p01: float
    p99_5: float
    solid_percent: float


@dataclass(frozen=True, slots=True)
class BarePaper:
    """Where no ink falls inside the picture, in percent."""

    largest_percent: float  # the largest connected piece, share of the picture's area
    edge_percent: float  # share of the picture's perimeter


def measure_tones(delivered: Lightness) -> Tones:
    """Percentiles of L* over (H, W), and the share that is solid ink."""
    p01, median, p995 = np.percentile(delivered, [1, 50, 99.5])
    return Tones(float(median), float(p01), float(p995), float(100 * (delivered < _SOLID_L).mean()))


def measure_bare_paper(device: NDArray[np.uint16]) -> BarePaper:
    """From device codes (H, W, 3): the largest bare piece and the bare part of the edge."""
    bare = np.asarray((device >= _BARE).all(axis=-1))
    edge = np.concatenate([bare[0], bare[-1], bare[1:-1, 0], bare[1:-1, -1]])
    count, _, stats, _ = cv2.connectedComponentsWithStats(np.asarray(bare, np.uint8), connectivity=8)
    largest = int(stats[1:, cv2.CC_STAT_AREA].max()) if count > 1 else 0
    return BarePaper(100 * largest / bare.size, float(100 * edge.mean()))


def shadow_loss_percent(delivered: Lightness, proof: Lightness) -> float:
    """Share of the area, in percent, whose shadow detail keeps less than half its separation on paper.

    In blocks of 6 × 6 pixels: standard deviation of L* before and after. Only blocks darker
    than L* 40 that hold detail (more than 0.5 L*) can lose any.
    """
    before, after = _blocks(delivered), _blocks(proof)
    if before.size == 0:
        return 0.0
    spread = before.std(axis=1, dtype=np.float64)
    at_risk = (before.mean(axis=1, dtype=np.float64) < _SHADOW_L) & (spread > _DETAIL_L)
    lost = at_risk & (after.std(axis=1, dtype=np.float64) < _KEPT_HALF * spread)
    return float(100 * lost.mean())


def _blocks(plane: Lightness) -> Lightness:
    """(H, W) → (number of whole blocks, 36)."""
    rows, columns = plane.shape[0] // _BLOCK, plane.shape[1] // _BLOCK
    whole = plane[: rows * _BLOCK, : columns * _BLOCK]
    return whole.reshape(rows, _BLOCK, columns, _BLOCK).swapaxes(1, 2).reshape(rows * columns, _BLOCK * _BLOCK)
