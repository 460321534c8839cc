"""The resampling filter on its own: bands, flats, means, places, edges; closed forms only."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from PIL import Image
from scipy.special import erf

from printqueue.imaging.colour.difference import lightness
from printqueue.imaging.render.grid import Plane, on_grid
from printqueue.imaging.render.resample import MAX_ABSOLUTE, Axis, Resampler, enlarging, resampler, shrinking

CODE = 1 / 65535


def whole(plane: NDArray[np.floating], width: int, height: int) -> Plane:
    """The plane at another size, in one piece."""
    rows, columns = plane.shape
    return resampler(columns, rows, (0.0, 0.0, columns, rows), (width, height)).band(on_grid(plane), 0, 0, height)


def banded(plane: Plane, resizing: Resampler, rows: int) -> Plane:
    """The same by bands of `rows` target rows, each given only the source rows that it asks for."""
    parts = []
    for start in range(0, resizing.down.length, rows):
        stop = min(start + rows, resizing.down.length)
        first, last = resizing.rows_needed(start, stop)
        parts.append(resizing.band(plane[first:last], first, start, stop))
    return np.concatenate(parts)


def noise(rows: int, columns: int) -> Plane:
    """Seeded white noise of 0 to 1: the hardest picture for a filter."""
    return on_grid(np.random.default_rng(21).random((rows, columns)).astype(np.float32))


@settings(max_examples=60, deadline=None, derandomize=True, database=None)
@given(
    st.tuples(st.integers(8, 90), st.integers(8, 90)),
    st.tuples(st.integers(4, 200), st.integers(4, 200)),
    st.integers(1, 70),
    st.tuples(*[st.floats(0, 0.3)] * 4),
)
def test_bands_equal_the_whole(
    source: tuple[int, int], target: tuple[int, int], rows: int, margins: tuple[float, float, float, float]
) -> None:
    """Cut into bands of any height, cropped or not, larger or smaller: each pixel is the whole's, bit for bit."""
    height, width = source
    left, top, right, bottom = margins
    crop = (left * width, top * height, width * (1 - right), height * (1 - bottom))
    plane = noise(height, width)
    resizing = resampler(width, height, crop, (target[1], target[0]))
    reference = resizing.band(plane, 0, 0, target[0])
    np.testing.assert_array_equal(banded(plane, resizing, rows), reference)


@pytest.mark.parametrize("scale", [0.31, 2.7])
def test_bands_equal_the_whole_on_a_tall_picture(scale: float) -> None:
    """Far down a picture of 12,000 rows the bands still lie where the whole has them."""
    plane = noise(12_000, 12)
    resizing = resampler(12, 12_000, (0.0, 0.0, 12.0, 12_000.0), (12, round(12_000 * scale)))
    reference = resizing.band(plane, 0, 0, resizing.down.length)
    np.testing.assert_array_equal(banded(plane, resizing, 256), reference)


@settings(max_examples=200, deadline=None, derandomize=True, database=None)
@given(st.integers(1, 60), st.floats(0, 0.45), st.floats(0, 0.45), st.integers(1, 200), st.integers(1, 40))
def test_weights_leave_room_for_exact_sums(source: int, left: float, right: float, target: int, block: int) -> None:
    """However small the picture and wherever it is cut: whole steps that sum to 1, the same in any block, and never so large
    that two passes over samples of 32 bits leave the 53 bits of a double.
    """
    axis = Axis(source, left * source, source * (1 - right), target)
    _, every = axis.weights(0, target)
    steps = every * 2.0**19
    np.testing.assert_array_equal(steps, np.rint(steps))
    np.testing.assert_array_equal(steps.sum(axis=1), 2.0**19)
    assert np.abs(every).sum(axis=1).max() <= MAX_ABSOLUTE
    first = target // 2
    low, part = axis.weights(first, min(first + block, target))
    for row, weights in enumerate(part):
        expected = every[first + row, low - axis.reach(0, target)[0] :][: len(weights)]
        np.testing.assert_array_equal(weights, expected)


def test_bands_are_bounded() -> None:
    """A band asks for no more source rows than it covers and the filter reaches."""
    resizing = resampler(10_000, 10_000, (0.0, 0.0, 10_000.0, 10_000.0), (2500, 2500))
    first, last = resizing.rows_needed(1000, 1256)
    assert last - first <= 256 * 4 + 2 * 3 * 4
    assert resizing.rows_needed(0, 10) == (0, 38 + 12)
    assert resizing.rows_needed(2490, 2500) == (10_000 - 50, 10_000)


@pytest.mark.parametrize("size", [(7, 5), (50, 40), (333, 77)])
@pytest.mark.parametrize("value", [0.0, 0.18, 0.5, 1.0])
def test_flat_stays_flat(value: float, size: tuple[int, int]) -> None:
    """A flat field keeps its value to a code, edges and corners included."""
    out = whole(np.full((31, 43), value, np.float32), *size)
    assert np.abs(out - value).max() <= CODE


