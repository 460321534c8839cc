"""Endless textures: fractal noise and wind-blown water, as tiles that repeat seamlessly."""

from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from printqueue.demo.canvas import Plane, Shape, as_plane, generator

TILE_PX = 1024


@lru_cache(maxsize=4)
def _white_spectrum(bank: int) -> NDArray[np.complex64]:
    noise = generator(4000 + bank).standard_normal((TILE_PX, TILE_PX), dtype=np.float32)
    return np.asarray(np.fft.rfft2(noise), np.complex64)


def tile(seed: int, beta: float = 1.6) -> Plane:
    """A (1024, 1024) tile of fractal noise, mean 0, deviation 1; a larger `beta` is smoother.

    There is one per quarter step of beta in each of four banks; the seed only selects the bank.
    """
    return _tile(seed % 4, round(beta * 4))


@lru_cache(maxsize=28)
def _tile(bank: int, quarters: int) -> Plane:
    ky = np.fft.fftfreq(TILE_PX).astype(np.float32)[:, None]
    kx = np.fft.rfftfreq(TILE_PX).astype(np.float32)[None, :]
    k = np.hypot(ky, kx)
    k[0, 0] = np.inf
    wave = np.fft.irfft2(_white_spectrum(bank) * k ** np.float32(-quarters / 4), s=(TILE_PX, TILE_PX))
    return as_plane(wave / wave.std())


def field(shape: Shape, seed: int, cell: tuple[float, float] | float, beta: float = 1.6) -> Plane:
    """Fractal noise over a frame; one texel of the tile covers `cell` (rows, columns) px, at least 1."""
    cy, cx = cell if isinstance(cell, tuple) else (cell, cell)
    rows, cols = (int(np.ceil(shape[0] / cy)) + 3, int(np.ceil(shape[1] / cx)) + 3)
    at = generator(seed + 1).integers(0, TILE_PX, 2)
    part = tile(seed, beta)
    part = part.take(np.arange(at[0], at[0] + rows), 0, mode="wrap")
    part = part.take(np.arange(at[1], at[1] + cols), 1, mode="wrap")
    if cy == 1 and cx == 1:
        return as_plane(part[: shape[0], : shape[1]])
    big = cv2.resize(part, None, fx=cx, fy=cy, interpolation=cv2.INTER_CUBIC)
    return as_plane(big[: shape[0], : shape[1]])


@lru_cache(maxsize=4)
def waves(seed: int, tile_m: float, longest_m: float, spread: float, *, heading: float) -> Plane:
    """Wind waves on a square of `tile_m` metres: (1024, 1024, 3) = height, slope across, slope away.

    Spectrum k⁻⁴ below the longest wave (Phillips 1957, from memory), cos^spread about `heading`
    (radians from straight across). Scaled so that both slopes together have deviation 1.
    """
    turns = np.float32(2 * np.pi * TILE_PX / tile_m)
    kz = turns * np.fft.fftfreq(TILE_PX).astype(np.float32)[:, None]
    kx = turns * np.fft.rfftfreq(TILE_PX).astype(np.float32)[None, :]
    k = np.hypot(kx, kz)
    k[0, 0] = np.inf
    along = np.abs((kx * np.cos(heading) + kz * np.sin(heading)) / k) ** spread
    amplitude = _white_spectrum(seed % 4) / (k * k) * np.exp(-0.5 * (2 * np.pi / longest_m / k) ** 2) * along
    parts = [
        np.fft.irfft2(amplitude * factor, s=(TILE_PX, TILE_PX))
        for factor in (np.complex64(1), np.complex64(1j) * kx, np.complex64(1j) * kz)
    ]
    scale = np.sqrt(parts[1].var() + parts[2].var())
    return as_plane(np.stack(parts, axis=-1) / scale)
