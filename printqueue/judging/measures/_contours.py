"""Straight contours of a picture and the tone profiles across them.

Only along a straight contour can a rim left by sharpening be distinguished from the picture's own detail: texture,
noise and grain have no such contours. A profile is the mean of seven parallel lines across the contour, which
averages out noise.

Source: the gradient is the 3 x 3 Sobel mask. The limits are our own, found by trial on photographs and
synthetic scenes.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from itertools import product
from typing import NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray

STEP_PX = 0.5
ACROSS_PX = np.arange(-16, 17) * STEP_PX  # -8 px on the dark side to +8 px on the light side
_BESIDE_PX = np.arange(-3, 4)

_BORDER_PX = 10  # a profile reaches sqrt(8^2 + 3^2) = 8.5 px, the cubic kernel up to 2 px further
_MARGIN_PX = 12  # what a block needs around it so that cutting a plane into blocks changes nothing
_CELL_PX = 8  # at most one contour per cell
_BLOCK_PX = 512  # whole cells; fits the processor's cache, and cv2.remap cannot address more than 32,766 px
_CHUNK = 1024  # profiles sampled at once: about 1 MB per map

_PREBLUR_PX = 0.6
_MIN_GRADIENT = 0.02  # tone per px
_ALONG_PX = 3.0
_MIN_COHERENCE = 0.6  # of the contour's own gradient, still present 3 px along it on both sides

_Plane = NDArray[np.float32]
_Places = tuple[NDArray[np.intp], NDArray[np.intp]]


class Profiles(NamedTuple):
    """Profiles across n contours: places in px of the plane, tone (n, 33) at ACROSS_PX, dark side first."""

    x: NDArray[np.intp]
    y: NDArray[np.intp]
    tone: NDArray[np.float64]


class _Contours(NamedTuple):
    """Places in px of a block, and the unit normal there, pointing to the light side."""

    x: NDArray[np.float32]
    y: NDArray[np.float32]
    normal_x: NDArray[np.float32]
    normal_y: NDArray[np.float32]

    def take(self, which: slice | NDArray[np.bool_]) -> _Contours:
        return _Contours(*(values[which] for values in self))


class _Block(NamedTuple):
    """A piece of a plane with the margin that its profiles need; core is the part that belongs to this block alone."""

    tone: _Plane
    left: int
    top: int
    core: tuple[slice, slice]


def contour_profiles(plane: _Plane, max_profiles: int) -> Profiles:
    """Return at most max_profiles tone profiles across the straight contours of a plane (H, W).

    Contours within 10 px of the edge are left out. If there are more than max_profiles, every n-th is taken.
    """
    blocks = list(_blocks(plane))
    found = _every_nth([_contours(block) for block in blocks], max_profiles)
    return _joined(_profiles(block, contours) for block, contours in zip(blocks, found, strict=True))


def _blocks(plane: _Plane) -> Iterator[_Block]:
    height, width = plane.shape
    tops = range(_BORDER_PX, height - _BORDER_PX, _BLOCK_PX)
    lefts = range(_BORDER_PX, width - _BORDER_PX, _BLOCK_PX)
    for top, left in product(tops, lefts):
        rows, row_core = _span(top, height)
        columns, column_core = _span(left, width)
        yield _Block(plane[rows, columns], columns.start, rows.start, (row_core, column_core))


def _span(start: int, size: int) -> tuple[slice, slice]:
    stop = min(start + _BLOCK_PX, size - _BORDER_PX)
    outer = slice(max(0, start - _MARGIN_PX), min(size, stop + _MARGIN_PX))
    return outer, slice(start - outer.start, stop - outer.start)


def _contours(block: _Block) -> _Contours:
    smooth = cv2.GaussianBlur(block.tone, (0, 0), _PREBLUR_PX)
    gradient_x = np.asarray(cv2.Sobel(smooth, cv2.CV_32F, 1, 0, scale=1 / 8), dtype=np.float32)
    gradient_y = np.asarray(cv2.Sobel(smooth, cv2.CV_32F, 0, 1, scale=1 / 8), dtype=np.float32)
    strength = np.asarray(cv2.magnitude(gradient_x, gradient_y), dtype=np.float32)
    rows, columns = _strongest_per_cell(strength, block.core)
    peak = strength[rows, columns]
    normals = gradient_x[rows, columns] / peak, gradient_y[rows, columns] / peak
    here = _Contours(columns.astype(np.float32), rows.astype(np.float32), *normals)
    return here.take(_is_ridge(strength, here, peak) & _is_straight(gradient_x, gradient_y, here, peak))


def _strongest_per_cell(strength: _Plane, core: tuple[slice, slice]) -> _Places:
    """Rows and columns of each cell's strongest pixel; cells cut by the edge are left out."""
    inner = strength[core]
    down, across = inner.shape[0] // _CELL_PX, inner.shape[1] // _CELL_PX
    cells = inner[: down * _CELL_PX, : across * _CELL_PX].reshape(down, _CELL_PX, across, _CELL_PX)
    # rows first: numpy is slow on short axes, and this leaves an eighth for the second pass
    peaks = cells.max(axis=1).max(axis=2)
    cell_y, cell_x = np.nonzero((peaks > _MIN_GRADIENT) & np.isfinite(peaks))
    inside = cells[cell_y, :, cell_x, :].reshape(-1, _CELL_PX**2).argmax(axis=1)
    rows = core[0].start + cell_y * _CELL_PX + inside // _CELL_PX
    return rows, core[1].start + cell_x * _CELL_PX + inside % _CELL_PX


