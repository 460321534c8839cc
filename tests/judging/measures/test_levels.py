"""Tone levels really used: every way to put 8 bits into 16, and pictures that only look like it."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from printqueue.judging.measures.levels import Levels, histogram, measure_levels

Eight = NDArray[np.uint8]
Sixteen = NDArray[np.uint16]


def photograph(seed: int = 61) -> NDArray[np.float64]:
    """A made-up picture of 0 to 1, (400, 500, 3): soft shapes, a ramp and grain, as a camera would see them."""
    rng = np.random.default_rng(seed)
    y, x = np.indices((400, 500)) / 400
    base = 0.45 + 0.3 * np.sin(5 * x) * np.cos(4 * y) + 0.15 * (y - 0.5)
    return np.asarray(np.clip(base[..., None] + rng.normal(0, 0.02, (400, 500, 3)), 0, 1))


def eight(picture: NDArray[np.float64]) -> Eight:
    """Rounded to 8 bits."""
    return np.rint(picture * 255).astype(np.uint8)


def sixteen(picture: NDArray[np.float64]) -> Sixteen:
    """Rounded to 16 bits."""
    return np.rint(picture * 65535).astype(np.uint16)


def levels(samples: Eight | Sixteen) -> Levels:
    """Levels of a whole picture."""
    return measure_levels(histogram(samples))


def test_histogram_counts_every_sample() -> None:
    """(C, 256) or (C, 65536) counts that add up to the pixels, channel by channel."""
    small = np.array([[[0, 10, 255], [0, 11, 255]]], np.uint8)
    counts = histogram(small)
    assert counts.shape == (3, 256)
    assert (counts[0, 0], counts[1, 10], counts[1, 11], counts[2, 255]) == (2, 1, 1, 2)
    deep = histogram(sixteen(photograph()))
    assert deep.shape == (3, 65536)
    assert deep.sum(axis=1).tolist() == [200_000] * 3


def test_bands_add_up() -> None:
    """Counts of bands add up to the counts of the whole."""
    samples = sixteen(photograph())
    parts = sum(histogram(samples[start : start + 100]) for start in range(0, 400, 100))
    np.testing.assert_array_equal(parts, histogram(samples))


def test_true_sixteen_bits() -> None:
    """A true 16-bit picture uses tens of thousands of levels, is no disguised 8-bit one, and has no gaps."""
    found = levels(sixteen(photograph()))
    assert found.used > 20_000
    assert not found.eight_in_sixteen
    assert found.combed_percent == 0


def test_eight_bits_are_what_they_are() -> None:
    """An 8-bit file is not reported as 8 bits in disguise."""
    found = levels(eight(photograph()))
    assert found.used <= 256
    assert not found.eight_in_sixteen
    assert found.combed_percent == 0


def shifted(picture: NDArray[np.float64]) -> Sixteen:
    """8 bits moved up by 8: the lower byte is empty."""
    return np.asarray(eight(picture).astype(np.uint16) * np.uint16(256), np.uint16)


def replicated(picture: NDArray[np.float64]) -> Sixteen:
    """8 bits × 257."""
    return eight(picture).astype(np.uint16) * np.uint16(257)


def curved(picture: NDArray[np.float64]) -> Sixteen:
    """8 bits put through a strong curve in 16 bits: at most 256 levels, on no grid."""
    return sixteen((eight(picture) / 255) ** 0.6)


def dithered(picture: NDArray[np.float64]) -> Sixteen:
    """8 bits × 257 with a whisper of noise: nearly all beside the grid."""
    noise = np.random.default_rng(62).integers(-2, 3, (400, 500, 3))
    return np.asarray(np.clip(eight(picture).astype(np.int64) * 257 + noise, 0, 65535), np.uint16)


def mostly_replicated(picture: NDArray[np.float64]) -> Sixteen:
    """8 bits × 257, retouched in 16 bits over half a percent of the picture."""
    samples = replicated(picture)
    samples[:2] = sixteen(picture)[:2]
    return samples


def mostly_shifted(picture: NDArray[np.float64]) -> Sixteen:
    """The same with the lower byte empty."""
    samples = shifted(picture)
    samples[:2] = sixteen(picture)[:2]
    return samples


@pytest.mark.parametrize("disguise", [shifted, replicated, curved, dithered, mostly_replicated, mostly_shifted])
def test_eight_bits_in_disguise(disguise: object) -> None:
    """However 8 bits were put into 16, it is seen."""
    assert callable(disguise)
    assert levels(disguise(photograph())).eight_in_sixteen


def test_grey_in_disguise() -> None:
    """The same for one channel."""
    assert levels(replicated(photograph())[..., :1]).eight_in_sixteen
    assert not levels(sixteen(photograph())[..., :1]).eight_in_sixteen


def linear(picture: NDArray[np.float64]) -> Sixteen:
    """8 bits through a conversion channel by channel (IEC 61966-2-1 to linear, then other curves)."""
    tones = eight(picture) / 255
    light = np.where(tones <= 0.04045, tones / 12.92, ((tones + 0.055) / 1.055) ** 2.4)
    return sixteen(light ** np.array([1 / 1.8, 1 / 2.2, 1 / 2.0]))


def fifteen(picture: NDArray[np.float64]) -> Sixteen:
    """8 bits by way of an editor's 15: on no grid of 257."""
    return np.asarray(np.rint(eight(picture) / 255 * 32767) * 2, np.uint16)


