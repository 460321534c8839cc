"""Energy by octave and the fine share of it: closed forms, noise, borders, and what cannot be measured."""

from __future__ import annotations

from functools import reduce
from math import log2
from operator import add

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter
from skimage import color, data

from printqueue.judging.measures.fine_detail import (
    BLOCK_PX,
    COUNTED_MM,
    FINE_MM,
    OCTAVES,
    _weights,
    fine_share_percent,
    finest_regions,
    octave_energy,
)

Plane = NDArray[np.float32]
PPI = 300.0


def waves(cycles_per_px: float, size: tuple[int, int] = (256, 512), amplitude: float = 0.2) -> Plane:
    """Upright lines; each row of blocks has another phase, so that all positions on the pixel grid are met."""
    y, x = np.mgrid[0 : size[0], 0 : size[1]]
    phase = y // BLOCK_PX * 0.381966
    return np.asarray(0.5 + amplitude * np.sin(2 * np.pi * (cycles_per_px * x + phase)), np.float32)


def photograph(name: str) -> Plane:
    """L*/100 of an open photograph that scikit-image carries (its own conversion)."""
    picture: NDArray[np.uint8] = getattr(data, name)()
    lab: NDArray[np.float64] = color.rgb2lab(
        picture if picture.ndim == 3 else np.repeat(picture[..., None], 3, axis=-1)
    )
    tone: Plane = np.asarray(lab[..., 0] / 100, np.float32)
    return tone


def noisy(plane: Plane, sigma: float, grain_px: float = 0.0) -> Plane:
    """White noise, or grain correlated over `grain_px` (Gaussian), of that standard deviation."""
    noise = np.random.default_rng(11).normal(0, 1, plane.shape)
    if grain_px:
        noise = gaussian_filter(noise, grain_px)
        noise /= noise.std()
    return np.asarray((plane + sigma * noise).clip(0, 1), np.float32)


def share(plane: Plane, ppi: float = PPI) -> float | None:
    """The fine share of one plane."""
    return fine_share_percent(octave_energy(plane), ppi)


def wave_energy(cycles_per_px: float) -> NDArray[np.float64]:
    """Closed form: octave i has sin²(π f 2^i) Π cos²(π f 2^j), j < i, of a wave's energy, over all phases."""
    f = np.pi * cycles_per_px * 2.0 ** np.arange(OCTAVES)
    return np.asarray(np.sin(f) ** 2 * np.concatenate([[1], np.cumprod(np.cos(f) ** 2)[:-1]]))


@pytest.mark.parametrize("frequency", [0.03, 0.09, 0.125, 0.21, 0.25, 0.37, 0.45])
def test_waves_against_the_closed_form(frequency: float) -> None:
    """Upright lines put their energy where the closed form has it, within 2 % of the whole."""
    found = octave_energy(waves(frequency, (2048, 512))).energy.mean(axis=0) / (0.5 * 0.2**2)
    assert np.abs(found - wave_energy(frequency)).max() < 0.02


def test_white_noise_against_the_closed_form() -> None:
    """White noise of variance s²: octave i has s² 3/4^(i+1)."""
    noise = np.random.default_rng(2).normal(0.5, 0.05, (1024, 1024)).astype(np.float32)
    found = octave_energy(noise).energy.mean(axis=0)
    assert found[:4] / 0.05**2 == pytest.approx([3 / 4, 3 / 16, 3 / 64, 3 / 256], rel=0.03)


@settings(max_examples=10, deadline=None, derandomize=True, database=None)
@given(st.integers(0, 2**32 - 1), st.floats(0.0, 4.0))
def test_octaves_add_up_to_the_variance(seed: int, blur: float) -> None:
    """Within each block the octaves' sum is numpy's variance: nothing lost, nothing twice."""
    plane = gaussian_filter(np.random.default_rng(seed).uniform(0, 1, (128, 192)), blur).astype(np.float32)
    blocks = plane.reshape(2, BLOCK_PX, 3, BLOCK_PX).swapaxes(1, 2).reshape(6, -1)
    total = octave_energy(plane)
    assert total.energy.sum(axis=1) == pytest.approx(blocks.var(axis=1, dtype=np.float64), rel=1e-3, abs=2e-7)
    assert total.offset == pytest.approx(np.abs(blocks.mean(axis=1) - 0.5), abs=1e-3)


