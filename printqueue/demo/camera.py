"""A level camera: where points of the invented coast land in the frame, and which ground each pixel sees."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from printqueue.demo.canvas import Plane, as_plane
from printqueue.demo.marks import Points

Span = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Camera:
    """A camera looking level along z, `height_m` above the ground or water (y = 0); x points right, y up.

    `upside` is −1 for the camera that sees the reflected world, with every height negated.
    """

    width: int
    height: int
    focal_px: float
    horizon_px: float
    height_m: float
    middle_px: float  # column of the vanishing point
    upside: int = 1

    def mirrored(self) -> "Camera":
        """The camera that sees the world as reflected in water."""
        return replace(self, upside=-self.upside)

    def see(self, points_m: Sequence[Sequence[float]] | NDArray[np.float64]) -> Points:
        """Points (x, y, z) in metres as (column, row) in px; z is at least 0.1 m."""
        p = np.asarray(points_m, np.float64).reshape(-1, 3)
        per_m = self.focal_px / np.maximum(p[:, 2], 0.1)
        row = self.horizon_px - per_m * (p[:, 1] * self.upside - self.height_m)
        return np.stack([self.middle_px + per_m * p[:, 0], row], 1)

    def panel(self, x_m: Span, y_m: Span, z_m: float) -> Points:
        """The corners of an upright rectangle facing the camera: top left, top right, bottom right, bottom left."""
        (left, right), (low, high) = x_m, y_m
        return self.see([(left, high, z_m), (right, high, z_m), (right, low, z_m), (left, low, z_m)])

    def px_per_m(self, z_m: float) -> float:
        """The scale at distance `z_m`."""
        return self.focal_px / z_m

    def distances_m(self, first_row: int) -> Plane:
        """The ground distance of every row from `first_row` (below the horizon) to the bottom of the frame."""
        rows = np.arange(first_row, self.height, dtype=np.float32) + np.float32(0.5)
        below = np.maximum(rows - np.float32(self.horizon_px), np.float32(0.5))
        return as_plane(self.focal_px * self.height_m / below)

    def ground(self, texture: Plane, tile_m: float, first_row: int) -> Plane:
        """A repeating texture, `tile_m` metres square, laid on the ground and seen from `first_row` down.

        Distant rows use reduced copies.
        """
        z = self.distances_m(first_row)
        levels = _reduced(texture)
        texel_m = tile_m / texture.shape[0]
        footprint_m = np.sqrt((z / self.focal_px) * (z * z / (self.focal_px * self.height_m)))
        level = np.clip(np.log2(np.maximum(footprint_m / texel_m, 1e-3)), 0, len(levels) - 1.001)
        out = np.empty((len(z), self.width, *texture.shape[2:]), np.float32)
        for k in range(len(levels) - 1):
            rows = np.flatnonzero((level >= k) & (level < k + 1))
            if len(rows):
                band = slice(int(rows[0]), int(rows[-1]) + 1)
                out[band] = self._laid(levels[k : k + 2], texel_m * 2**k, z[band], as_plane(level[band] - k))
        return out

    def _laid(self, copies: Sequence[Plane], texel_m: float, z: Plane, share: Plane) -> Plane:
        """Rows at distances `z`, blended by `share` from one copy of the texture to the next, half as large."""
        across = (np.arange(self.width, dtype=np.float32) + np.float32(0.5 - self.middle_px)) / self.focal_px
        x_m = as_plane(z[:, None] * across[None, :])
        z_m = as_plane(np.broadcast_to(z[:, None], x_m.shape))
        near = _sample(copies[0], x_m, z_m, texel_m)
        if not share.any():
            return near
        far = _sample(copies[1], x_m, z_m, texel_m * 2)
        return near + (far - near) * share.reshape(-1, *[1] * (near.ndim - 1))


def _reduced(texture: Plane) -> list[Plane]:
    levels = [texture]
    while levels[-1].shape[0] > 8:
        levels.append(as_plane(cv2.resize(levels[-1], None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)))
    return levels


def _sample(texture: Plane, x_m: Plane, z_m: Plane, texel_m: float) -> Plane:
    n = np.float32(texture.shape[0])
    scale = np.float32(1 / texel_m)
    u, v = x_m * scale, z_m * scale
    u -= np.floor(u / n) * n
    v -= np.floor(v / n) * n
    return as_plane(cv2.remap(texture, u, v, cv2.INTER_LINEAR, borderMode=cv2.BORDER_WRAP))
