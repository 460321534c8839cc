"""Endless textures: fractal noise, wind-blown water and pebbles, all as tiles that repeat without a seam."""

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
    """A (1024, 1024) tile of fractal noise, mean 0, deviation 1; larger `beta` is smoother.

    Made once for each of four banks and each quarter of beta: a seed only chooses among them.
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


def line(n: int, seed: int, cell: float, beta: float = 1.2) -> Plane:
    """Fractal noise along a line of `n` px, deviation about 1."""
    return as_plane(field((1, n), seed, (1.0, cell), beta)[0])


@lru_cache(maxsize=4)
def waves(seed: int, tile_m: float, longest_m: float, spread: float, heading: float = 1.2) -> Plane:
    """Wind waves on a square of `tile_m` metres: (1024, 1024, 3) = height, slope across, slope away.

    Spectrum k⁻⁴ below the longest wave (Phillips 1957, from memory), cos^spread about `heading`
    (radians from straight across). Scaled so that the slopes have deviation 1 together.
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


@lru_cache(maxsize=4)
def pebbles(seed: int, count: int, size: int = TILE_PX, wobble: float = 5.0) -> Plane:
    """Pebbles lying close on a square tile: (size, size, 2) = dome height 0..1, the stone's own tone 0..1.

    Cells of scattered seeds, with bent outlines; each cell is domed from its rim inwards.
    """
    gen = generator(seed)
    pad = size // 4
    seeds = gen.uniform(0, size, (2 * count, 2))
    crowd = _sized(tile(seed, 1.5), size)[seeds[:, 0].astype(int), seeds[:, 1].astype(int)]
    seeds = seeds[np.argsort(crowd + gen.normal(0, 1.0, 2 * count))[:count]]  # large stones here, small ones there
    bare = np.full((size + 2 * pad, size + 2 * pad), 255, np.uint8)
    stones = np.full(bare.shape, 0, np.int32)
    for dy in (-size, 0, size):
        for dx in (-size, 0, size):
            at = (seeds + np.array([dy + pad, dx + pad])).astype(int)
            inside = ((at >= 0) & (at < size + 2 * pad)).all(axis=1)
            bare[at[inside, 0], at[inside, 1]] = 0
            stones[at[inside, 0], at[inside, 1]] = np.flatnonzero(inside)
    _, labels = cv2.distanceTransformWithLabels(bare, cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL)
    of_label = np.zeros(int(labels.max()) + 1, np.int32)
    of_label[labels[bare == 0]] = stones[bare == 0]
    stone = _bent(of_label[labels], pad, size, wobble)
    return _domed(stone, gen.uniform(0, 1, count).astype(np.float32))


def _bent(stone: NDArray[np.int32], pad: int, size: int, wobble: float) -> NDArray[np.int32]:
    y, x = np.mgrid[-8 : size + 8, -8 : size + 8].astype(np.float32)
    bend_y = np.pad(_sized(tile(911, 1.7), size), 8, mode="wrap") * wobble
    bend_x = np.pad(_sized(tile(912, 1.7), size), 8, mode="wrap") * wobble
    rows = np.clip(y + bend_y + pad, 0, stone.shape[0] - 1).astype(np.int32)
    cols = np.clip(x + bend_x + pad, 0, stone.shape[1] - 1).astype(np.int32)
    return np.asarray(stone[rows, cols], np.int32)


def _sized(noise: Plane, size: int) -> Plane:
    return noise if size == TILE_PX else as_plane(cv2.resize(noise, (size, size), interpolation=cv2.INTER_CUBIC))


def _domed(stone: NDArray[np.int32], tones: Plane) -> Plane:
    rim = (stone != np.roll(stone, 1, 0)) | (stone != np.roll(stone, 1, 1))
    depth = as_plane(cv2.distanceTransform((~rim).astype(np.uint8), cv2.DIST_L2, 5))
    deepest = np.zeros(len(tones), np.float32)
    np.maximum.at(deepest, stone.ravel(), depth.ravel())
    share = depth / np.maximum(deepest[stone], 2.0)
    dome = 1 - np.clip(1 - share, 0, 1) ** 2.6
    return as_plane(np.stack([dome, tones[stone]], axis=-1)[8:-8, 8:-8])
