"""Corners against centre: the closed form of the cos⁴ law, what must not be taken for it, and hostile planes."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from skimage.color import rgb2lab

from printqueue.judging.measures.vignette import Vignette, fall_off, measure_vignette

Plane = NDArray[np.float32]


def even_field(L: float, angle_degrees: float, size: tuple[int, int] = (300, 450)) -> Plane:
    """An even field of lightness `L` behind a lens with that field angle in the corner: light × cos⁴, then L*.

    The law: E(θ) = E(0) cos⁴ θ with tan θ = r tan θ(corner). Luminance to L*: CIE 15:2004, linear part included.
    """
    height, width = size
    y, x = np.mgrid[0:height, 0:width]
    r2 = ((x + 0.5 - width / 2) ** 2 + (y + 0.5 - height / 2) ** 2) / ((width / 2) ** 2 + (height / 2) ** 2)
    luminance = ((L + 16) / 116) ** 3 / (1 + r2 * np.tan(np.radians(angle_degrees)) ** 2) ** 2
    return lightness(luminance)


def lightness(luminance: NDArray[np.float64]) -> Plane:
    """CIE 15:2004."""
    return np.where(luminance > 216 / 24389, 116 * np.cbrt(luminance) - 16, luminance * 24389 / 27).astype(np.float32)


def corner_by_the_law(L: float, angle_degrees: float) -> float:
    """Corner against centre in L*, closed form: (L + 16) (cos^(4/3) θ − 1)."""
    return float((L + 16) * (np.cos(np.radians(angle_degrees)) ** (4 / 3) - 1))


@pytest.mark.parametrize("L", [30.0, 50.0, 75.0, 98.0])
@pytest.mark.parametrize("angle_degrees", [0.0, 10.0, 20.0, 25.0, 30.0, 35.0, 40.0])
def test_cos4_on_an_even_field(L: float, angle_degrees: float) -> None:
    """Within 1 L* of the closed form up to 40° in the corner (L* 98 falls to 64), 0.5 L* up to 30°."""
    found = measure_vignette(even_field(L, angle_degrees))
    expected = corner_by_the_law(L, angle_degrees)
    assert found.corners == pytest.approx(expected, abs=0.5 if angle_degrees <= 30 else 1.0)
    assert found.centre == pytest.approx(L, abs=0.8)
    assert found.lightest == pytest.approx(found.corners, abs=0.05)


def test_the_wide_end_is_known() -> None:
    """At 45° (a corner with a quarter of the light) the fixed shape reads 1.7 L* too dark at most: said, not hidden."""
    for L in (50.0, 100.0):
        found = measure_vignette(even_field(L, 45.0))
        assert found.corners is not None
        assert -1.8 < found.corners - corner_by_the_law(L, 45.0) < -0.5


def test_the_field_is_what_a_reference_library_makes_of_the_light() -> None:
    """The fixture itself: scikit-image's L* of the same linear light, encoded by IEC 61966-2-1, within 0.01."""
    field = even_field(70.0, 30.0, (40, 60)).astype(np.float64)
    luminance = ((field + 16) / 116) ** 3
    encoded = 1.055 * luminance ** (1 / 2.4) - 0.055
    assert np.abs(rgb2lab(np.repeat(encoded[..., None], 3, axis=-1))[..., 0] - field).max() < 0.01


def test_shape_ends() -> None:
    """f runs from 0 in the centre to 1 in the corner and never falls."""
    f = fall_off(np.linspace(0, 1, 50))
    assert (f[0], f[-1]) == (0.0, pytest.approx(1.0))
    assert (np.diff(f) > 0).all()


def test_lighter_on_one_side_is_no_vignette() -> None:
    """A plane from L* 30 to 80 has corners that are neither darker nor lighter together; the tilt shows in the lightest."""
    x = np.linspace(-1, 1, 450)[None, :] * np.ones((300, 1))
    found = measure_vignette((55 + 25 * x).astype(np.float32))
    assert found.corners == pytest.approx(0, abs=0.05)
    assert found.lightest == pytest.approx(25, abs=0.3)


