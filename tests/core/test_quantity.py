"""Quantities: read with their unit, converted exactly, written so that they read back."""

from __future__ import annotations

import math
import re
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from printqueue.core.units import stops_text
from printqueue.core.yaml import quantity
from printqueue.core.yaml.quantity import (
    DIFFERENCE,
    EXPOSURE,
    GRAMMAGE,
    LENGTH,
    LIGHTNESS,
    LUMINANCE,
    MEMORY,
    RESOLUTION,
    SECONDS,
    SHARE,
    OffOr,
    Quantity,
    UnitError,
)


@pytest.mark.parametrize(
    ("text", "kind", "value"),
    [
        ("25 mm", LENGTH, 25),
        ("2.5cm", LENGTH, 25),
        ("1 in", LENGTH, 25.4),
        (".5 m", LENGTH, 500),
        ("240 ppi", RESOLUTION, 240),
        ("15 %", SHARE, 15),
        ("15%", SHARE, 15),
        ("1/3 stop", EXPOSURE, 1 / 3),
        ("+1/3 stop", EXPOSURE, 1 / 3),
        ("-2/3 stops", EXPOSURE, -2 / 3),
        ("−1/2 stop", EXPOSURE, -0.5),
        ("- 0.5 stop", EXPOSURE, -0.5),
        ("12 L*", LIGHTNESS, 12),
        ("6 dE00", DIFFERENCE, 6),
        ("6 ΔE00", DIFFERENCE, 6),
        ("10 min", SECONDS, 600),
        ("3 GB", MEMORY, 3e9),
        ("300 g/m2", GRAMMAGE, 300),
        ("100 cd/m2", LUMINANCE, 100),
    ],
)
def test_read(text: str, kind: Quantity, value: float) -> None:
    """Numbers, fractions and signs with any unit of their kind come out in the base unit."""
    assert kind.read(text) == pytest.approx(value, rel=1e-12)


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
        LENGTH.read(text)
    assert words in str(caught.value)
    assert len(str(caught.value)) < 200


def test_bare_durations_are_answered_in_seconds() -> None:
    """The unit that a refusal proposes is the usual one."""
    with pytest.raises(UnitError, match="write '5 s'"):
        SECONDS.read("5")


@given(st.decimals(min_value=0, max_value=100_000, places=3), st.sampled_from(sorted(LENGTH.units)))
def test_lengths_come_back(number: object, unit: str) -> None:
    """A length written in any unit is that number times the unit's factor."""
    assert LENGTH.read(f"{number:f} {unit}") == pytest.approx(float(str(number)) * LENGTH.units[unit])


@given(st.text(max_size=100))
def test_any_text_is_answered(text: str) -> None:
    """Whatever the text: a finite number, or a `UnitError`."""
    try:
        value = EXPOSURE.read(text)
    except UnitError:
        return
    assert math.isfinite(value)


@given(st.fractions(min_value=-4, max_value=4, max_denominator=3))
def test_thirds_and_halves_read_back(stops: Fraction) -> None:
    """Exposures in thirds and halves of a stop are written as fractions that read back exactly."""
    assert EXPOSURE.read(stops_text(float(stops))) == pytest.approx(float(stops), abs=1e-12)


@given(st.floats(-8, 8))
def test_any_exposure_reads_back(stops: float) -> None:
    """Any exposure reads back to a hundredth of a stop."""
    assert EXPOSURE.read(stops_text(stops)) == pytest.approx(stops, abs=0.00501)


@given(
    st.from_regex(r"[+−-]? ?[0-9.,]{1,4}(?: ?/ ?[0-9]{1,2})? ?[a-zA-Z%*]{0,4}", fullmatch=True)
    | st.sampled_from(["1/3 stop", "25 mm", "-0.5 stops", ".5 in", "2. cm", "+ 1 / 2 stop", "12 L*", "6 dE00", "1 kg"])
)
def test_an_editor_and_the_program_agree(text: str) -> None:
    """The pattern for JSON Schema takes what `read` takes, but for a division by zero, which no pattern sees."""
    for kind in (LENGTH, EXPOSURE, SHARE, LIGHTNESS):
        taken = re.fullmatch(kind.pattern, text) is not None
        assert taken == (refusal(text, kind) in ("", "divides by zero"))


def refusal(text: str, kind: Quantity) -> str:
    """Why `read` refuses it; "" where it does not."""
    try:
        kind.read(text)
    except UnitError as error:
        return "divides by zero" if "divides by zero" in str(error) else "it is no quantity"
    return ""


KINDS = [one for one in vars(quantity).values() if isinstance(one, Quantity)]


@given(st.sampled_from(KINDS), st.integers(0, 100_000))
def test_what_is_written_reads_back(kind: Quantity, thousandths: int) -> None:
    """A value in thousandths of the unit it is written with, for exposures in hundredths: written, it reads back."""
    step = 0.01 if kind is EXPOSURE else 0.001
    value = thousandths * step * kind.units[kind.unit or next(iter(kind.units))]
    assert kind.read(kind.write(value)) == pytest.approx(value, rel=1e-9, abs=1e-9)


def test_every_kind_is_described() -> None:
    """What editors are told of a kind of quantity fits itself: its example matches its pattern, and is read."""
    assert len(KINDS) == 14
    for kind in [*KINDS, OffOr("mm", LENGTH.units, 0.2, low=0.05, high=2, what="a width")]:
        schema = kind.json_schema()
        for example in schema["examples"]:
            assert re.fullmatch(schema["pattern"], example), kind
            assert kind.write(kind.read(example)) == example


def test_a_range() -> None:
    """Both ends are inside; beyond them the range is said in the base unit."""
    kind = MEMORY.within(2e8, 1e12)
    assert (kind.read("200 MB"), kind.read("1000 GB")) == (2e8, 1e12)
    with pytest.raises(UnitError, match=r"^100000000 bytes is out of range; 200000000 to 1000000000000 bytes$"):
        kind.read("100 MB")
