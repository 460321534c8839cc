"""The lightness of the delivered picture at print scale, for measuring; nothing printed passes through here.

In spaces made of three curves and a matrix (and in grey), luminance is a weighted sum of linear light, so one plane is
resampled instead of three, without calling the engine: a third of the work. Other spaces go through the renderer
and the colour engine.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from printqueue.imaging.colour import manager
from printqueue.imaging.colour.curves import Curve, channel_curves, luminance_weights
from printqueue.imaging.colour.difference import lightness
from printqueue.imaging.colour.icc import Profile
from printqueue.imaging.reduce import sixteen_bit
from printqueue.imaging.render.bands import rows_at_once
from printqueue.imaging.render.engine import Renderer
from printqueue.imaging.render.grid import Plane, on_grid
from printqueue.imaging.render.light import gain, looked_up
from printqueue.imaging.source import Samples

Lightness = NDArray[np.float32]
_STEPS = 1 << 16  # of the square root of luminance; L* is off by less than 0.01


@dataclass(frozen=True, slots=True)
class ToneBands:
    """L*/100 of one picture for one print; built by `tone_bands`."""

    renderer: Renderer
    luminance: tuple[Plane, ...] | None  # (65536,) per channel: code → its share of Y, lifted; None: ask the engine

    def band(self, start: int, stop: int) -> Lightness:
        """L*/100 (0..1) of picture rows `start` to `stop`, (stop - start, picture width) float32."""
        if self.luminance is None:
            codes = self.renderer.delivered_band(start, stop)
            return manager.to_lightness(codes, self.renderer.source_profile) / np.float32(100)
        step = rows_at_once(self.renderer.placement, self.renderer.source.facts.width_px)
        pieces = [self._piece(first, min(first + step, stop)) for first in range(start, stop, step)]
        return pieces[0] if len(pieces) == 1 else np.concatenate(pieces)

    def _piece(self, start: int, stop: int) -> Lightness:
        resampler = self.renderer.resampler
        first, last = resampler.rows_needed(start, stop)
        Y = self._luminance(self.renderer.source.rows(first, last))
        if resampler.shrinks:  # like the print: averaged in linear light, enlarged in a perceptual encoding
            return _tone(resampler.band(Y, first, start, stop))
        return np.clip(resampler.band(on_grid(_tone(Y)), first, start, stop).astype(np.float32), 0, 1)

    def _luminance(self, samples: Samples) -> Plane:
        assert self.luminance is not None
        codes = sixteen_bit(samples)
        Y = looked_up(self.luminance[0], codes[..., 0])
        for channel, table in enumerate(self.luminance[1:], 1):
            Y += looked_up(table, codes[..., channel])
        return Y


def tone_bands(renderer: Renderer, profile: Profile) -> ToneBands:
    """Prepare for one renderer. `profile` is its source profile, parsed."""
    weights = luminance_weights(renderer.source_profile, profile)
    if weights is None or renderer.mask is not None:  # a sharpened picture is measured as it will be printed
        return ToneBands(renderer, None)
    factor = gain(renderer.request.lift_stops)
    curves = channel_curves(renderer.source_profile, profile)
    return ToneBands(
        renderer, tuple(_part(curve, weight, factor) for curve, weight in zip(curves, weights, strict=True))
    )


def _part(curve: Curve, weight: float, factor: float) -> Plane:
    return on_grid(np.minimum(curve * factor, 1.0) * weight)


_TONE = (lightness((np.arange(_STEPS) / (_STEPS - 1)) ** 2) / 100).astype(np.float32)


def _tone(Y: Plane) -> Lightness:
    """Luminance 0..1 → L*/100, through a table; overshoot is clipped, as in the print."""
    steps = np.clip(Y.astype(np.float32), 0, 1)
    np.sqrt(steps, out=steps)
    steps *= np.float32(_STEPS - 1)
    steps += np.float32(0.5)
    return np.asarray(_TONE.take(steps.astype(np.int32)))
