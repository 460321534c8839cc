"""Turns source rows into print rows for one picture on one paper; bounded memory, one conversion.

Per band of print rows: read → lift in linear light → resample to the exact pixel size → sharpen on request →
`manager.to_paper`, once. `sheet` places the picture.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from printqueue.core.model.request import Placement, Request
from printqueue.imaging.colour import manager
from printqueue.imaging.colour.curves import channel_curves, luminance_weights
from printqueue.imaging.colour.icc import Profile
from printqueue.imaging.reduce import sixteen_bit
from printqueue.imaging.render.bands import rows_at_once
from printqueue.imaging.render.light import LightTables, light_of
from printqueue.imaging.render.resample import Resampler, resampler
from printqueue.imaging.render.sharpen import Mask, mask_of
from printqueue.imaging.source import Source

Codes = NDArray[np.uint16]


@dataclass(frozen=True, slots=True)
class Renderer:
    """One picture on its way to one sheet; built by `renderer`."""

    source: Source
    source_profile: bytes
    paper_profile: bytes
    request: Request
    placement: Placement
    resampler: Resampler
    light: LightTables
    mask: Mask | None = None  # None: no sharpening

    def picture_band(self, start: int, stop: int) -> Codes:
        """Picture rows `start` to `stop` in the paper's device RGB."""
        return manager.to_paper(
            self.delivered_band(start, stop),
            self.source_profile,
            self.paper_profile,
            intent=self.request.intent,
            black_point_compensation=self.request.black_point_compensation,
        )

    def delivered_band(self, start: int, stop: int) -> Codes:
        """The same rows, lifted, at print size and sharpened if asked for, but still in the source's own space."""
        if self.mask is None:
            return self._resampled(start, stop)
        first = max(0, start - self.mask.reach)
        rows = self._resampled(first, min(self.placement.picture_px[1], stop + self.mask.reach))
        return self.mask.sharpened(rows, start - first, stop - start)

    def _resampled(self, start: int, stop: int) -> Codes:
        step = rows_at_once(self.placement, self.source.facts.width_px)
        channels = () if self.source.facts.colour == "grey" else (3,)
        found = np.empty((stop - start, self.placement.picture_px[0], *channels), np.uint16)
        for first in range(start, stop, step):
            self._piece(first, min(first + step, stop), found[first - start : first - start + step])
        return found

    def _piece(self, start: int, stop: int, out: Codes) -> None:
        first, last = self.resampler.rows_needed(start, stop)
        codes = sixteen_bit(self.source.rows(first, last))
        channels = np.moveaxis(out, -1, 0) if out.ndim == 3 else out[None]
        for channel, found in enumerate(channels):  # one at a time: a plane in double precision takes a lot of memory
            plane = self.resampler.band(self.light.plane(codes, channel), first, start, stop)
            found[...] = self.light.channel_codes(plane, channel)


def renderer(
    source: Source,
    source_profile: bytes,
    profile: Profile,
    *,
    paper_profile: bytes,
    request: Request,
    placement: Placement,
) -> Renderer:
    """Prepare a renderer. `profile` is `source_profile`, parsed. Raises `ProfileError`."""
    facts = source.facts
    resizing = resampler(facts.width_px, facts.height_px, placement.crop_px, placement.picture_px)
    curves = channel_curves(source_profile, profile)
    light = light_of(curves, lift_stops=request.lift_stops, linear=resizing.shrinks)
    mask = mask_of(request.sharpen, placement.ppi, luminance_weights(source_profile, profile))
    return Renderer(source, source_profile, paper_profile, request, placement, resizing, light, mask)
