"""Code values to linear light and back, with the lift between them.

Working planes are float32 in 0..1, either linear light (for shrinking) or the
source's own encoding (for enlarging, where linear light would make halos).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from printqueue.colour.curves import Curve
from printqueue.measure.reduce import sixteen_bit
from printqueue.model.picture import Samples

_STEPS = 1 << 18  # of the square root of linear light: finer than 16-bit codes of any usual encoding
_CODES = np.arange(65536)
_LOOKED_UP_AT_ONCE = 1 << 17


@dataclass(frozen=True, slots=True)
class Light:
    """Look-up tables of one source space for one lift; build with `light_of`."""

    to_working: tuple[NDArray[np.float32], ...]  # (65536,) per channel: code → working value, lifted
    from_linear: tuple[NDArray[np.uint16], ...] | None  # √linear × steps → code; None: working = encoding

    def planes(self, samples: Samples) -> list[NDArray[np.float32]]:
        """(H, W, C) uint8 or uint16 codes → C float32 working planes, lift applied."""
        codes = sixteen_bit(samples)
        return [looked_up(table, codes[..., i]) for i, table in enumerate(self.to_working)]

    def codes(self, planes: Sequence[NDArray[np.float32]], out: NDArray[np.uint16] | None = None) -> NDArray[np.uint16]:
        """Working planes → codes: (H, W, 3) for RGB, (H, W) for grey. Clipped to 0..65535; into `out` where given."""
        if out is None:
            out = np.empty(planes[0].shape if len(planes) == 1 else (*planes[0].shape, len(planes)), np.uint16)
        channels = np.moveaxis(out, -1, 0) if out.ndim == 3 else out[None]
        for index, (plane, channel) in enumerate(zip(planes, channels, strict=True)):
            if self.from_linear is None:
                channel[...] = _steps(np.clip(plane, 0, 1), 65535)
            else:
                steps = _steps(np.sqrt(np.clip(plane, 0, 1)), _STEPS - 1)
                channel[...] = self.from_linear[index].take(steps, mode="clip")  # quicker than looking for a bad step
        return out


def looked_up(table: NDArray[np.float32], codes: NDArray[np.uint16]) -> NDArray[np.float32]:
    """`table[codes]` of (H, W) codes and a table of 65,536 entries, in half the time; some rows at once, because numpy makes
    8 bytes of every index.
    """
    found = np.empty(codes.shape, table.dtype)
    rows = max(1, _LOOKED_UP_AT_ONCE // max(1, codes.shape[1]))
    for top in range(0, codes.shape[0], rows):
        np.take(table, codes[top : top + rows], out=found[top : top + rows], mode="clip")
    return found


def _steps(values: NDArray[np.float32], most: int) -> NDArray[np.intp]:
    """0..1 → 0..most, rounded, in place as far as possible: this runs on every pixel."""
    values *= np.float32(most)
    values += np.float32(0.5)
    return values.astype(np.intp)


def light_of(curves: Sequence[Curve], *, lift_stops: float, linear: bool) -> Light:
    """Tables for channel `curves`; `lift_stops` multiplies linear light by 2^stops, clipped at white."""
    gain = 2.0**lift_stops
    lifted = [np.minimum(curve * gain, 1.0) for curve in curves]
    if linear:
        return Light(
            tuple(light.astype(np.float32) for light in lifted), tuple(_encoding_table(curve) for curve in curves)
        )
    if lift_stops == 0:
        return Light(tuple((_CODES / 65535).astype(np.float32) for _ in curves), None)
    encoded = (np.interp(light, curve, _CODES / 65535) for light, curve in zip(lifted, curves, strict=True))
    return Light(tuple(table.astype(np.float32) for table in encoded), None)


def _encoding_table(curve: Curve) -> NDArray[np.uint16]:
    linear = (np.arange(_STEPS) / (_STEPS - 1)) ** 2
    return np.rint(np.interp(linear, curve, _CODES)).astype(np.uint16)
