"""Planes of tone and operations on them: blur, enlarge, mix, tone, grain, encode.

A plane is float32, (H, W), in *encoded* tone (sRGB curve): 0 is black, 1 is white, 0.5 looks middle grey. Painting in
encoded tone makes edges look even.
"""

from collections.abc import Sequence
from functools import lru_cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Plane = NDArray[np.float32]
Pixels = NDArray[np.uint16]
Floats = NDArray[np.floating[Any]]
Shape = tuple[int, ...]
Tint = tuple[float, float, float]
GRAIN_PX = 1536  # side of the repeating grain tile


def generator(seed: int) -> np.random.Generator:
    """A generator with a fixed stream for `seed`, on every machine."""
    return np.random.Generator(np.random.PCG64(seed))


def plane(shape: Shape, value: float = 0.0) -> Plane:
    """A plane of uniform tone."""
    return np.full(shape, value, np.float32)


def as_plane(values: object) -> Plane:
    """Any array as float32 (cv2's arrays are loosely typed)."""
    return np.asarray(values, dtype=np.float32)


def smooth(low: float | Floats, high: float | Floats, x: Floats) -> Plane:
    """0 below `low`, 1 above `high`, a smooth S in between; reversed if `low` > `high`."""
    t = as_plane(np.subtract(x, as_plane(low)))
    t *= as_plane(1.0 / (high - low))
    np.clip(t, 0, 1, out=t)
    s = t * np.float32(-2)
    s += np.float32(3)
    s *= t
    s *= t
    return s


def mix(a: Floats | float, b: Floats | float, share: Floats | float) -> Plane:
    """`a` where `share` is 0, `b` where it is 1."""
    return as_plane(a + (as_plane(b) - a) * share)


def blur(p: Floats, sigma_x: float, sigma_y: float | None = None) -> Plane:
    """Gaussian blur, sigmas in px. Wide blurs use a reduced copy, which looks the same."""
    sigma_y = sigma_x if sigma_y is None else sigma_y
    step = int(min(sigma_x, sigma_y) // 3)
    if step < 2:
        return as_plane(cv2.GaussianBlur(p, (0, 0), sigmaX=sigma_x, sigmaY=sigma_y))
    small = cv2.resize(p, None, fx=1 / step, fy=1 / step, interpolation=cv2.INTER_AREA)
    soft = cv2.GaussianBlur(small, (0, 0), sigmaX=sigma_x / step, sigmaY=sigma_y / step)
    return as_plane(cv2.resize(soft, (p.shape[1], p.shape[0]), interpolation=cv2.INTER_CUBIC))


def enlarge(p: Floats, shape: Shape) -> Plane:
    """Cubic enlargement to `shape` (rows, columns); smooth planes stay smooth."""
    return as_plane(cv2.resize(p, (shape[1], shape[0]), interpolation=cv2.INTER_CUBIC))


def ramp(shape: Shape, stops: Sequence[tuple[float, float]], *, across: bool = False) -> Plane:
    """A gradient through (position 0..1, tone) stops, downwards or, if `across`, from left to right."""
    n = shape[1] if across else shape[0]
    where, tones = zip(*stops, strict=True)
    line = np.interp((np.arange(n) + 0.5) / n, where, tones).astype(np.float32)
    return as_plane(np.broadcast_to(line[None, :] if across else line[:, None], shape).copy())


def glow(shape: Shape, centre: tuple[float, float], radius: tuple[float, float], power: float = 1.0) -> Plane:
    """A soft bell that peaks at 1 at `centre` (x, y, as fractions of the frame); `radius` likewise."""
    y = ((np.arange(shape[0], dtype=np.float32) + 0.5) / shape[0] - centre[1]) / radius[1]
    x = ((np.arange(shape[1], dtype=np.float32) + 0.5) / shape[1] - centre[0]) / radius[0]
    if power == 1.0:
        return as_plane(np.exp(-(y * y))[:, None] * np.exp(-(x * x))[None, :])
    d2 = (y * y)[:, None] + (x * x)[None, :]
    return as_plane(np.exp(-(d2**power)))


@lru_cache(maxsize=4)
def _grain_tile(size_px: float) -> Plane:
    noise = generator(77).standard_normal((GRAIN_PX, GRAIN_PX), dtype=np.float32)
    noise = as_plane(cv2.GaussianBlur(noise, (0, 0), size_px))
    return as_plane(noise / noise.std())


def grain(p: Plane, seed: int, strength: float, size_px: float) -> Plane:
    """Add film grain in place: even noise, blurred by `size_px`, with a deviation of `strength` (fraction of white)."""
    tile = np.roll(_grain_tile(size_px), tuple(generator(seed).integers(0, GRAIN_PX, 2)), (0, 1))
    for top in range(0, p.shape[0], GRAIN_PX):
        for left in range(0, p.shape[1], GRAIN_PX):
            part = p[top : top + GRAIN_PX, left : left + GRAIN_PX]
            part += tile[: part.shape[0], : part.shape[1]] * np.float32(strength)
    return p


def tone_curve(p: Floats, points: Sequence[tuple[float, float]]) -> Plane:
    """The tones of `p` (0..1) mapped by a smooth curve through `points` (in, out), using a table of 65536 steps."""
    return _smooth_table(tuple(points))[encode(p)]


@lru_cache(maxsize=8)
def _smooth_table(points: tuple[tuple[float, float], ...]) -> Plane:
    x, y = zip(*points, strict=True)
    dense = np.interp(np.linspace(0, 1, 513), x, y)
    kernel = np.hanning(67)
    padded = np.concatenate([2 * dense[0] - dense[33:0:-1], dense, 2 * dense[-1] - dense[-2:-35:-1]])
    table = np.convolve(padded, kernel / kernel.sum(), "valid")
    return as_plane(np.interp(np.linspace(0, 1, 65536), np.linspace(0, 1, 513), table))


def encode(p: Floats) -> Pixels:
    """Tones 0..1 as 16-bit pixels."""
    scaled = np.multiply(p, np.float32(65535))
    scaled += np.float32(0.5)
    np.clip(scaled, 0, 65535, out=scaled)
    return scaled.astype(np.uint16)


def toned(tone: Floats, tints: Sequence[tuple[float, Tint]]) -> Pixels:
    """A plane in colour: `tints` are (tone 0..1, (red, green, blue) offsets), interpolated between the listed tones."""
    levels = np.linspace(0, 1, 65536)
    at = [t for t, _ in tints]
    index = encode(tone)
    out = np.empty((*tone.shape, 3), np.uint16)
    for channel in range(3):
        moved = levels + np.interp(levels, at, [tint[channel] for _, tint in tints])
        out[..., channel] = np.round(np.clip(moved, 0, 1) * 65535).astype(np.uint16)[index]
    return out
