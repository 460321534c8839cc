"""Antialiased drawing: filled outlines, strokes, textured walls. Coordinates are (x, y) in px."""

from collections.abc import Callable, Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from printqueue.demo.canvas import Floats, Plane, as_plane, blur

Points = NDArray[np.float64]
Box = tuple[int, int, int, int]
Paint = float | Callable[[Plane, Plane], Floats]  # a tone, or a function of x and y grids in px
_SHIFT = 4


def box_of(points: Points, shape: Sequence[int], margin: int = 3) -> Box | None:
    """Rows and columns (top, bottom, left, right) that contain the points, or None if all are outside."""
    low, high = points.min(axis=0), points.max(axis=0)
    top, left = max(0, int(low[1]) - margin), max(0, int(low[0]) - margin)
    bottom, right = min(shape[0], int(high[1]) + margin + 2), min(shape[1], int(high[0]) + margin + 2)
    return (top, bottom, left, right) if top < bottom and left < right else None


def coverage(points: Points, box: Box, soft_px: float = 0.0) -> Plane:
    """How much of each px in `box` the closed outline covers, 0..1, with the edge softened by `soft_px`."""
    top, bottom, left, right = box
    mask = np.zeros((bottom - top, right - left), np.uint8)
    fixed = np.round((points - (left, top)) * (1 << _SHIFT)).astype(np.int32)
    cv2.fillPoly(mask, [fixed], 255, lineType=cv2.LINE_AA, shift=_SHIFT)
    cover = mask.astype(np.float32) * np.float32(1 / 255)
    return blur(cover, soft_px) if soft_px > 0 else cover


def fill(canvas: Plane, points: Points, paint: Paint, *, opacity: float = 1.0, soft_px: float = 0.0) -> None:
    """Fill a closed outline in place."""
    box = box_of(points, canvas.shape, 3 + int(3 * soft_px))
    if box is None:
        return
    top, bottom, left, right = box
    cover = coverage(points, box, soft_px) * np.float32(opacity)
    x, y = np.arange(left, right, dtype=np.float32)[None, :], np.arange(top, bottom, dtype=np.float32)[:, None]
    lay(canvas[top:bottom, left:right], cover, as_plane(paint(x, y)) if callable(paint) else paint)


def lay(part: Plane, cover: Floats, paint: Floats | float) -> None:
    """Lay `paint` over `part` in place, as much as `cover` says."""
    change = np.subtract(paint, part, dtype=np.float32)
    change *= cover
    part += change


def ribbon(path: Points, width_px: float | NDArray[np.float64]) -> Points:
    """The closed outline of a stroke along `path`, `width_px` wide (one width for all, or one for each point)."""
    step = np.gradient(path, axis=0)
    normal = np.stack([-step[:, 1], step[:, 0]], 1) / np.maximum(np.hypot(*step.T), 1e-9)[:, None]
    half = np.broadcast_to(np.asarray(width_px) / 2, (len(path),))[:, None]
    return np.concatenate([path + normal * half, (path - normal * half)[::-1]])


def stroke(
    canvas: Plane,
    path: Points,
    width_px: float | NDArray[np.float64],
    paint: Paint,
    *,
    opacity: float = 1.0,
    soft_px: float = 0.0,
) -> None:
    """Draw a stroke along `path` in place."""
    fill(canvas, ribbon(path, width_px), paint, opacity=opacity, soft_px=soft_px)


def sag(a: Sequence[float] | Points, b: Sequence[float] | Points, drop: float, n: int = 48) -> Points:
    """A hanging line from `a` to `b`, its middle `drop` px below the straight line."""
    t = np.linspace(0, 1, n)[:, None]
    path = np.asarray(a, float) * (1 - t) + np.asarray(b, float) * t
    path[:, 1] += 4 * drop * (t * (1 - t))[:, 0]
    return path


def hang_wall(canvas: Plane, corners: Points, texture: Floats, cover: Floats | None = None) -> None:
    """Draw a flat texture in perspective onto four corners (top left, top right, bottom right, bottom left)."""
    box = box_of(corners, canvas.shape)
    if box is None:
        return
    top, bottom, left, right = box
    h, w = texture.shape[:2]
    source = np.array([(0, 0), (w, 0), (w, h), (0, h)], np.float32)
    matrix = cv2.getPerspectiveTransform(source, (corners - (left, top)).astype(np.float32))
    size = (right - left, bottom - top)
    warped = cv2.warpPerspective(texture, matrix, size, flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    mask = coverage(corners, box)
    if cover is not None:
        mask = mask * as_plane(cv2.warpPerspective(cover, matrix, size, flags=cv2.INTER_LINEAR))
    lay(canvas[top:bottom, left:right], mask, as_plane(warped))


class Sheaf:
    """Thousands of thin things laid over a canvas at once, later ones on top. Much faster than `fill`.

    Holds a byte of cover and a byte of tone per px, so a tone has 256 steps.
    """

    def __init__(self, shape: Sequence[int]) -> None:
        self._cover = np.zeros(shape[:2], np.uint8)
        self._tone = np.zeros(shape[:2], np.uint8)

    def thread(self, path: Points, width_px: int, tone: float) -> None:
        """A line of constant width."""
        fixed = np.rint(path * 16).astype(np.int32)[:, None]
        cv2.polylines(
            self._cover, [fixed], isClosed=False, color=255, thickness=width_px, lineType=cv2.LINE_AA, shift=_SHIFT
        )
        cv2.polylines(self._tone, [fixed], isClosed=False, color=_byte(tone), thickness=width_px + 2, shift=_SHIFT)

    def blade(self, path: Points, width_px: float | NDArray[np.float64], tone: float) -> None:
        """A stroke whose width may vary along it."""
        self.patch(ribbon(path, width_px), tone)

    def patch(self, points: Points, tone: float) -> None:
        """A filled outline."""
        fixed = np.rint(points * 16).astype(np.int32)[:, None]
        cv2.fillPoly(self._cover, [fixed], 255, lineType=cv2.LINE_AA, shift=_SHIFT)
        cv2.fillPoly(self._tone, [fixed], _byte(tone), shift=_SHIFT)
        cv2.polylines(self._tone, [fixed], isClosed=True, color=_byte(tone), thickness=2, shift=_SHIFT)

    def lay_on(self, canvas: Plane, opacity: float = 1.0) -> None:
        """Lay everything on the canvas, in place."""
        used = np.flatnonzero(self._cover.any(axis=1))
        if len(used):
            rows = slice(int(used[0]), int(used[-1]) + 1)
            part = canvas[rows]
            cover = self._cover[rows].astype(np.float32) * np.float32(opacity / 255)
            lay(part, cover, self._tone[rows].astype(np.float32) * np.float32(1 / 255))


def _byte(tone: float) -> int:
    return max(0, min(255, round(tone * 255)))
