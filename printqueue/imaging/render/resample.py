"""Separable windowed-sinc resampling in horizontal bands, antialiased; exact, so identical on every processor.

Each axis is a band matrix, applied in dense blocks with BLAS matrix products in less than half the time of a loop over
taps. The order in which BLAS sums depends on the processor, the block and its edges, so order must not matter: samples
are multiples of 2⁻³² (`grid`), weights are multiples of 2⁻¹⁹, and every partial sum of their products fits the 53 bits
of a double. Samples get the finer share because the darkest code of Adobe RGB is 2⁻³⁵ of its light; weights off by 2⁻²⁰
cost 0.1 of a 16-bit code. Values are rounded to the grid between the two passes. Bands of any height therefore equal
the whole bit for bit, on any number of threads.

There are two kernels of three lobes; x is in samples of the coarser grid. Shrinking: Lanczos' window, whose stop band
keeps aliases at or below -38 dB from 1.5 × the new Nyquist frequency up. Enlarging: a Gaussian window of σ 1.3, which
trades a little of the finest octave for smaller swings beside edges (an edge of σ 0.5 px enlarged to twice its size
overshoots by 1.6 % of its step in L*; with Lanczos, by 2.5 %). `tests/imaging/render/test_resample.py` measures aliases
and swing.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from math import ceil, floor

import numpy as np

from printqueue.imaging.elementary import exp, sinc
from printqueue.imaging.render.grid import Plane, brought_to_grid

LOBES = 3
_WINDOW_SIGMA = 1.3
_BLOCK = 32  # target samples per matrix product: larger blocks waste work on zeros, smaller ones on calls
_WEIGHT = 2.0**19  # steps of a weight from 0 to 1
_KERNEL = 2.0**40  # steps of the kernel before its weights are normalised to sum to 1
# Absolute sum of a row's weights, at most 1.58; two passes reach at most 4, and 4 over steps of 2⁻³² × 2⁻¹⁹ is 53 bits.
MAX_ABSOLUTE = 2.0


def shrinking(x: Plane) -> Plane:
    """Lanczos (C. E. Duchon, J. Appl. Meteorol. 18, 1979): sinc(x) · sinc(x / 3) for |x| < 3."""
    return np.where(np.abs(x) < LOBES, sinc(x) * sinc(x / LOBES), 0.0)


def enlarging(x: Plane) -> Plane:
    """sinc(x) · exp(-x² / 2σ²) for |x| < 3."""
    return np.where(np.abs(x) < LOBES, sinc(x) * exp(-0.5 * (x / _WINDOW_SIGMA) * (x / _WINDOW_SIGMA)), 0.0)


@dataclass(frozen=True, slots=True)
class Axis:
    """One direction: `length` target samples over source positions `start` to `stop` of `source` samples."""

    source: int
    start: float
    stop: float
    length: int

    @property
    def scale(self) -> float:
        """Source samples per target sample; above 1 the picture shrinks."""
        return (self.stop - self.start) / self.length

    @property
    def is_identity(self) -> bool:
        """Whether every target sample equals the source sample at the same place."""
        return self.scale == 1.0 and self.start == int(self.start)

    def reach(self, first: int, last: int) -> tuple[int, int]:
        """The source samples that target samples `first` to `last` read."""
        width = LOBES * max(self.scale, 1.0)
        low = self.start + (first + 0.5) * self.scale - width
        high = self.start + (last - 0.5) * self.scale + width
        return max(0, floor(low)), min(self.source, ceil(high))

    def weights(self, first: int, last: int) -> tuple[int, Plane]:
        """The first source sample, and the (last - first, n) matrix for the samples from there on: multiples of 2⁻¹⁹.

        When shrinking, the filter is widened by the scale; taps outside the source are dropped. Rows sum to
        exactly 1, so that flat areas stay unchanged.
        """
        low, high = self.reach(first, last)
        centres = self.start + (np.arange(first, last) + 0.5) * self.scale
        places = np.arange(low, high) + 0.5
        kernel = shrinking if self.scale > 1 else enlarging
        found = kernel((places - centres[:, None]) / max(self.scale, 1.0))
        return low, _in_steps(np.rint(found * _KERNEL)) / _WEIGHT


def _in_steps(kernel: Plane) -> Plane:
    """Scale each row of whole numbers to steps of 2⁻¹⁹, whole numbers that sum to 2¹⁹; the largest takes the rest.

    Sums of whole numbers are exact, and zeros beside the filter add nothing, so the weights are the same in any block.
    """
    steps = np.asarray(np.rint(kernel * _WEIGHT / kernel.sum(axis=1, keepdims=True)))
    rows = np.arange(len(steps))
    steps[rows, steps.argmax(axis=1)] += _WEIGHT - steps.sum(axis=1)
    assert np.abs(steps).sum(axis=1).max() <= MAX_ABSOLUTE * _WEIGHT
    return steps


@dataclass(frozen=True, slots=True)
class Resampler:
    """Maps a part of a source onto exactly `width` × `height` px; built by `resampler`."""

    across: Axis
    down: Axis

    @property
    def shrinks(self) -> bool:
        """Whether detail gets averaged, in which case the planes should be linear light."""
        return max(self.across.scale, self.down.scale) > 1.0

    def rows_needed(self, start: int, stop: int) -> tuple[int, int]:
        """The source rows that target rows `start` to `stop` read."""
        return self.down.reach(start, stop)

    def band(self, plane: Plane, first_row: int, start: int, stop: int) -> Plane:
        """Target rows `start` to `stop` of a plane on the grid (rows, source width) that begins at `first_row`."""
        return self._horizontally(self._vertically(plane, first_row, start, stop))

    def _vertically(self, plane: Plane, first_row: int, start: int, stop: int) -> Plane:
        if self.down.is_identity:
            top = int(self.down.start) - first_row
            return plane[top + start : top + stop]
        found = np.empty((stop - start, plane.shape[1]))
        for first in range(start, stop, _BLOCK):
            last = min(first + _BLOCK, stop)
            low, matrix = self.down.weights(first, last)
            rows = plane[low - first_row : low - first_row + matrix.shape[1]]
            np.matmul(matrix, rows, out=found[first - start : last - start])
        return brought_to_grid(found)

    def _horizontally(self, plane: Plane) -> Plane:
        axis = self.across
        if axis.is_identity:
            left = int(axis.start)
            return plane[:, left : left + axis.length]
        found = np.empty((plane.shape[0], axis.length))
        for first, low, matrix in _blocks(axis):
            np.matmul(plane[:, low : low + matrix.shape[0]], matrix, out=found[:, first : first + matrix.shape[1]])
        return found


def resampler(width: int, height: int, crop: tuple[float, float, float, float], target: tuple[int, int]) -> Resampler:
    """Map the part `crop` (left, top, right, bottom in px) of `width` × `height` source px to `target` px."""
    left, top, right, bottom = crop
    return Resampler(Axis(width, left, right, target[0]), Axis(height, top, bottom, target[1]))


@lru_cache(maxsize=4)
def _blocks(axis: Axis) -> tuple[tuple[int, int, Plane], ...]:
    """First target sample, first source sample and (source, target) matrix of each block of the axis."""
    firsts = range(0, axis.length, _BLOCK)
    found = ((first, *axis.weights(first, min(first + _BLOCK, axis.length))) for first in firsts)
    return tuple((first, low, np.ascontiguousarray(matrix.T)) for first, low, matrix in found)
