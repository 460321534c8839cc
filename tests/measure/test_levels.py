"""Tone levels really used: every way to put 8 bits into 16, and pictures that only look like it."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from printqueue.measure.levels import Levels, histogram, measure_levels

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
