"""Banding: gradients of known rounding, at several slopes and angles, and what must not count."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from printqueue.judging.measures.banding import Banding, measure_banding
from tests.judging.measures.whole import tiles_of

Tones = NDArray[np.float64]
Codes = NDArray[np.uint8] | NDArray[np.uint16]


def ramp(slope: float = 0.1, angle: float = 17.0, size: int = 512) -> Tones:
    """A gradient in counts, (size, size); `slope` in counts per px."""
    y, x = np.indices((size, size))
    turned = x * np.cos(np.radians(angle)) + y * np.sin(np.radians(angle))
    return np.asarray(60 + slope * turned)


def bits(tones: Tones, depth: int) -> Codes:
    """Rounded to `depth` bits and kept in 8, or in 16 bits as they are."""
    if depth == 16:
        return np.rint(tones * 257)[..., None].astype(np.uint16)
    most = 2**depth - 1
    return np.asarray(np.rint(np.rint(tones / 255 * most) * 255 / most)[..., None].clip(0, 255), np.uint8)


def measured(codes: NDArray[Any]) -> Banding:
    """Of a whole picture."""
    return measure_banding(tiles_of(codes), (codes.shape[1], codes.shape[0]))


@pytest.mark.parametrize("angle", [0.0, 17.0, 45.0, 90.0])
def test_sixteen_and_eight_bits_pass(angle: float) -> None:
    """True 16 bits have no steps; 8 bits have steps of one count, which are said but not counted as coarse."""
    assert measured(bits(ramp(angle=angle), 16)) == Banding(0.0, None, 0.0, ())
    eight = measured(bits(ramp(angle=angle), 8))
    assert (eight.area_percent, eight.step_counts) == (0, None)
    assert eight.stepped_percent > 90


@pytest.mark.parametrize("angle", [0.0, 17.0, 45.0, 90.0])
@pytest.mark.parametrize("depth", [7, 6])
def test_fewer_bits_are_counted(depth: int, angle: float) -> None:
    """n bits rise by 255 / (2ⁿ − 1) counts (closed form), nearly everywhere."""
    found = measured(bits(ramp(angle=angle), depth))
    assert found.area_percent > 90
    assert found.step_counts == pytest.approx(255 / (2**depth - 1), abs=0.5)


@pytest.mark.parametrize("slope", [0.08, 0.1, 0.15])
def test_wide_treads(slope: float) -> None:
    """5 bits: treads of 55 to 100 px, wider than a cell, are found in the wider cells."""
    found = measured(bits(ramp(slope, angle=5.0), 5))
    assert found.area_percent > 50
    assert found.step_counts == pytest.approx(8.2, abs=0.5)


def test_sixteen_bits_that_hold_steps() -> None:
    """The container does not matter: 6 bits × 257 measure as 6 bits."""
    six = bits(ramp(), 6)
    assert measured(six.astype(np.uint16) * np.uint16(257)).area_percent == measured(six).area_percent


def test_dithering_and_grain_dissolve_steps() -> None:
    """As for the eye: dithered before the rounding, or one count of grain after it, no step is left."""
    random = np.random.default_rng(11)
    dithered = bits(ramp() + random.uniform(-2.02, 2.02, (512, 512)), 6)
    grainy = np.rint(bits(ramp(), 6) + random.normal(0, 1.0, (512, 512, 1))).astype(np.uint8)
    assert measured(dithered).area_percent == 0
    assert measured(grainy).area_percent == 0


def test_contrast_stretched_in_eight_bits() -> None:
    """A contrast × 2 on 8 bits: steps of two counts."""
    stretched = (2.0 * (bits(ramp(slope=0.05), 8) - 50.0)).clip(0, 255).astype(np.uint8)
    found = measured(stretched)
    assert found.area_percent > 80
    assert found.step_counts == pytest.approx(2.0)


def test_one_channel_is_enough() -> None:
    """Steps in the blue of a sky alone are found."""
    sky = np.concatenate([bits(ramp(), 8), bits(ramp() + 7, 8), bits(ramp(), 6)], axis=2)
    assert measured(sky).area_percent > 90


def test_toned_black_and_white_passes() -> None:
    """8-bit grey with a warm curve per channel: steps stay under a count and a half."""
    grey = bits(ramp(), 8) / 255.0
    toned = np.rint(255 * grey ** np.array([0.92, 1.0, 1.1])).astype(np.uint8)
    assert measured(toned).area_percent == 0


def edges() -> Codes:
    """Flat shapes with sharp and soft edges, as a gable against fog."""
    flat = np.full((512, 512), 120.0)
    flat[:, 200:] += 20
    flat[300:, :] -= 9
    flat[:, 420:421] += 15
    soft = cv2.GaussianBlur(flat, (0, 0), 1.2)
    return np.where(np.indices((512, 512))[0] < 256, flat, np.rint(soft))[..., None].astype(np.uint8)


def camera_noise() -> Codes:
    """A dark, nearly flat picture that flickers by one code of a coarse curve."""
    return (10 + 3 * np.random.default_rng(12).integers(0, 2, (512, 512, 1))).astype(np.uint8)


@pytest.mark.parametrize("made", [edges, camera_noise])
def test_what_is_no_staircase(made: object) -> None:
    """An edge is one rise; noise goes both ways."""
    assert callable(made)
    assert measured(made()).area_percent == 0


def test_clipped_places_are_no_treads() -> None:
    """A dithered gradient that runs into pure white leaves flat white, not stairs."""
    random = np.random.default_rng(13)
    tones = ramp(0.2, size=1024) + random.uniform(-2.02, 2.02, (1024, 1024))
    assert measured(bits(tones, 6)).area_percent == 0


def test_where() -> None:
    """Steps in the lower right only: the place is named there, with their height."""
    picture = bits(ramp(slope=0.05, size=768), 8)
    picture[512:, 512:] = bits(ramp(slope=0.05, size=768), 6)[512:, 512:]
    (place, *_) = measured(picture).where
    assert place.in_words() == "bottom right"
    assert place.value == pytest.approx(4, abs=0.5)
    assert 100 * place.width * place.height == pytest.approx(measured(picture).area_percent, abs=3)


def test_where_in_a_sparse_sample() -> None:
    """Of a picture that is only sampled, what lies between the tiles goes with the nearest."""
    wide = np.full((256, 40_000, 1), 90, np.uint8)
    wide[:, 20_000:] = np.rint(60 + 0.1 * (np.arange(20_000) % 1000) / 4)[None, :, None] * 4 % 250
    found = measured(wide)
    assert found.where
    assert min(place.left for place in found.where) > 0.49


def test_turning_changes_nothing() -> None:
    """Mirrored or turned by 90°, the area and the step are the same."""
    six = bits(ramp(), 6)
    for other in (six[:, ::-1], six[::-1], six.transpose(1, 0, 2)):
        found = measured(np.ascontiguousarray(other))
        assert found.area_percent == pytest.approx(measured(six).area_percent, abs=4)
        assert found.step_counts == pytest.approx(4.0, abs=0.5)


@pytest.mark.parametrize("shape", [(1, 1, 3), (31, 400, 3), (32, 32, 1), (33, 257, 3)])
@pytest.mark.parametrize("kind", ["constant", "noise", "extremes"])
def test_hostile_sizes_and_contents(shape: tuple[int, int, int], kind: str) -> None:
    """Nothing crashes, and nothing of this is banded."""
    random = np.random.default_rng(14)
    made = {
        "constant": np.full(shape, 77),
        "noise": random.integers(0, 256, shape),
        "extremes": random.choice([0, 255], shape),
    }[kind]
    assert measured(made.astype(np.uint8)).area_percent == 0
    assert measured((made * 257).astype(np.uint16)).area_percent == 0
