"""Single print pixels computed from the master a second time, slowly and by definition, to check the fast way.

Nothing of the renderer's arithmetic is used: no look-up tables, no bands, no block matrices, no colour table; double
precision throughout. Shared are the decoder (`source.rows`), the profile's curves and the colour engine.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from printqueue.colour import manager
from printqueue.colour.curves import channel_curves
from printqueue.colour.icc import read_profile
from printqueue.render.engine import Renderer

Array = NDArray[np.float64]
_LOBES = 3.0
_CODES = np.arange(65536.0)


def recomputed(drawn: Renderer, rows: Sequence[int], columns: Sequence[int]) -> NDArray[np.uint16]:
    """Device RGB (n, 3) of the picture's pixels where `rows` and `columns` cross, row by row, counted from its corner."""
    curves = channel_curves(drawn.source_profile, read_profile(drawn.source_profile))
    codes = np.concatenate([_delivered(drawn, row, columns, curves) for row in rows])
    return manager.to_paper_exact(
        codes[None, :, 0] if len(curves) == 1 else codes[None],
        drawn.source_profile,
        drawn.paper_profile,
        intent=drawn.request.intent,
        black_point_compensation=drawn.request.black_point_compensation,
    ).reshape(-1, 3)


def _delivered(drawn: Renderer, row: int, columns: Sequence[int], curves: Sequence[Array]) -> NDArray[np.uint16]:
    """Codes of the source space at print size, (n, C)."""
    facts, place = drawn.source.facts, drawn.placement
    left, top, right, bottom = place.crop_px
    width, height = place.picture_px
    across, down = (right - left) / width, (bottom - top) / height
    rows, row_weights = _taps(top + (row + 0.5) * down, down, facts.height_px)
    band = drawn.source.rows(int(rows[0]), int(rows[-1]) + 1)
    found = np.empty((len(columns), band.shape[2]))
    for index, column in enumerate(columns):
        places, weights = _taps(left + (column + 0.5) * across, across, facts.width_px)
        codes = band[:, places[0] : places[-1] + 1].astype(np.float64) * (257.0 if band.dtype == np.uint8 else 1.0)
        for channel, curve in enumerate(curves):
            filtered = _filtered(codes[..., channel], curve, row_weights, weights, drawn, linear=max(across, down) > 1)
            found[index, channel] = filtered
    return np.rint(found).astype(np.uint16)


def _taps(centre: float, scale: float, length: int) -> tuple[NDArray[np.int64], Array]:
    """Source samples and their weights for one target sample whose centre lies at `centre`.

    Shrinking: Lanczos of three lobes, widened by the scale. Enlarging: sinc under a Gaussian window of σ 1.3.
    """
    wide = max(scale, 1.0)
    places = np.arange(max(0, int(centre - _LOBES * wide) - 1), min(length, int(centre + _LOBES * wide) + 2))
    x = (places + 0.5 - centre) / wide
    window = np.sinc(x / _LOBES) if scale > 1 else np.exp(-(x**2) / (2 * 1.3**2))
    weights = np.where(np.abs(x) < _LOBES, np.sinc(x) * window, 0.0)
    return places, weights / weights.sum()


def _filtered(codes: Array, curve: Array, down: Array, across: Array, drawn: Renderer, *, linear: bool) -> float:
    """One channel of one pixel: lifted in linear light, filtered in linear light or in its own encoding, a code again."""
    light = np.minimum(np.interp(codes, _CODES, curve) * 2.0**drawn.request.lift_stops, 1.0)
    if linear:
        return float(np.interp(np.clip(down @ light @ across, 0, 1), curve, _CODES))
    encoded = np.interp(light, curve, _CODES) if drawn.request.lift_stops else codes
    return float(np.clip(down @ encoded @ across, 0, 65535))
