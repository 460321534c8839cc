"""Rope: three strands laid together, taut or bent."""

import numpy as np
from numpy.typing import NDArray

from printqueue.demo.canvas import Plane, as_plane
from printqueue.demo.marks import Points, fill, hang_wall, ribbon
from printqueue.demo.noise import field


def laid_rope(length: int, wide: int, tone: float, seed: int) -> Plane:
    """A three-strand rope, straightened: strands wind across, light from above."""
    y = ((np.arange(wide, dtype=np.float32) + 0.5) / wide * 2 - 1)[:, None]
    x = np.arange(length, dtype=np.float32)[None, :]
    phase = (x + 0.62 * wide * np.arcsin(np.clip(y, -1, 1)) / 1.2) / (0.60 * wide)
    strand = np.abs(np.sin(np.pi * phase))
    fibres = field((wide, length), seed, (1.0, 1.0), 0.75)
    round_ = np.sqrt(np.clip(1 - (y * 0.94 + 0.20) ** 2, 0.05, 1))
    light = (0.62 + 0.42 * round_) * (0.80 + 0.24 * strand**0.6)
    return as_plane(tone * light * (1 + 0.045 * fibres))


def taut_rope(
    canvas: Plane, a: tuple[float, float], b: tuple[float, float], wide: float, tone: float, seed: int
) -> None:
    """A taut rope from a to b, px."""
    along = np.subtract(b, a)
    normal = np.array([along[1], -along[0]]) / np.hypot(*along) * wide / 2
    if normal[1] > 0:
        normal = -normal
    corners = np.stack([a + normal, b + normal, b - normal, a - normal])
    hang_wall(canvas, corners, laid_rope(int(np.hypot(*along)), int(wide), tone, seed))


def bent_rope(
    canvas: Plane,
    path: Points,
    wide: float | NDArray[np.float64],
    tone: float,
    seed: int,
    *,
    shadow: tuple[float, float] = (3.0, 9.0),
) -> None:
    """A rope along a curve, px; the strands run on from piece to piece. `wide` may change along it (perspective)."""
    widths = np.broadcast_to(np.asarray(wide, np.float64), (len(path),))
    lengths = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(path, axis=0).T))])
    lengths = np.concatenate([[0], np.cumsum(np.diff(lengths) * widths.max() / widths[1:])])
    thick = int(widths.max()) + 1
    texture = laid_rope(int(lengths[-1]) + 2, thick, tone, seed)
    sides = ribbon(path, widths)
    left, right = sides[: len(path)], sides[len(path) :][::-1]
    fill(canvas, ribbon(path + shadow, widths * 1.05), 0.06, opacity=0.5, soft_px=4.0)
    for k in range(len(path) - 1):
        piece = texture[:, int(lengths[k]) : max(int(lengths[k]) + 2, int(lengths[k + 1]) + 1)]
        hang_wall(canvas, np.stack([right[k], right[k + 1], left[k + 1], left[k]]), piece)