def test_an_object_is_left_out() -> None:
    """A lamp in the middle and a dark hull in a corner, 5 % of the area, move the corners by less than 1 L*."""
    clean = even_field(60.0, 25.0)
    scene = clean.copy()
    scene[130:170, 190:260] = 98.0
    scene[230:, :60] = 4.0
    without, found = measure_vignette(clean).corners, measure_vignette(scene).corners
    assert without is not None
    assert found == pytest.approx(without, abs=1.0)


def test_bright_corners() -> None:
    """Corners that are lighter read above 0: a faded edge, a sheet of paper photographed on white."""
    found = measure_vignette(130 - even_field(60.0, 25.0))
    assert found.corners is not None
    assert found.corners > 8


def test_corners_stay_lightness() -> None:
    """A surface that would run under black ends at black: no corner is darker than the centre is light."""
    y, x = np.mgrid[-1:1:200j, -1:1:200j]
    disc = np.where(x**2 + y**2 < 1, 50.0, 0.0).astype(np.float32)
    found = measure_vignette(disc)
    assert found.centre is not None
    assert found.corners is not None
    assert found.centre + found.corners >= -1e-6


@settings(max_examples=12, deadline=None, derandomize=True, database=None)
@given(st.integers(0, 2**32 - 1), st.floats(5, 35))
def test_mirror_and_quarter_turn_change_nothing(seed: int, angle_degrees: float) -> None:
    """The four corners have no names: mirrored or turned, the same numbers within 0.05 L*."""
    noise = np.random.default_rng(seed).normal(0, 4, (192, 288)).astype(np.float32)
    plane = even_field(60.0, angle_degrees, (192, 288)) + noise
    there = measure_vignette(plane)
    for seen in (plane[:, ::-1], plane[::-1], np.rot90(plane)):
        again = measure_vignette(np.ascontiguousarray(seen))
        assert again.corners == pytest.approx(there.corners, abs=0.05)
        assert again.lightest == pytest.approx(there.lightest, abs=0.05)


@settings(max_examples=12, deadline=None, derandomize=True, database=None)
@given(st.integers(0, 2**32 - 1))
def test_more_fall_off_is_never_lighter(seed: int) -> None:
    """On any mottled scene a stronger fall-off makes the corners darker: 20° against none, 30° against 20°."""
    blots = np.random.default_rng(seed).uniform(20, 90, (6, 9)).repeat(32, 0).repeat(32, 1)
    luminance = ((blots + 16) / 116) ** 3
    read = []
    for angle_degrees in (0.0, 20.0, 30.0):
        loss = ((even_field(50.0, angle_degrees, (192, 288)).astype(np.float64) + 16) / 66) ** 3
        read.append(measure_vignette(lightness(luminance * loss)).corners)
    assert None not in read
    assert read[0] > read[1] > read[2]  # type: ignore[operator]


@pytest.mark.parametrize(
    "plane",
    [
        np.zeros((1, 1), np.float32),
        np.zeros((7, 300), np.float32),
        np.full((100, 100), np.nan, np.float32),
        np.full((100, 100), np.inf, np.float32),
        np.full((100, 100), -3e38, np.float32),
    ],
)
def test_not_measurable(plane: Plane) -> None:
    """Too small, or nothing that is a lightness: no number is made up."""
    assert measure_vignette(plane) == Vignette(None, None, None)


def test_some_bad_values_do_no_harm() -> None:
    """A tenth of NaN and infinities scattered over the picture moves nothing by more than 0.2 L*."""
    plane = even_field(60.0, 30.0)
    clean = measure_vignette(plane).corners
    assert clean is not None
    where = np.random.default_rng(3).random(plane.shape)
    plane[where < 0.05], plane[where > 0.95] = np.nan, np.inf
    assert measure_vignette(plane).corners == pytest.approx(clean, abs=0.2)


@pytest.mark.parametrize("L", [0.0, 50.0, 100.0])
def test_a_constant_plane(L: float) -> None:
    """A plain sheet has no dark corners."""
    found = measure_vignette(np.full((90, 160), L, np.float32))
    assert found.corners == pytest.approx(0, abs=1e-3)
