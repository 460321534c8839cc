"""The few places worth marking on a map of faults."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from printqueue.core.model.region import Region

MAX_REGIONS = 5
_CELL = 8  # px


def largest_regions(mask: NDArray[np.bool_], values: NDArray[np.float32] | None = None) -> tuple[Region, ...]:
    """The five largest connected pieces of a mask (H, W) of the whole picture, largest first.

    Each is a bounding box; with `values` (H, W), each gets the mean over its pixels.
    """
    height, width = mask.shape
    count, labels, stats, _ = cv2.connectedComponentsWithStats(mask.astype(np.uint8), connectivity=8)
    biggest = sorted(range(1, count), key=lambda label: -int(stats[label, cv2.CC_STAT_AREA]))[:MAX_REGIONS]
    found = []
    for label in biggest:
        left, top, across, down = (int(n) for n in stats[label, :4])
        value = None if values is None else float(values[labels == label].mean())
        found.append(Region(left / width, top / height, across / width, down / height, value))
    return tuple(found)


def in_cells(plane: NDArray[Any]) -> NDArray[np.float32]:
    """Means of (H, W) over cells of about 8 × 8 px. Cells that are mostly set make a place; scattered pixels do not."""
    height, width = plane.shape
    size = max(1, round(width / _CELL)), max(1, round(height / _CELL))
    return np.asarray(cv2.resize(plane.astype(np.float32), size, interpolation=cv2.INTER_AREA), np.float32)
