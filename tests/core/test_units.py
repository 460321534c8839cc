"""Sizes, pixels, and numbers written as people write them."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from printqueue.core.units import MM_PER_INCH, Size, number_text, pixels, stops_text


@given(st.integers(1, 60_000), st.sampled_from([180, 240, 300, 360, 720]))
def test_pixels_and_back(count: int, ppi: int) -> None:
    """The length of n pixels holds n pixels; no length is off by more than half a pixel."""
    assert pixels(count / ppi * MM_PER_INCH, ppi) == count
    assert abs(pixels(float(count), ppi) - count / MM_PER_INCH * ppi) <= 0.5


@pytest.mark.parametrize(
    ("stops", "text"),
    [
        (0, "0 stop"),
        (1 / 3, "+1/3 stop"),
        (-0.5, "-1/2 stop"),
        (1, "+1 stop"),
        (4 / 3, "+4/3 stops"),
        (0.4, "+0.40 stop"),
        (1.45, "+1.45 stops"),
    ],
)
def test_exposures_are_written_as_photographers_do(stops: float, text: str) -> None:
    """Fractions where they are thirds or halves, else two decimals; plural above one."""
    assert stops_text(stops) == text


@given(st.floats(-1e6, 1e6), st.integers(0, 3))
def test_numbers_for_prose(value: float, digits: int) -> None:
    """A number for prose is the rounded number, without '.0' and without '-0'."""
    text = number_text(value, digits)
    assert float(text) == pytest.approx(round(value, digits), abs=1e-9)
    assert not text.endswith(".0")
    assert text != "-0"


@given(st.floats(1, 5000), st.floats(1, 5000))
def test_a_turned_sheet_is_the_same_sheet(width: float, height: float) -> None:
    """Turning keeps both sides, and puts the long one where it was asked for."""
    size = Size("any", width, height)
    across, upright = size.turned(landscape=True), size.turned(landscape=False)
    assert across.width_mm >= across.height_mm
    assert upright.width_mm <= upright.height_mm
    assert {across.width_mm, across.height_mm} == {width, height} == {upright.width_mm, upright.height_mm}
