"""Recomputes single print pixels from the master, slowly and by definition, to check the fast path.

It shares none of the renderer's arithmetic: no look-up tables, bands, block matrices, separable mask or colour table;
double precision throughout. It does share the decoder (`source.rows`), the profile's curves and the colour engine.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from printqueue.core.model.request import Sharpening
from printqueue.core.units import MM_PER_INCH
from printqueue.imaging.colour import manager
from printqueue.imaging.colour.curves import channel_curves, luminance_weights
from printqueue.imaging.colour.icc import read_profile
from printqueue.imaging.render.engine import Renderer

Array = NDArray[np.float64]
_LOBES = 3.0
_CODES = np.arange(65536.0)


def recomputed(drawn: Renderer, rows: Sequence[int], columns: Sequence[int]) -> NDArray[np.uint16]:
    """Device RGB (n, 3) of the picture's pixels where `rows` and `columns` cross, row by row, from its corner."""
    slow = _Slow(drawn)
    asked = drawn.request.sharpen
    found = [
        slow.delivered([row], columns)[0] if asked is None else slow.sharpened(row, columns, asked) for row in rows
    ]
    codes = np.rint(np.concatenate(found)).astype(np.uint16)
    return manager.to_paper_exact(
        codes[None, :, 0] if codes.shape[1] == 1 else codes[None],
        drawn.source_profile,
        drawn.paper_profile,
        intent=drawn.request.intent,
        black_point_compensation=drawn.request.black_point_compensation,
    ).reshape(-1, 3)


class _Slow:
    """The definition of a delivered pixel."""

    def __init__(self, drawn: Renderer) -> None:
        self.drawn = drawn
        profile = read_profile(drawn.source_profile)
        self.curves = channel_curves(drawn.source_profile, profile)
        self.weights = luminance_weights(drawn.source_profile, profile) or (1 / len(self.curves),) * len(self.curves)
        left, top, right, bottom = drawn.placement.crop_px
        width, height = drawn.placement.picture_px
        self.across, self.down = (left, (right - left) / width), (top, (bottom - top) / height)

    def delivered(self, rows: Sequence[int], columns: Sequence[int]) -> Array:
        """Codes of the source space at print size, (rows, columns, C), not rounded."""
        facts = self.drawn.source.facts
        top, row_weights = _matrix(rows, *self.down, facts.height_px)
        left, column_weights = _matrix(columns, *self.across, facts.width_px)
        read = column_weights.any(axis=0)
        column_weights = column_weights[:, read]
        band = self.drawn.source.rows(top, top + row_weights.shape[1])[:, left : left + read.size][:, read]
        codes = band.astype(np.float64) * (257.0 if band.dtype == np.uint8 else 1.0)
        planes = [
            self._filtered(codes[..., channel], curve, row_weights, column_weights.T)
            for channel, curve in enumerate(self.curves)
        ]
        return np.stack(planes, axis=-1)

    def _filtered(self, codes: Array, curve: Array, down: Array, across: Array) -> Array:
        """Lift in linear light, filter in linear light or in the source's encoding, and convert back to codes."""
        lift = self.drawn.request.lift_stops
        light = np.minimum(np.interp(codes, _CODES, curve) * 2.0**lift, 1.0)
        if max(self.across[1], self.down[1]) > 1:
            return np.asarray(np.interp(np.clip(down @ light @ across, 0, 1), curve, _CODES))
        encoded = np.interp(light, curve, _CODES) if lift else codes
        return np.clip(down @ encoded @ across, 0, 65535)

    def sharpened(self, row: int, columns: Sequence[int], asked: Sharpening) -> Array:
        """One row's pixels, each sharpened with its neighbourhood under a two-dimensional Gaussian, (columns, C)."""
        width, height = self.drawn.placement.picture_px
        sigma = asked.radius_mm / MM_PER_INCH * self.drawn.placement.ppi
        reach = max(1, int(np.ceil(3 * sigma)))
        far = np.arange(-reach, reach + 1)
        bell = np.exp(-(far[:, None] ** 2 + far**2) / (2 * sigma**2))
        bell /= bell.sum()
        rows = np.clip(row + far, 0, height - 1)
        found = []
        for column in columns:
            near = np.clip(column + far, 0, width - 1)
            codes = np.rint(self._around(rows, near))
            light = codes @ np.array(self.weights)
            change = asked.amount_percent / 100 * (light[reach, reach] - (light * bell).sum())
            found.append(np.clip(codes[reach, reach] + change, 0, 65535))
        return np.array(found)

    def _around(self, rows: NDArray[np.int64], columns: NDArray[np.int64]) -> Array:
        """Delivered codes of a neighbourhood; at the edge its rows and columns may repeat."""
        (rows, down), (columns, across) = (np.unique(places, return_inverse=True) for places in (rows, columns))
        return self.delivered(rows.tolist(), columns.tolist())[down][:, across]


def _matrix(places: Sequence[int], start: float, scale: float, length: int) -> tuple[int, Array]:
    """The first source sample read, and (places, n) weights for the samples from there on."""
    taps = [_taps(start + (place + 0.5) * scale, scale, length) for place in places]
    low, high = min(int(at[0]) for at, _ in taps), max(int(at[-1]) for at, _ in taps)
    found = np.zeros((len(taps), high + 1 - low))
    for line, (at, weights) in zip(found, taps, strict=True):
        line[at - low] = weights
    return low, found


def _taps(centre: float, scale: float, length: int) -> tuple[NDArray[np.int64], Array]:
    """Source samples and their weights for one target sample centred at `centre`.

    Shrinking: three-lobe Lanczos, widened by the scale. Enlarging: sinc under a Gaussian window of σ 1.3.
    """
    wide = max(scale, 1.0)
    places = np.arange(max(0, int(centre - _LOBES * wide) - 1), min(length, int(centre + _LOBES * wide) + 2))
    x = (places + 0.5 - centre) / wide
    window = np.sinc(x / _LOBES) if scale > 1 else np.exp(-(x**2) / (2 * 1.3**2))
    weights = np.where(np.abs(x) < _LOBES, np.sinc(x) * window, 0.0)
    return places, weights / weights.sum()