def test_same_size_is_untouched() -> None:
    """At 1 : 1 the pixels are the source's own, bit for bit."""
    plane = noise(40, 30)
    np.testing.assert_array_equal(whole(plane, 30, 40), plane)
    resizing = resampler(30, 40, (0.0, 0.0, 30.0, 40.0), (30, 40))
    np.testing.assert_array_equal(banded(plane, resizing, 7), plane)


def test_a_crop_at_full_size_is_cut_out() -> None:
    """Cropping whole pixels at 1 : 1 cuts them out, unfiltered."""
    plane = noise(40, 30)
    resizing = resampler(30, 40, (5.0, 8.0, 25.0, 38.0), (20, 30))
    assert not resizing.shrinks
    np.testing.assert_array_equal(resizing.band(plane, 0, 0, 30), plane[8:38, 5:25])


def test_means_are_kept_when_shrinking() -> None:
    """A checkerboard of black and white at half size is middle light, and noise keeps its mean (0.5 %)."""
    checks = (np.indices((80, 80)).sum(axis=0) % 2).astype(np.float32)
    inner = whole(checks, 40, 40)[4:-4, 4:-4]
    assert inner.mean() == pytest.approx(0.5, rel=0.005)
    assert np.abs(inner - 0.5).max() < 0.02, "the finest pattern is averaged away, not aliased"
    assert whole(noise(300, 300), 100, 100).mean() == pytest.approx(noise(300, 300).mean(), rel=0.005)


def test_too_fine_detail_does_not_alias() -> None:
    """Stripes beyond what the smaller size can hold vanish; those well inside survive."""
    x = np.arange(600) + 0.5

    def contrast(cycles_per_px: float) -> float:
        row = (0.5 + 0.5 * np.sin(2 * np.pi * cycles_per_px * x)).astype(np.float32)
        return float(np.ptp(whole(np.tile(row, (12, 1)), 200, 4)[2, 20:-20]))

    assert contrast(0.30) < 0.05  # 0.9 cycles per new pixel
    assert contrast(0.05) > 0.98  # 0.15 cycles per new pixel
    assert contrast(0.10) > 0.95  # 0.30: fine rigging keeps its contrast (measured 0.989)


@pytest.mark.parametrize("scale", [0.4, 0.5, 1.7, 2.0, 3.3])
def test_things_stay_where_they_are(scale: float) -> None:
    """The centre of a soft spot lands at its place times the scale, within 0.02 px of the new size."""
    rows, columns = np.indices((120, 160)) + 0.5
    spot = np.exp(-((rows - 51.3) ** 2 + (columns - 87.6) ** 2) / (2 * 6.0**2)).astype(np.float32)
    width, height = round(160 * scale), round(120 * scale)
    out = whole(spot, width, height).astype(np.float64)
    y, x = np.indices(out.shape) + 0.5
    assert (x * out).sum() / out.sum() == pytest.approx(87.6 * width / 160, abs=0.02)
    assert (y * out).sum() / out.sum() == pytest.approx(51.3 * height / 120, abs=0.02)


@pytest.mark.parametrize(("scale", "shift", "moved"), [(2.0, 3, 6), (0.5, 4, 2), (1.5, 2, 3), (0.25, 8, 2)])
def test_a_shifted_picture_is_the_picture_shifted(scale: float, shift: int, moved: int) -> None:
    """Moving the source by whole pixels moves the result by the scaled amount and changes nothing else."""
    plane = noise(96, 96)
    rolled = np.roll(plane, (shift, shift), axis=(0, 1))
    size = round(96 * scale)
    one, two = whole(plane, size, size), whole(rolled, size, size)
    rim = 40 if scale > 1 else 8
    np.testing.assert_allclose(
        two[rim:-rim, rim:-rim], np.roll(one, (moved, moved), axis=(0, 1))[rim:-rim, rim:-rim], atol=2e-6
    )


def test_mirrored_and_turned_pictures_are_treated_alike() -> None:
    """Left and right, rows and columns: the filter prefers none."""
    plane = noise(50, 50)
    out = whole(plane, 83, 83)
    np.testing.assert_allclose(whole(np.ascontiguousarray(plane[:, ::-1]), 83, 83)[:, ::-1], out, atol=1e-6)
    np.testing.assert_allclose(whole(np.ascontiguousarray(plane.T), 83, 83).T, out, atol=1e-6)


def srgb_light(v: NDArray[np.floating]) -> NDArray[np.floating]:
    """IEC 61966-2-1, decoding."""
    return np.where(v > 0.04045, ((np.maximum(v, 0) + 0.055) / 1.055) ** 2.4, v / 12.92)