def combed(picture: NDArray[np.float64]) -> Sixteen:
    """8 bits with gaps already, then a curve in 16."""
    stretched = np.clip(np.rint((255 * picture - 60) * 1.5), 0, 255)
    return sixteen((stretched / 255) ** 0.8)


def retouched(picture: NDArray[np.float64]) -> Sixteen:
    """A curve on 8 bits, and half a percent retouched in 16."""
    samples = curved(picture)
    samples[:2] = sixteen(picture)[:2]
    return samples


def framed(picture: NDArray[np.float64]) -> Sixteen:
    """A curve on 8 bits in a large black border."""
    return in_black(curved(picture))


def in_black(samples: Sixteen) -> Sixteen:
    """In a black border of 99 % of the area."""
    frame = np.zeros((samples.shape[0] * 10, samples.shape[1] * 10, samples.shape[2]), np.uint16)
    frame[: samples.shape[0], : samples.shape[1]] = samples
    return frame


@pytest.mark.parametrize("disguise", [linear, fifteen, combed, retouched, framed])
def test_eight_bits_under_a_curve(disguise: object) -> None:
    """256 levels stay 256 levels, wherever a curve puts them."""
    assert callable(disguise)
    assert levels(disguise(photograph())).eight_in_sixteen


def toned(tones: NDArray[np.float64]) -> NDArray[np.float64]:
    """Black-and-white with a warm curve per channel."""
    return np.asarray(tones.mean(axis=2, keepdims=True) ** np.array([0.9, 1.0, 1.1]))


def averaged(picture: NDArray[np.float64]) -> NDArray[np.float64]:
    """Means of 3 × 3 pixels of 8 bits: true 16 bits out of 8."""
    rows = eight(picture)[:399, :498].reshape(133, 3, 166, 3, 3)
    return np.asarray(rows.mean(axis=(1, 3)) / 255)


TRUE = {
    "averaged": averaged(photograph()),
    "fog": 0.7 + 0.03 * photograph(),
    "low key": 0.08 * photograph(),
    "black-and-white": photograph().mean(axis=2, keepdims=True),
    "toned": toned(photograph()),
}


@pytest.mark.parametrize("name", TRUE)
def test_true_sixteen_bits_that_look_like_fewer(name: str) -> None:
    """A narrow range, grey, or a large black border is no disguise, and leaves no gaps."""
    for samples in (sixteen(TRUE[name]), in_black(sixteen(TRUE[name]))):
        found = levels(samples)
        assert not found.eight_in_sixteen
        assert found.combed_percent < 8


