"""Code values to linear light and back, with the lift in between; bit-identical on every processor.

Working planes hold multiples of 2⁻³² in 0..1 (`grid`), either linear light (for shrinking) or the
source's own encoding (for enlarging, where linear light would cause halos).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from printqueue.imaging.colour.curves import Curve
from printqueue.imaging.elementary import exp2, interpolated
from printqueue.imaging.reduce import sixteen_bit
from printqueue.imaging.render.grid import Plane, on_grid
from printqueue.imaging.source import Samples

Codes = NDArray[np.uint16]
_STEPS = 1 << 18  # of the square root of linear light: finer than the 16-bit codes of any usual encoding
_CODES = np.arange(65536.0)
_LOOKED_UP_AT_ONCE = 1 << 17


@dataclass(frozen=True, slots=True)
class LightTables:
    """Look-up tables for one source space and one lift; built by `light_of`."""

    to_working: tuple[Plane, ...]  # (65536,) per channel: code → working value, lifted
    from_linear: tuple[Codes, ...] | None  # √linear × steps → code; None: working = encoding

    def planes(self, samples: Samples) -> list[Plane]:
        """(H, W, C) uint8 or uint16 codes → C working planes, lifted."""
        codes = sixteen_bit(samples)
        return [self.plane(codes, channel) for channel in range(len(self.to_working))]

    def plane(self, codes: Codes, channel: int) -> Plane:
        """The working plane of one channel of (H, W, C) uint16 codes; several at once would take a lot of memory."""
        return looked_up(self.to_working[channel], codes[..., channel])

    def codes(self, planes: Sequence[Plane]) -> Codes:
        """Working planes → codes: (H, W, 3) for RGB, (H, W) for grey. Clipped to 0..65535."""
        found = [self.channel_codes(plane, channel) for channel, plane in enumerate(planes)]
        return found[0] if len(found) == 1 else np.stack(found, axis=-1)

    def channel_codes(self, plane: Plane, channel: int) -> Codes:
        """The codes (H, W) of one working plane, clipped to 0..65535."""
        values = np.clip(plane.astype(np.float32), 0, 1)
        if self.from_linear is None:
            return _steps(values, 65535).astype(np.uint16)
        steps = _steps(np.sqrt(values, out=values), _STEPS - 1)
        return self.from_linear[channel].take(steps, mode="clip")  # faster than checking for a bad step


def looked_up(table: Plane, codes: Codes) -> Plane:
    """`table[codes]` of (H, W) codes for a table of 65,536 entries, in half the time; works a few rows at a time,
    because numpy widens every index to 8 bytes.
    """
    found = np.empty(codes.shape, table.dtype)
    rows = max(1, _LOOKED_UP_AT_ONCE // max(1, codes.shape[1]))
    for top in range(0, codes.shape[0], rows):
        np.take(table, codes[top : top + rows], out=found[top : top + rows], mode="clip")
    return found


def _steps(values: NDArray[np.float32], highest: int) -> NDArray[np.intp]:
    """0..1 → 0..highest, rounded, in place where possible: this runs on every pixel."""
    values *= np.float32(highest)
    values += np.float32(0.5)
    return values.astype(np.intp)


def light_of(curves: Sequence[Curve], *, lift_stops: float, linear: bool) -> LightTables:
    """Tables for channel `curves`; `lift_stops` multiplies linear light by 2^stops, clipped at white."""
    lifted = [np.minimum(curve * gain(lift_stops), 1.0) for curve in curves]
    if linear:
        return LightTables(tuple(on_grid(light) for light in lifted), tuple(_encoding_table(curve) for curve in curves))
    if lift_stops == 0:
        return LightTables(tuple(on_grid(_CODES / 65535) for _ in curves), None)
    encoded = (interpolated(light, curve, _CODES / 65535) for light, curve in zip(lifted, curves, strict=True))
    return LightTables(tuple(on_grid(table) for table in encoded), None)


def gain(lift_stops: float) -> float:
    """The factor by which a lift in stops multiplies linear light."""
    return float(exp2(np.array([lift_stops]))[0])


def _encoding_table(curve: Curve) -> Codes:
    root = np.arange(_STEPS) / (_STEPS - 1)
    return np.rint(interpolated(root * root, curve, _CODES)).astype(np.uint16)