def overshoot_percent(sigma_px: float, scale: float) -> float:
    """Greatest swing past either side of an enlarged soft edge, in % of its step of L*, over all phases."""
    x = np.arange(64) + 0.5
    phases = np.linspace(32, 33, 16, endpoint=False)[:, None]
    ideal = 0.25 + 0.25 * (1 + erf((x - phases) / (sigma_px * np.sqrt(2))))  # encoded 0.25 to 0.75
    out = whole(np.repeat(ideal.astype(np.float32), 8, axis=0), round(64 * scale), 128)
    shown, (dark, light) = lightness(srgb_light(out.astype(np.float64))), lightness(srgb_light(np.array([0.25, 0.75])))
    past = max(dark - shown.min(), shown.max() - light, 0.0)
    return float(100 * past / (light - dark))


@pytest.mark.parametrize("scale", [1.3, 2.0, 4.0])
@pytest.mark.parametrize(("sigma_px", "most_percent"), [(0.5, 2.6), (0.6, 1.2), (0.7, 0.8), (1.0, 0.5)])
def test_enlarging_makes_no_halos(sigma_px: float, most_percent: float, scale: float) -> None:
    """Edges as soft as a lens leaves them swing hardly past their plateaus when enlarged."""
    assert overshoot_percent(sigma_px, scale) < most_percent


@pytest.mark.parametrize("sigma_px", [0.5, 0.55, 0.6, 0.8, 1.0, 1.5])
def test_enlarging_to_twice_the_size_swings_less_than_two_percent(sigma_px: float) -> None:
    """From σ 0.5 px on, the sharpest that a lens and a pixel leave (measured there: 1.6 %)."""
    assert overshoot_percent(sigma_px, 2.0) < 2.0


def response(cycles_per_new_px: NDArray[np.float64], factor: float) -> NDArray[np.float64]:
    """Amplitude that is left of sine waves when shrunk by `factor`, whatever frequency it comes out at."""
    length = 2400
    x = (np.arange(length) + 0.5) * factor
    found = []
    for frequency in cycles_per_new_px:
        waves = [wave(2 * np.pi * frequency * x).astype(np.float32) for wave in (np.cos, np.sin)]
        target = round(length * factor)
        inner = [whole(np.tile(row, (4, 1)), target, 4)[1, 40:-40].astype(np.float64) for row in waves]
        found.append(np.sqrt(sum((row**2).mean() for row in inner)))
    return np.array(found)


@pytest.mark.parametrize("factor", [0.25, 0.5, 0.6])
def test_response_when_shrinking(factor: float) -> None:
    """What the new size can hold is kept; from 1.5 × its Nyquist frequency up nothing above -38 dB comes through.

    The curve is printed (`pytest -rP`), in cycles per new pixel; 0.5 is the new Nyquist frequency.
    """
    nyquist_before = 0.5 / factor
    frequencies = np.concatenate([np.arange(0.05, 0.75, 0.05), np.arange(0.75, nyquist_before, 0.01)])
    decibels = 20 * np.log10(np.maximum(response(frequencies, factor), 1e-9))
    for frequency, level in zip(frequencies, decibels, strict=True):
        print(f"{frequency:6.2f} {level:8.2f} dB")
    assert np.abs(decibels[frequencies <= 0.3]).max() < 0.2
    assert decibels[frequencies >= 0.75].max() <= -38.0


@pytest.mark.parametrize("size", [(61, 47), (100, 77), (149, 118)])
def test_shrinking_is_what_a_library_does(size: tuple[int, int]) -> None:
    """Pillow's antialiased Lanczos in 32-bit float, within one code."""
    plane = noise(119, 150)
    theirs = np.asarray(Image.fromarray(plane.astype(np.float32)).resize(size, Image.Resampling.LANCZOS))
    assert np.abs(whole(plane, *size) - theirs).max() <= CODE


def test_enlarging_is_its_formula() -> None:
    """Each pixel of an enlargement is the sum that the kernel's formula says, in double precision; one code."""
    plane = noise(23, 31)
    out = whole(plane, 70, 58)

    def sums(source: int, target: int) -> NDArray[np.float64]:
        x = (np.arange(target)[:, None] + 0.5) * source / target - (np.arange(source) + 0.5)
        weights = np.where(np.abs(x) < 3, np.sinc(x) * np.exp(-(x**2) / (2 * 1.3**2)), 0)
        return np.asarray(weights / weights.sum(axis=1, keepdims=True))

    assert np.abs(out - sums(23, 58) @ plane.astype(np.float64) @ sums(31, 70).T).max() <= CODE


@pytest.mark.parametrize("shape", [shrinking, enlarging])
def test_kernels_are_one_at_their_centre_and_nothing_at_other_samples(
    shape: Callable[[NDArray[np.float64]], NDArray[np.float64]],
) -> None:
    """Both interpolate: at a source pixel's place they give that pixel."""
    np.testing.assert_allclose(shape(np.arange(-4.0, 5.0)), [0, 0, 0, 0, 1, 0, 0, 0, 0], atol=1e-15)
