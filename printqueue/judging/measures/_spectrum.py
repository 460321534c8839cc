"""Radial power spectra of square blocks, whitened: flat for an untouched photograph."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

Blocks = NDArray[np.float32]  # (N, side, side), tones 0..1
Spectrum = NDArray[np.float64]
BINS = 16  # of 1/32 c/px each, up to 0.5 c/px


def bin_centres() -> Spectrum:
    """Centre frequencies of the bins, c/px."""
    return (np.arange(BINS) + 0.5) / (2 * BINS)


@lru_cache(maxsize=4)
def _geometry(side: int) -> tuple[NDArray[np.intp], Spectrum, NDArray[np.float32], Spectrum]:
    """Bin of each coefficient of a real transform, its f², the window, and the number of coefficients per bin."""
    f = np.hypot(np.fft.fftfreq(side)[:, None], np.fft.rfftfreq(side)[None, :])
    bins = np.minimum((f * 2 * BINS).astype(np.intp), BINS).ravel()
    hann = 0.5 - 0.5 * np.cos(2 * np.pi * (np.arange(side) + 0.5) / side)
    window = np.outer(hann, hann)
    return (
        bins,
        (f**2).ravel(),
        (window / np.sqrt((window**2).sum())).astype(np.float32),
        np.bincount(bins).astype(np.float64),
    )


def whitened(blocks: Blocks) -> Spectrum:
    """f² × power in rings, (N, BINS): flattens the 1/f² of natural scenes (Field 1987); white noise then rises by f².

    The Hann window has unit energy, so that white noise of variance v has power v at every frequency.
    """
    side = blocks.shape[-1]
    bins, squared, window, count = _geometry(side)
    rows = []
    for block in blocks:
        power = np.abs(np.fft.rfft2((block - block.mean()) * window)) ** 2
        rows.append(np.bincount(bins, power.ravel() * squared, minlength=BINS + 1)[:BINS] / count[:BINS])
    return np.array(rows).reshape(-1, BINS)