@pytest.mark.parametrize("patches", [40, 100, 200, 256])
def test_charts_are_no_disguise(patches: int) -> None:
    """Flat patches of unrelated 16-bit codes: few levels, but no curve spaces them so."""
    charts = np.random.default_rng(64).integers(0, 65536, (50, 1, patches, 3)).astype(np.uint16)
    assert not any(levels(chart).eight_in_sixteen for chart in charts)


@pytest.mark.parametrize("shape", [(1, 1, 1), (1, 1, 3), (0, 5, 3), (3, 7, 3)])
@pytest.mark.parametrize("code", [0, 1, 255])
def test_constant_and_tiny(shape: tuple[int, int, int], code: int) -> None:
    """One colour, one pixel, no pixel: a number, and nothing claimed."""
    for samples in (np.full(shape, code, np.uint8), np.full(shape, 257 * code, np.uint16)):
        found = levels(samples)
        assert found == Levels(min(1, samples.size), eight_in_sixteen=False, combed_percent=0.0)


@pytest.mark.parametrize("kind", [np.uint8, np.uint16])
def test_histogram_is_numpy_s(kind: Any) -> None:
    """Against numpy's own count, also of a view that is not contiguous."""
    most = int(np.iinfo(kind).max)
    samples = np.random.default_rng(65).integers(0, most + 1, (31, 53, 3)).astype(kind)
    for view in (samples, samples[::-1, ::2], samples.transpose(1, 0, 2), samples[..., :1]):
        by_numpy = [np.bincount(view[..., c].ravel(), minlength=most + 1) for c in range(view.shape[-1])]
        np.testing.assert_array_equal(histogram(view), by_numpy)


def test_half_of_a_picture_is_not_enough() -> None:
    """A 16-bit picture with an 8-bit part pasted into it is still a 16-bit picture."""
    samples = sixteen(photograph())
    samples[:200] = replicated(photograph())[:200]
    assert not levels(samples).eight_in_sixteen


def test_few_levels_are_no_disguise() -> None:
    """A flat card or a line drawing of up to 32 levels says nothing about where it came from."""
    flat = np.full((50, 50, 3), 30_000, np.uint16)
    assert levels(flat) == Levels(1, eight_in_sixteen=False, combed_percent=0.0)
    drawing = (np.arange(32, dtype=np.uint16) * 2000)[None, :, None].repeat(3, axis=2)
    assert not levels(drawing).eight_in_sixteen


def test_two_toned_channels_count_the_busiest() -> None:
    """A toned black-and-white picture is judged by its busiest channel."""
    samples = sixteen(photograph())
    samples[..., 2] = 20_000
    assert levels(samples).used > 20_000


@pytest.mark.parametrize(("stretch", "least"), [(1.6, 30), (2.0, 40), (3.0, 60)])
def test_a_strong_curve_on_eight_bits_leaves_a_comb(stretch: float, least: float) -> None:
    """Contrast × f on 8 bits leaves 1 − 1/f of the levels empty (closed form); most of them are counted."""
    codes = np.tile(np.arange(256), 800).reshape(400, 512, 1)
    stretched = np.clip(np.rint((codes - 128) * stretch + 128), 0, 255).astype(np.uint8)
    found = levels(stretched[(stretched > 0) & (stretched < 255)].reshape(1, -1, 1))
    assert found.combed_percent == pytest.approx(100 * (1 - 1 / stretch), abs=3)
    assert found.combed_percent > least


def test_noise_and_soft_histograms_are_no_comb() -> None:
    """Ordinary pictures, small ones too, read as hardly combed: under the limit of 8 %."""
    for rows in (400, 60, 20):
        assert levels(eight(photograph())[:rows]).combed_percent < 8


def test_a_narrow_range_is_not_spoken_of() -> None:
    """In fog of 15 levels there is no gap to speak of."""
    fog = np.asarray(2 * np.random.default_rng(63).integers(90, 97, (50, 50, 1)), np.uint8)
    assert levels(fog).combed_percent == 0