def _is_ridge(strength: _Plane, here: _Contours, peak: _Plane) -> NDArray[np.bool_]:
    ahead = _sample(strength, here.x + here.normal_x, here.y + here.normal_y, cv2.INTER_LINEAR)
    behind = _sample(strength, here.x - here.normal_x, here.y - here.normal_y, cv2.INTER_LINEAR)
    return np.asarray(np.maximum(ahead, behind) <= peak)


def _is_straight(gradient_x: _Plane, gradient_y: _Plane, here: _Contours, peak: _Plane) -> NDArray[np.bool_]:
    weakest = np.full(peak.shape, np.inf, dtype=np.float32)
    for along in (_ALONG_PX, -_ALONG_PX):
        x, y = here.x - along * here.normal_y, here.y + along * here.normal_x
        projected_x = _sample(gradient_x, x, y, cv2.INTER_LINEAR) * here.normal_x
        projected_y = _sample(gradient_y, x, y, cv2.INTER_LINEAR) * here.normal_y
        weakest = np.minimum(weakest, projected_x + projected_y)
    return np.asarray(weakest > _MIN_COHERENCE * peak)


def _every_nth(found: list[_Contours], limit: int) -> list[_Contours]:
    """Thin out as if the blocks were one list, so that a busy block keeps its weight against a quiet one."""
    every = max(1, -(-sum(len(contours.x) for contours in found) // limit))
    thinned, passed = [], 0
    for contours in found:
        thinned.append(contours.take(slice(-passed % every, None, every)))
        passed += len(contours.x)
    return thinned


def _profiles(block: _Block, at: _Contours) -> Profiles:
    chunks = [at.take(slice(start, start + _CHUNK)) for start in range(0, len(at.x), _CHUNK)]
    tones = [_across(block.tone, chunk) for chunk in chunks]
    x, y = at.x.astype(np.intp) + block.left, at.y.astype(np.intp) + block.top
    return Profiles(x, y, np.concatenate([np.zeros((0, ACROSS_PX.size)), *tones]))


def _across(tone: _Plane, at: _Contours) -> _Plane:
    """Sample cubically: linear sampling misreads the rim of an ideal edge by up to 12 % of its step."""
    offsets = np.meshgrid(_BESIDE_PX, ACROSS_PX, indexing="ij")
    beside, across = (offset.astype(np.float32).ravel() for offset in offsets)
    normal_x, normal_y = at.normal_x[:, None], at.normal_y[:, None]
    x = at.x[:, None] + across * normal_x - beside * normal_y
    y = at.y[:, None] + across * normal_y + beside * normal_x
    lines = _sample(tone, x, y, cv2.INTER_CUBIC).reshape(-1, _BESIDE_PX.size, ACROSS_PX.size)
    return np.asarray(lines.mean(axis=1))


def _sample(plane: _Plane, x: _Plane, y: _Plane, kind: int) -> _Plane:
    if x.size == 0:
        return np.zeros(x.shape, dtype=np.float32)
    sampled = cv2.remap(plane, x, y, kind, borderMode=cv2.BORDER_REFLECT_101)
    return np.asarray(sampled, dtype=np.float32).reshape(x.shape)


def _joined(parts: Iterable[Profiles]) -> Profiles:
    none = np.zeros(0, dtype=np.intp)
    x, y, tone = zip((none, none, np.zeros((0, ACROSS_PX.size))), *parts, strict=True)
    return Profiles(np.concatenate(x), np.concatenate(y), np.concatenate(tone))
