"""Sharpening for print, on request only: an unsharp mask on lightness at print scale. Pure.

The mask is the picture's lightness minus the same under a Gaussian of σ = `radius_mm`, times `amount_percent`; it is
added to all channels alike, so that hues stay. Lightness is the channels' encoded values, weighted by their share of
luminance. Common practice, no source; the halo score measures what it does to edges.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil, fsum

import numpy as np
from numpy.typing import NDArray

from printqueue.core.model.request import Sharpening
from printqueue.core.units import MM_PER_INCH
from printqueue.imaging.elementary import exp

Codes = NDArray[np.uint16]
Plane = NDArray[np.float32]
_PIECE_ROWS = 64
_SIGMAS = 3.0  # where the Gaussian is cut off
_EVEN = (1 / 3, 1 / 3, 1 / 3)  # for spaces that do not state their channels' share of luminance


@dataclass(frozen=True, slots=True)
class Mask:
    """`taps` (2 × reach + 1,) of the Gaussian; `amount` as a factor; `weights` of the channels in lightness."""

    taps: tuple[float, ...]
    amount: float
    weights: tuple[float, ...]

    @property
    def reach(self) -> int:
        """Rows needed above and below a row."""
        return len(self.taps) // 2

    def sharpened(self, codes: Codes, skip: int, rows: int) -> Codes:
        """Sharpen rows `skip` to `skip` + `rows` of `codes`, (H, W, 3) or grey (H, W), repeating them beyond the edge.

        Works piece by piece to keep the floating-point copies small.
        """
        found = np.empty((rows, *codes.shape[1:]), np.uint16)
        for start in range(0, rows, _PIECE_ROWS):
            stop = min(start + _PIECE_ROWS, rows)
            first = max(0, skip + start - self.reach)
            near = codes[first : skip + stop + self.reach]
            found[start:stop] = self._piece(near, skip + start - first, stop - start)
        return found

    def _piece(self, codes: Codes, skip: int, rows: int) -> Codes:
        light = self._lightness(codes)
        blurred = self._across(self._down(light, skip, rows))
        change = np.float32(self.amount) * (light[skip : skip + rows] - blurred)
        kept = codes[skip : skip + rows].astype(np.float32)
        kept += change if codes.ndim == 2 else change[..., None]
        return np.rint(np.clip(kept, 0, 65535, out=kept)).astype(np.uint16)

    def _lightness(self, codes: Codes) -> Plane:
        if codes.ndim == 2:
            return codes.astype(np.float32)
        light = np.zeros(codes.shape[:2], np.float32)
        for channel, weight in enumerate(self.weights):  # same order on every processor, unlike a product
            light += np.float32(weight) * codes[..., channel]
        return light

    def _down(self, plane: Plane, skip: int, rows: int) -> Plane:
        padded = np.pad(plane, ((self.reach, self.reach), (0, 0)), mode="edge")[skip:]
        found = np.zeros((rows, plane.shape[1]), np.float32)
        for index, tap in enumerate(self.taps):
            found += np.float32(tap) * padded[index : index + rows]
        return found

    def _across(self, plane: Plane) -> Plane:
        padded = np.pad(plane, ((0, 0), (self.reach, self.reach)), mode="edge")
        found = np.zeros_like(plane)
        for index, tap in enumerate(self.taps):
            found += np.float32(tap) * padded[:, index : index + plane.shape[1]]
        return found


def mask_of(asked: Sharpening | None, ppi: int, weights: Sequence[float] | None) -> Mask | None:
    """Return the mask at `ppi`, None for no sharpening. `weights`: the channels' share of luminance; None: unknown."""
    if asked is None:
        return None
    sigma = asked.radius_mm / MM_PER_INCH * ppi
    reach = max(1, ceil(_SIGMAS * sigma))
    x = np.arange(-reach, reach + 1)
    taps = exp(-0.5 * (x / sigma) * (x / sigma))
    return Mask(tuple((taps / fsum(taps)).tolist()), asked.amount_percent / 100, tuple(weights or _EVEN))
