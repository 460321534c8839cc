"""The two windowed-sinc kernels of the resampler, three lobes each; x in samples of the coarser grid. Pure.

Shrinking: Lanczos' window, whose stop band keeps aliases at -38 dB and below from 1.5 × the new Nyquist frequency up.
Enlarging: a Gaussian window of σ 1.3, which gives up a little of the finest octave for smaller swings beside edges
(an edge of σ 0.5 px at twice its size overshoots by 1.6 % of its step in L*; with Lanczos it was 2.5 %).
`tests/imaging/render/test_resample.py` measures aliases and swing.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from printqueue.imaging.elementary import exp, sinc

Array = NDArray[np.float64]
Kernel = Callable[[Array], Array]
LOBES = 3
_WINDOW_SIGMA = 1.3


def shrinking(x: Array) -> Array:
    """Lanczos (C. E. Duchon, J. Appl. Meteorol. 18, 1979): sinc(x) · sinc(x / 3) for |x| < 3."""
    return np.where(np.abs(x) < LOBES, sinc(x) * sinc(x / LOBES), 0.0)


def enlarging(x: Array) -> Array:
    """sinc(x) · exp(-x² / 2σ²) for |x| < 3."""
    return np.where(np.abs(x) < LOBES, sinc(x) * exp(-0.5 * (x / _WINDOW_SIGMA) * (x / _WINDOW_SIGMA)), 0.0)


def kernel_for(scale: float) -> Kernel:
    """The kernel for `scale` source samples per target sample."""
    return shrinking if scale > 1 else enlarging
