"""A level camera: where points of the invented coast fall in the frame, and the ground under every pixel."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from printqueue.demo.canvas import Plane, as_plane
from printqueue.demo.marks import Points


@dataclass(frozen=True, slots=True)
class Camera:
    """A camera that looks level along z, `height_m` above the ground or water (y = 0); x is to the right, y up.

    `upside` is −1 for the camera that sees the reflected world: every height is turned over.
    """

    width: int
    height: int
    focal_px: float
    horizon_px: float
    height_m: float
    centre_px: float | None = None
    upside: int = 1

    @property
    def middle_px(self) -> float:
        """Column of the vanishing point."""
        return self.width / 2 if self.centre_px is None else self.centre_px

    def mirrored(self) -> "Camera":
        """The camera of the world as water reflects it."""
        return replace(self, upside=-self.upside)

    def see(self, points_m: Sequence[Sequence[float]] | NDArray[np.float64]) -> Points:
        """Points (x, y, z) in metres as (column, row) in px; z is kept at 0.1 m at least."""
        p = np.asarray(points_m, np.float64).reshape(-1, 3)
        per_m = self.focal_px / np.maximum(p[:, 2], 0.1)
        row = self.horizon_px - per_m * (p[:, 1] * self.upside - self.height_m)
        return np.stack([self.middle_px + per_m * p[:, 0], row], 1)

    def px_per_m(self, z_m: float) -> float:
        """Scale at a distance."""
        return self.focal_px / z_m

    def distances_m(self, first_row: int) -> Plane:
        """Ground distance for every row from `first_row` (below the horizon) to the foot of the frame."""
        rows = np.arange(first_row, self.height, dtype=np.float32) + np.float32(0.5)
        below = np.maximum(rows - np.float32(self.horizon_px), np.float32(0.5))
        return as_plane(self.focal_px * self.height_m / below)

    def ground(
        self,
        texture: Plane,
        tile_m: float,
        first_row: int,
        shift_m: tuple[float, float] = (0.0, 0.0),
        turn: float = 0.0,
    ) -> Plane:
        """A repeating texture laid on the ground, seen from `first_row` down; far rows take reduced copies.

        `tile_m` is the texture's side in metres, `shift_m` (x, z) moves it, `turn` turns it (radians).
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
                share = as_plane(level[band] - k)[:, None]
                x_m, z_m = self._laid(z[band], shift_m, turn)
                near = _sample(levels[k], x_m, z_m, texel_m * 2**k)
                if k == 0 and not share.any():
                    out[band] = near
                    continue
                far = _sample(levels[k + 1], x_m, z_m, texel_m * 2 ** (k + 1))
                out[band] = near + (far - near) * (share if near.ndim == 2 else share[..., None])
        return out

    def _laid(self, z: Plane, shift_m: tuple[float, float], turn: float) -> tuple[Plane, Plane]:
        across = (np.arange(self.width, dtype=np.float32) + np.float32(0.5 - self.middle_px)) / self.focal_px
        x = as_plane(z[:, None] * across[None, :])
        away = as_plane(np.broadcast_to(z[:, None], x.shape))
        if turn:
            c, s = np.float32(np.cos(turn)), np.float32(np.sin(turn))
            x, away = as_plane(c * x + s * away), as_plane(c * away - s * x)
        return as_plane(x + np.float32(shift_m[0])), as_plane(away + np.float32(shift_m[1]))


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


@dataclass(frozen=True, slots=True)
class Relief:
    """Hills or waves as the camera sees them: for every px which step away is visible, and how much of it.

    `step` is fractional (0 = nearest), (rows, W) from `first_row` down; `cover` is 0 where only sky is.
    `x_m`, `z_m`, `y_m` are the sampled land itself, (steps, W).
    """

    first_row: int
    step: Plane
    cover: Plane
    x_m: Plane
    z_m: Plane
    y_m: Plane

    def show(self, values: Plane) -> Plane:
        """Something known on the land, (steps, W) or (steps, W, 3), as it appears in the frame."""
        rows, cols = self.step.shape
        u = np.broadcast_to(np.arange(cols, dtype=np.float32)[None, :], (rows, cols))
        return as_plane(cv2.remap(values, as_plane(u), self.step, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE))


def land_grid(cam: Camera, z_m: NDArray[np.float64]) -> tuple[Plane, Plane]:
    """World (x, z) in metres under every column for each distance of `z_m`: two (steps, W) planes."""
    across = (np.arange(cam.width) + 0.5 - cam.middle_px) / cam.focal_px
    x = (z_m[:, None] * across[None, :]).astype(np.float32)
    return x, np.broadcast_to(z_m.astype(np.float32)[:, None], x.shape)


def relief(cam: Camera, x_m: Plane, z_m: Plane, y_m: Plane, first_row: int) -> Relief:
    """What of the land `y_m` (steps, W), nearest step first, is seen from `first_row` to the foot of the frame."""
    rows_of = cam.horizon_px + cam.focal_px * (cam.height_m - y_m) / z_m
    top = np.minimum.accumulate(rows_of, axis=0)
    rows = np.arange(first_row, cam.height) + 0.5
    index = np.arange(len(y_m), dtype=np.float64)[::-1]
    columns = np.ascontiguousarray(top[::-1].T, np.float64)
    step = np.empty((cam.width, len(rows)), np.float32)
    for c in range(cam.width):
        step[c] = np.interp(rows, columns[c], index)
    cover = np.clip(rows[:, None] - top[-1][None, :] + 0.5, 0, 1)
    return Relief(first_row, np.ascontiguousarray(step.T), as_plane(cover), x_m, z_m, y_m)
