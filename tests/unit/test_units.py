"""Quantities: read with their unit, converted exactly, written as people write them."""

from __future__ import annotations

import math
import re
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from printqueue import units
from printqueue.units import MM_PER_INCH, Size, UnitError, number_text, parse, pixels, stops_text


@pytest.mark.parametrize(
    ("text", "table", "value"),
    [
        ("25 mm", units.LENGTH_MM, 25),
        ("2.5cm", units.LENGTH_MM, 25),
        ("1 in", units.LENGTH_MM, 25.4),
        (".5 m", units.LENGTH_MM, 500),
        ("240 ppi", units.RESOLUTION_PPI, 240),
        ("15 %", units.SHARE_PERCENT, 15),
        ("15%", units.SHARE_PERCENT, 15),
        ("1/3 stop", units.EXPOSURE_STOPS, 1 / 3),
        ("+1/3 stop", units.EXPOSURE_STOPS, 1 / 3),
        ("-2/3 stops", units.EXPOSURE_STOPS, -2 / 3),
        ("−1/2 stop", units.EXPOSURE_STOPS, -0.5),
        ("- 0.5 stop", units.EXPOSURE_STOPS, -0.5),
        ("12 L*", units.LIGHTNESS, 12),
        ("6 dE00", units.DELTA_E, 6),
        ("6 ΔE00", units.DELTA_E, 6),
        ("10 min", units.DURATION_S, 600),
        ("3 GB", units.MEMORY_BYTES, 3e9),
        ("300 g/m2", units.GRAMMAGE_GSM, 300),
        ("100 cd/m2", units.LUMINANCE_CDM2, 100),
    ],
)
def test_read(text: str, table: dict[str, float], value: float) -> None:
    """Numbers, fractions and signs with any unit of their kind come out in the base unit."""
    assert parse(text, table) == pytest.approx(value, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("25", "'25' has no unit; write '25 mm'"),
        ("25 px", "'px' is not a unit for this; expected mm or cm or m or in"),
        ("25 MM", "'MM' is not a unit"),
        ("mm", "no quantity"),
        ("", "no quantity"),
        ("1e3 mm", "no quantity"),
        ("1/0 mm", "divides by zero"),
        ("nan mm", "no quantity"),
        ("inf mm", "no quantity"),
        ("1,5 mm", "write a point: '1.5 mm'"),
        ("1 2 mm", "no quantity"),
        ("25 mm 3", "no quantity"),
        ("٢٥ mm", "no quantity"),
        ("25 mm" + " " * 90 + "and more", "no quantity"),
        ("9" * 5000 + " mm", "no quantity"),
        ("1/3/4 mm", "no quantity"),
        ("--1 mm", "no quantity"),
        ("0x10 mm", "no quantity"),
        ("1_0 mm", "no quantity"),
        ("2\nmm", "no quantity"),
    ],
)
def test_refused(text: str, words: str) -> None:
    """A bare number, a foreign unit or no number is refused with a sentence that says what to write."""
    with pytest.raises(UnitError) as caught:
        parse(text, units.LENGTH_MM)
    assert words in str(caught.value)
    assert len(str(caught.value)) < 200


def test_bare_durations_are_answered_in_seconds() -> None:
    """The unit that a refusal proposes is the usual one."""
    with pytest.raises(UnitError, match="write '5 s'"):
        parse("5", units.DURATION_S)


@given(st.decimals(min_value=0, max_value=100_000, places=3), st.sampled_from(sorted(units.LENGTH_MM)))
def test_lengths_come_back(number: object, unit: str) -> None:
    """A length written in any unit is that number times the unit's factor."""
    assert parse(f"{number:f} {unit}", units.LENGTH_MM) == pytest.approx(float(str(number)) * units.LENGTH_MM[unit])


@given(st.text(max_size=100))
def test_any_text_is_answered(text: str) -> None:
    """Whatever the text: a finite number, or a `UnitError`."""
    try:
        value = parse(text, units.EXPOSURE_STOPS)
    except UnitError:
        return
    assert math.isfinite(value)


@given(st.integers(1, 60_000), st.sampled_from([180, 240, 300, 360, 720]))
def test_pixels_and_back(count: int, ppi: int) -> None:
    """The length of n pixels holds n pixels; no length is off by more than half a pixel."""
    assert pixels(count / ppi * MM_PER_INCH, ppi) == count
    assert abs(pixels(float(count), ppi) - count / MM_PER_INCH * ppi) <= 0.5


@given(st.fractions(min_value=-4, max_value=4, max_denominator=3))
def test_thirds_and_halves_read_back(stops: Fraction) -> None:
    """Exposures in thirds and halves of a stop are written as fractions that read back exactly."""
    assert parse(stops_text(float(stops)), units.EXPOSURE_STOPS) == pytest.approx(float(stops), abs=1e-12)


@given(st.floats(-8, 8))
def test_any_exposure_reads_back(stops: float) -> None:
    """Any exposure reads back to a hundredth of a stop."""
    assert parse(stops_text(stops), units.EXPOSURE_STOPS) == pytest.approx(stops, abs=0.00501)


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


@given(
    st.from_regex(r"[+−-]? ?[0-9.,]{1,4}(?: ?/ ?[0-9]{1,2})? ?[a-zA-Z%*]{0,4}", fullmatch=True)
    | st.sampled_from(["1/3 stop", "25 mm", "-0.5 stops", ".5 in", "2. cm", "+ 1 / 2 stop", "12 L*", "6 dE00", "1 kg"])
)
def test_an_editor_and_the_program_agree(text: str) -> None:
    """The pattern for JSON Schema takes what `parse` takes, but for a division by zero, which no pattern sees."""
    for table in (units.LENGTH_MM, units.EXPOSURE_STOPS, units.SHARE_PERCENT, units.LIGHTNESS):
        taken = re.fullmatch(units.pattern(table), text) is not None
        assert taken == (refusal(text, table) in ("", "divides by zero"))


def refusal(text: str, table: dict[str, float]) -> str:
    """Why `parse` refuses it; "" where it does not."""
    try:
        parse(text, table)
    except UnitError as error:
        return "divides by zero" if "divides by zero" in str(error) else "it is no quantity"
    return ""
