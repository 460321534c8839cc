"""Powers, sines and interpolation out of the five operations that IEEE 754 fixes: held to the decimal module, libm and numpy."""

from __future__ import annotations

import ast
import inspect
import math
from decimal import Decimal, localcontext

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from printqueue.imaging import elementary


def exact_power(base: float, exponent: float) -> float:
    """By Python's decimal arithmetic, 40 digits, correctly rounded (IEEE 854; `decimal`'s documentation)."""
    with localcontext() as context:
        context.prec = 40
        return float(Decimal(base) ** Decimal(exponent))


@given(st.integers(1, 65535), st.floats(0.3, 3.0))
def test_powers_are_those_of_decimal_arithmetic(code: int, exponent: float) -> None:
    """A code's share of white to any usual gamma, relatively within 1e-14."""
    base = code / 65535
    found = float(elementary.power(np.array([base]), exponent)[0])
    assert found == pytest.approx(exact_power(base, exponent), rel=1e-14)


@pytest.mark.parametrize(
    ("base", "exponent", "wanted"), [(0.0, 2.2, 0.0), (0.0, 0.0, 1.0), (0.0, -1.0, math.inf), (1.0, 2.2, 1.0)]
)
def test_powers_at_the_ends(base: float, exponent: float, wanted: float) -> None:
    """Zero and one as IEEE 754-2019, 9.2.1 has them (clause from memory)."""
    assert float(elementary.power(np.array([base]), exponent)[0]) == wanted


@pytest.mark.parametrize("stops", [-3.0, -1 / 3, 0.0, 1 / 3, 1.0, 2.5])
def test_stops(stops: float) -> None:
    """2 to the power of stops, within one unit of a double's last place; whole stops exactly."""
    found = float(elementary.exp2(np.array([stops]))[0])
    assert found == pytest.approx(exact_power(2.0, stops), rel=2.3e-16)
    if stops == int(stops):
        assert found == 2.0**stops


def test_the_bell_is_the_librarys() -> None:
    """exp(x) is libm's within 2e-15."""
    x = np.linspace(-10, 10, 4001)
    np.testing.assert_allclose(elementary.exp(x), [math.exp(one) for one in x], rtol=2e-15)


def test_the_sinc_is_the_librarys() -> None:
    """sin(πx) / πx is numpy's within 1e-15, 1 at 0 and exactly 0 at other whole numbers."""
    x = np.linspace(-3.5, 3.5, 7001)
    np.testing.assert_allclose(elementary.sinc(x), np.sinc(x), rtol=0, atol=1e-15)
    assert elementary.sinc(np.arange(-3.0, 4.0)).tolist() == [0, 0, 0, 1, 0, 0, 0]


@given(
    # No closer than 1e-15: between the smallest numbers a share would overflow, and no curve has points there.
    st.lists(st.floats(0, 1).map(lambda place: round(place, 15)), min_size=2, max_size=20).map(sorted),
    st.lists(st.floats(-0.1, 1.1), min_size=1, max_size=20),
)
def test_interpolation_is_the_librarys(places: list[float], x: list[float]) -> None:
    """Between points that never fall, at them, beyond them and where several lie on one place: as numpy.interp."""
    values = np.arange(float(len(places)))
    one, other = np.array(x), np.array(places)
    np.testing.assert_allclose(
        elementary.interpolated(one, other, values), np.interp(one, other, values), rtol=1e-9, atol=1e-9
    )


def test_no_library_function_is_used() -> None:
    """Of numpy only what IEEE 754 fixes or what moves bits and compares; nothing that has another version elsewhere."""
    fixed = {"rint", "abs", "fmod", "frexp", "ldexp"}
    moving = {"where", "clip", "searchsorted", "full_like", "asarray", "float64", "int32", "inf", "ndarray"}
    tree = ast.parse(inspect.getsource(elementary))
    used = {
        node.attr
        for node in ast.walk(tree)
        if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name) and node.value.id == "np"
    }
    assert used <= fixed | moving
    assert not [node for node in ast.walk(tree) if isinstance(node, ast.Pow)]
