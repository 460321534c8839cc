"""Which colours the paper cannot show, regardless of how light it shows them.

The difference is CIEDE2000 between the delivered picture and its proof, each relative to its own white, without the
lightness term: black point compensation lightens every dark neutral on purpose, which costs no colour.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from printqueue.core.model.measures import GAMUT_OVER
from printqueue.core.model.region import Region
from printqueue.imaging.colour.difference import hue_and_chroma_difference
from printqueue.imaging.colour.hues import NAMES, hue_index
from printqueue.judging.measures.regions import in_cells, largest_regions

Lab = NDArray[np.float32]
Plane = NDArray[np.float32]

# Hues, chroma and places describe what changes clearly: by more than 6, or by more than 3 if that is rare.
_CLEAR, _SLIGHT = 6.0, 3.0
_RARE = 0.01
_NAMED = 0.2  # share of the change that a hue needs in order to be named
_MAX_HUES = 3


@dataclass(frozen=True, slots=True)
class Gamut:
    """How much hue and chroma change on the paper.

    over_percent   share of the area, in percent, that changes by more than each rung of `GAMUT_OVER`
    hues           the hues of what changes clearly, by their part in the change, worst first; may be ()
    chroma_before, chroma_after   mean C*ab of what changes clearly, delivered and on paper; None if nothing does
    places         where it changes clearly; `value` is the mean difference there, ΔE00
    """

    over_percent: tuple[float, ...]
    hues: tuple[str, ...] = ()
    chroma_before: float | None = None
    chroma_after: float | None = None
    places: tuple[Region, ...] = ()


def measure_gamut(delivered_lab: Lab, proof_lab: Lab) -> Gamut:
    """Compare L*a*b* (H, W, 3) of the delivered picture and its proof, both with white = 100.

    A quarter of a megapixel is enough for shares of area. Values that are not finite count as unchanged.
    """
    difference = hue_and_chroma_difference(delivered_lab, proof_lab)
    if not np.isfinite(difference).all():
        difference = np.where(np.isfinite(difference), difference, np.float32(0))
    shares = tuple(_percent(difference > rung) for rung in GAMUT_OVER)
    changed = difference > _CLEAR
    if changed.mean() < _RARE:
        changed = difference > _SLIGHT
    if not changed.any():
        return Gamut(shares)
    before, after = delivered_lab[changed], proof_lab[changed]
    return Gamut(
        shares,
        _hues(before, difference[changed]),
        _mean_chroma(before),
        _mean_chroma(after),
        largest_regions(in_cells(changed) > 0.5, in_cells(difference)),
    )


def _percent(mask: NDArray[np.bool_]) -> float:
    return float(100 * np.count_nonzero(mask) / mask.size)


def _mean_chroma(lab: Lab) -> float:
    return float(np.sqrt(lab[:, 1] ** 2 + lab[:, 2] ** 2).mean(dtype=np.float64))


def _hues(lab: Lab, difference: Plane) -> tuple[str, ...]:
    """Names of the hues of (n, 3) colours that carry at least a fifth of the summed `difference`, heaviest first."""
    weights = np.bincount(hue_index(lab[:, 1], lab[:, 2]), difference, len(NAMES))
    heaviest = np.argsort(-weights, kind="stable")[:_MAX_HUES]
    return tuple(NAMES[i] for i in heaviest if weights[i] >= _NAMED * weights.sum())
