"""Softness against closed forms, and against enlargements by a reference library (Pillow), blur, grain and JPEG."""

from __future__ import annotations

import io
import time
from functools import lru_cache
from typing import Any

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image

from printqueue.judging.measures._spectrum import bin_centres, whitened
from printqueue.judging.measures.softness import Softness, measure_softness
from printqueue.judging.measures.tiles import Tile
from tests.judging.measures.whole import tiles_of

Codes = NDArray[np.uint8]
_LANCZOS, _BICUBIC, _BILINEAR = Image.Resampling.LANCZOS, Image.Resampling.BICUBIC, Image.Resampling.BILINEAR


@lru_cache(maxsize=4)
def texture(side: int = 512, cut: float = 1.0, seed: int = 1) -> Codes:
    """A scene by its statistics: amplitude 1/f (Field 1987), nothing over `cut` c/px, one plain quarter."""
    f = np.hypot(np.fft.fftfreq(side)[:, None], np.fft.rfftfreq(side)[None, :])
    f[0, 0] = 1
    random = np.random.default_rng(seed)
    waves = np.exp(2j * np.pi * random.random(f.shape)) / f * (f < cut)
    waves[0, 0] = 0
    plane = np.fft.irfft2(waves, (side, side))
    plane = 128 + 40 * plane / plane.std()
    plane[: side // 2, : side // 2] = 128
    return np.asarray(np.clip(np.rint(plane), 0, 255), np.uint8)[..., None]


def enlarged(codes: Codes, factor: float, kernel: Image.Resampling = _BICUBIC) -> Codes:
    """By Pillow."""
    size = (round(codes.shape[1] * factor), round(codes.shape[0] * factor))
    return np.asarray(Image.fromarray(codes[..., 0]).resize(size, kernel))[..., None]


def jpeg(codes: Codes, quality: int) -> Codes:
    """Through libjpeg and back."""
    memory = io.BytesIO()
    Image.fromarray(codes[..., 0]).save(memory, "JPEG", quality=quality)
    return np.asarray(Image.open(memory))[..., None]


def changed(codes: Codes, plane: NDArray[Any]) -> Codes:
    """As whole 8-bit codes again."""
    return np.asarray(np.clip(np.rint(plane), 0, 255), np.uint8).reshape(codes.shape)


def blurred(codes: Codes, sigma: float) -> Codes:
    """By a Gaussian of `sigma` px."""
    return changed(codes, cv2.GaussianBlur(codes[..., 0].astype(np.float32), (0, 0), sigma))


def noisy(codes: Codes, sigma: float) -> Codes:
    """With white noise of so many codes."""
    return changed(codes, codes + np.random.default_rng(2).normal(0, sigma, codes.shape))


def sharpened(codes: Codes, amount: float) -> Codes:
    """Unsharp mask, radius 1."""
    plane = codes[..., 0].astype(np.float32)
    return changed(codes, plane + amount * (plane - cv2.GaussianBlur(plane, (0, 0), 1)))


def of(codes: NDArray[np.uint8] | NDArray[np.uint16]) -> Softness:
    """Of a whole picture."""
    return measure_softness(tiles_of(codes))


def test_white_noise_rises_by_the_square_of_the_frequency() -> None:
    """Power of white noise is its variance at every frequency (Parseval); whitened, variance × mean f² of the ring."""
    blocks = np.random.default_rng(3).normal(0.5, 0.05, (64, 64, 64)).astype(np.float32)
    found = whitened(blocks).mean(axis=0) / bin_centres() ** 2
    assert found[2:] == pytest.approx(np.full(14, 0.05**2), rel=0.08)


def test_one_over_f_is_flat() -> None:
    """The native texture: no fall towards the end of the grid, all of it detail, no trace."""
    found = of(texture())
    assert found.tail_db == pytest.approx(0, abs=1.5)
    assert found.detail_percent == 100
    assert not found.enlarged


@pytest.mark.parametrize("cut", [0.2, 0.3])
def test_an_ideal_low_pass_is_read_at_its_cut(cut: float) -> None:
    """Closed form: detail ends at `cut` c/px, the grid at 0.5; one bin is 1/32 c/px."""
    assert of(texture(cut=cut)).detail_percent == pytest.approx(100 * cut / 0.5, abs=100 / 32 / 0.5)


@pytest.mark.parametrize("kernel", [_BILINEAR, _BICUBIC, _LANCZOS])
@pytest.mark.parametrize("factor", [1.5, 2.0, 3.0])
def test_enlargement_is_recognised(factor: float, kernel: Image.Resampling) -> None:
    """By the trace in the grid or by the tail."""
    found = of(enlarged(texture(256), factor, kernel))
    assert found.tail_db is not None
    assert found.enlarged or found.tail_db < -17


@pytest.mark.parametrize("after", ["sharpened", "grain", "jpeg 85"])
def test_doubling_shows_through_what_came_after(after: str) -> None:
    """Pairs stay in pairs."""
    twice = enlarged(texture(256), 2)
    treated = {
        "sharpened": lambda: sharpened(twice, 1.5),
        "grain": lambda: noisy(twice, 2),
        "jpeg 85": lambda: jpeg(twice, 85),
    }
    found = of(treated[after]())
    assert found.enlarged
    assert found.detail_percent is not None
    assert found.detail_percent <= 50


@pytest.mark.parametrize("sigma", [0.8, 1.0])
def test_a_blur_is_read_by_its_transfer(sigma: float) -> None:
    """A Gaussian passes exp(−4 π² σ² f²) of the power; and it is not taken for an enlargement."""
    found = of(blurred(texture(), sigma))
    f = bin_centres()
    passed = np.exp(-4 * (np.pi * sigma * f) ** 2)
    expected = 10 * np.log10(passed[f > 0.35].mean() / passed[(f > 0.06) & (f < 0.15)].mean())
    assert found.tail_db == pytest.approx(expected, abs=2.0)
    assert not found.enlarged


@pytest.mark.parametrize(
    "codes", [jpeg(texture(), 85), jpeg(texture(), 60), noisy(texture(), 6), sharpened(texture(), 1.5)]
)
def test_native_files_pass_whatever_was_done_to_them(codes: Codes) -> None:
    """JPEG, noise, sharpening leave no trace of an enlargement and no steep fall."""
    found = of(codes)
    assert found.tail_db is not None
    assert found.tail_db > -10
    assert not found.enlarged


def test_noise_is_read_from_the_calm_quarter() -> None:
    """White noise of 6 codes: 2.35 % of the tone scale, though the rest is full of detail."""
    assert of(noisy(texture(), 6)).noise_percent == pytest.approx(100 * 6 / 255, rel=0.15)


def test_a_shallow_focus_passes_by_its_sharp_part() -> None:
    """All but a strip of 128 × 384 px blurred: judged by that corner, and it is named."""
    codes = texture(cut=1.0, seed=5)
    soft = blurred(codes, 4)
    soft[-384:, -128:] = codes[-384:, -128:]
    found = of(soft)
    assert found.detail_percent is not None
    assert found.detail_percent > 80
    assert found.where[0].in_words().endswith("right")


@pytest.mark.parametrize("value", [0, 128, 255])
@pytest.mark.parametrize("shape", [(1, 1, 3), (70, 70, 1), (300, 300, 3), (64, 3000, 3)])
def test_nothing_to_measure(value: int, shape: tuple[int, int, int]) -> None:
    """Planes of one code, and pictures too small for a block."""
    found = of(np.full(shape, value, np.uint8))
    assert (found.detail_percent, found.tail_db, found.enlarged) == (None, None, False)


def test_fog_with_grain_is_not_measurable() -> None:
    """A ramp of 30 codes under noise has no detail that could be soft; nor has no picture at all."""
    ramp = np.broadcast_to(np.linspace(120, 150, 512)[None, :, None], (512, 512, 1))
    assert of(noisy(changed(texture(), ramp), 4)).detail_percent is None
    assert measure_softness([]).detail_percent is None


def test_sixteen_bits_read_like_eight() -> None:
    """The same picture × 257."""
    eight, sixteen = of(texture()), of(texture().astype(np.uint16) * np.uint16(257))
    assert sixteen.tail_db == pytest.approx(eight.tail_db, abs=0.01)


def test_a_place_in_the_whole_picture() -> None:
    """The size given counts, not what the tiles span."""
    tile = Tile(texture()[256:, 256:], 256, 256)
    region = measure_softness([tile], (1024, 1024)).where[0]
    assert 0.25 <= region.left < 0.5
    assert region.width == 0.125


def test_speed() -> None:
    """Under 0.1 s of CPU per megapixel of tiles (0.02 measured)."""
    tiles = tiles_of(texture(1024))
    for tile in tiles:
        _ = tile.tone
    start = time.process_time()
    measure_softness(tiles)
    assert time.process_time() - start < 0.1 * 1.05