def test_bands_add_up_to_the_whole() -> None:
    """Four bands of 64 rows, added in any order, are the plane at once; also where each block lies."""
    plane = photograph("camera")[:256]
    bands = [octave_energy(plane[top : top + 64], origin_px=(0, top)) for top in range(0, 256, 64)]
    whole, pieces = octave_energy(plane), reduce(add, reversed(bands))
    assert fine_share_percent(pieces, PPI) == pytest.approx(fine_share_percent(whole, PPI), rel=1e-5)
    assert {tuple(xy) for xy in pieces.centre_px.tolist()} == {tuple(xy) for xy in whole.centre_px.tolist()}


def sampled_weights(ppi: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """What of each octave is fine, and what counts: the mean over 2,000 half-periods in it."""
    steps = np.log2(25.4 / ppi) + np.arange(OCTAVES)[:, None] + (np.arange(2000) + 0.5) / 2000
    fine = np.clip(1 - (steps - log2(FINE_MM)), 0, 1).mean(axis=1)
    return fine, (steps < log2(COUNTED_MM)).mean(axis=1)


@pytest.mark.parametrize("ppi", [100, 150, 240, 300, 360, 720, 1440])
def test_weights_against_integration(ppi: float) -> None:
    """The bounds in mm cut the octaves where sampling them says."""
    fine, counted = _weights(ppi)
    expected_fine, expected_counted = sampled_weights(ppi)
    assert counted == pytest.approx(expected_counted, abs=1e-3)
    assert fine * counted == pytest.approx(expected_fine, abs=1e-3)


@pytest.mark.parametrize("ppi", [240.0, 360.0])
@pytest.mark.parametrize("half_period_mm", [0.11, 0.15, 0.25, 0.4, 0.6, 0.9])
def test_lines_of_a_known_pitch(half_period_mm: float, ppi: float) -> None:
    """Lines of that width on paper score what closed form and sampled bounds say, within 2 points.

    Half of the field is blank but for a breath of noise: a field of nothing but lines would be its own calm place.
    """
    frequency = 25.4 / ppi / (2 * half_period_mm)
    plane = waves(frequency, (2048, 512))
    plane[:, 256:] = 0.5
    fine, counted = sampled_weights(ppi)
    energy = wave_energy(frequency)
    assert share(noisy(plane, 0.002), ppi) == pytest.approx(100 * (energy @ fine) / (energy @ counted), abs=2)


@pytest.mark.parametrize(
    ("half_period_mm", "low", "high"), [(0.11, 80, 100), (0.25, 40, 55), (0.6, 3, 12), (0.9, 2, 8)]
)
def test_what_is_fine(half_period_mm: float, low: float, high: float) -> None:
    """Lines of 0.11 mm are fine, of 0.6 mm are not; the octaves have skirts, so the ends are not 100 and 0 %."""
    fine, counted = sampled_weights(360.0)
    energy = wave_energy(25.4 / 360 / (2 * half_period_mm))
    assert low < 100 * (energy @ fine) / (energy @ counted) < high


@pytest.mark.parametrize("name", ["astronaut", "camera", "coffee", "grass", "brick"])
def test_smaller_prints_are_finer(name: str) -> None:
    """The same pixels at more ppi are a smaller print, and its share never falls."""
    total = octave_energy(photograph(name))
    shares = [fine_share_percent(total, ppi) or 0.0 for ppi in (100, 150, 200, 240, 300, 360, 480)]
    assert shares == sorted(shares)
    assert shares[-1] > shares[0] + 5


@pytest.mark.parametrize("name", ["astronaut", "camera", "coffee"])
def test_blur_takes_fine_detail_away(name: str) -> None:
    """Each wider Gaussian leaves a smaller share."""
    plane = photograph(name)
    shares = [share(gaussian_filter(plane, sigma).astype(np.float32)) or 0.0 for sigma in (0.0, 0.7, 1.5, 3.0)]
    assert shares == sorted(shares, reverse=True)
    assert shares[0] > 2 * shares[2]


@pytest.mark.parametrize(("sigma", "grain_px", "points"), [(4 / 255, 0, 1), (8 / 255, 0, 2), (8 / 255, 1.0, 2)])
@pytest.mark.parametrize("name", ["astronaut", "camera", "coffee"])
def test_noise_and_grain_are_no_detail(name: str, sigma: float, grain_px: float, points: float) -> None:
    """White noise and correlated grain move the share of a photograph with calm places by no more than that."""
    plane = photograph(name)
    clean = share(plane)
    assert clean is not None
    assert share(noisy(plane, sigma, grain_px)) == pytest.approx(clean, abs=points)


def test_texture_all_over_is_detail() -> None:
    """A frame full of grass is its own calm place, and still scores above any of the other photographs."""
    others = [share(photograph(name)) or 0.0 for name in ("astronaut", "camera", "coffee")]
    found = share(photograph("grass"))
    assert found is not None
    assert found > max(others)


@settings(max_examples=8, deadline=None, derandomize=True, database=None)
@given(st.sampled_from(["camera", "brick", "grass"]), st.integers(0, 3), st.booleans())
def test_mirror_and_quarter_turn_change_nothing(name: str, quarters: int, mirrored: bool) -> None:
    """On whole blocks the split knows no left and right: the same share to 0.01 points."""
    plane = photograph(name)
    seen = np.rot90(plane[:, ::-1] if mirrored else plane, quarters)
    assert share(np.ascontiguousarray(seen)) == pytest.approx(share(plane), abs=0.01)


@pytest.mark.parametrize("tone", [0.0, 0.3, 1.0])
def test_a_border_changes_nothing(tone: float) -> None:
    """A plain border of whole blocks, of any tone, is neither detail nor a calm place."""
    plane = photograph("coffee")[:384, :576]
    framed = np.pad(plane, BLOCK_PX, constant_values=tone)
    assert share(framed) == pytest.approx(share(plane), abs=0.01)


def test_where_the_detail_is() -> None:
    """Fine lines at the bottom right of an otherwise calm picture are found there, and nowhere else."""
    plane = noisy(np.full((768, 1152), 0.5, np.float32), 0.002)
    plane[512:, 768:] += waves(0.3, (256, 384)) - np.float32(0.5)
    found = finest_regions(octave_energy(plane), 360.0, (1152, 768))
    assert [region.in_words() for region in found] == ["bottom right"]
    assert found[0].left == pytest.approx(2 / 3, abs=0.09)


@pytest.mark.parametrize(
    "plane",
    [
        np.zeros((1, 1), np.float32),
        np.zeros((63, 900), np.float32),
        np.full((128, 128), 0.4, np.float32),
        np.zeros((128, 128), np.float32),
        np.full((128, 128), np.nan, np.float32),
        np.full((128, 128), np.inf, np.float32),
        np.full((128, 128), 3e38, np.float32),
        noisy(np.full((256, 256), 0.5, np.float32), 8 / 255),
        noisy(np.full((256, 256), 0.5, np.float32), 8 / 255, 1.0),
    ],
    ids=["one pixel", "too low", "plain", "black", "nan", "inf", "huge", "noise", "grain"],
)
def test_nothing_to_measure(plane: Plane) -> None:
    """Too small, plain, broken, or nothing but noise: None, and no place."""
    total = octave_energy(plane)
    assert fine_share_percent(total, PPI) is None
    assert finest_regions(total, PPI, (plane.shape[1], plane.shape[0])) == () or plane.std() > 0


def test_a_broken_block_is_left_out() -> None:
    """NaN in one block takes that block out and leaves the others as they are."""
    plane = photograph("camera")
    hurt = plane.copy()
    hurt[10, 10] = np.nan
    assert len(octave_energy(hurt).energy) == len(octave_energy(plane).energy) - 1
    assert share(hurt) == pytest.approx(share(plane), abs=0.5)
