"""Linear light and lift: stops are factors, codes come back, white does not run over."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from printqueue.imaging.colour import spaces
from printqueue.imaging.colour.curves import Curve, channel_curves
from printqueue.imaging.colour.icc import read_profile
from printqueue.imaging.render.light import light_of

TABLE = Path(__file__).parents[2] / "references" / "transfer_points.csv"
STOPS = [
    (float(row["input"]), float(row["output"]))
    for row in csv.DictReader(line for line in TABLE.read_text("utf-8").splitlines() if line[0] != "#")
    if row["function"].startswith("exposure")
]
ALL_CODES = np.arange(65536, dtype=np.uint16)[None, :, None]


def curves(key: str) -> tuple[Curve, ...]:
    """The three curves of one of our spaces."""
    data = spaces.profile_bytes(key)
    return channel_curves(data, read_profile(data))


def passed(key: str, lift_stops: float, *, linear: bool) -> NDArray[np.int64]:
    """All 16-bit codes of a space, lifted and turned back into codes."""
    light = light_of(curves(key)[:1], lift_stops=lift_stops, linear=linear)
    return np.asarray(light.codes(light.planes(ALL_CODES))[0], np.int64)


@pytest.mark.parametrize("linear", [True, False])
@pytest.mark.parametrize("key", spaces.SPACES)
def test_codes_come_back(key: str, linear: bool) -> None:
    """Without a lift every 16-bit code of every standard space returns within 1, in linear light or not."""
    back = passed(key, 0.0, linear=linear)
    assert np.abs(back - ALL_CODES[0, :, 0]).max() <= 1
    assert (back[0], back[-1]) == (0, 65535)


@pytest.mark.parametrize("linear", [True, False])
@pytest.mark.parametrize(("stops", "factor"), STOPS)
@pytest.mark.parametrize("key", ["srgb", "adobe-rgb", "romm"])
def test_a_lift_is_a_factor_on_light(key: str, stops: float, factor: float, linear: bool) -> None:
    """Stops multiply linear light (the table's factors), to a thousandth over mid-tones, and clip at white."""
    curve = curves(key)[0]
    got = curve[passed(key, round(stops * 12) / 12, linear=linear)]
    wanted = np.minimum(curve * factor, 1.0)
    mid = (curve > 0.001) & (wanted > 0.001)
    np.testing.assert_allclose(got[mid], wanted[mid], rtol=2e-3)
    assert (np.diff(passed(key, stops, linear=linear)) >= 0).all()


def test_a_third_of_a_stop() -> None:
    """+1/3 stop is × 1.259921: middle grey of 18 % becomes 22.68 %, L* 49.5 becomes 54.7 (CIE 15)."""
    curve = curves("srgb")[0]
    code = int(np.searchsorted(curve, 0.18))
    lifted = curve[passed("srgb", 1 / 3, linear=True)[code]]
    assert lifted / curve[code] == pytest.approx(1.259921, abs=2e-4)
    assert 116 * lifted ** (1 / 3) - 16 == pytest.approx(54.7, abs=0.05)


def test_what_runs_over_is_white() -> None:
    """At +1/3 stop all light above 1 / 1.259921 (L* 91.4) is white, nothing wraps."""
    curve, back = curves("srgb")[0], passed("srgb", 1 / 3, linear=False)
    first = int(np.flatnonzero(back == 65535)[0])
    assert 116 * curve[first] ** (1 / 3) - 16 == pytest.approx(91.4, abs=0.05)
    assert (back[first:] == 65535).all()


def test_eight_bits_mean_the_same_as_sixteen() -> None:
    """Code 200 of 8 bits is code 200 × 257 of 16."""
    light = light_of(curves("srgb"), lift_stops=0.5, linear=True)
    eight = np.arange(256, dtype=np.uint8).reshape(16, 16, 1).repeat(3, axis=2)
    sixteen = eight.astype(np.uint16) * np.uint16(257)
    for one, two in zip(light.planes(eight), light.planes(sixteen), strict=True):
        np.testing.assert_array_equal(one, two)


def test_shapes() -> None:
    """RGB stays three channels, grey becomes two-dimensional, planes are float64 of 0 to 1."""
    colour = light_of(curves("srgb"), lift_stops=0, linear=True)
    planes = colour.planes(np.full((4, 5, 3), 40000, np.uint16))
    assert [(plane.shape, str(plane.dtype)) for plane in planes] == [((4, 5), "float64")] * 3
    assert colour.codes(planes).shape == (4, 5, 3)
    grey = light_of(curves("srgb")[:1], lift_stops=0, linear=False)
    assert grey.codes(grey.planes(np.full((4, 5, 1), 200, np.uint8))).shape == (4, 5)


@pytest.mark.parametrize("linear", [True, False])
def test_overshoot_is_clipped(linear: bool) -> None:
    """What the resampling filter throws below black or above white ends at black or white."""
    light = light_of(curves("srgb")[:1], lift_stops=0, linear=linear)
    plane = np.array([[-0.2, -1e-9, 1.0, 1.0000001, 1.3]])
    assert light.codes([plane]).tolist() == [[0, 0, 65535, 65535, 65535]]


def test_channels_keep_their_own_curves() -> None:
    """With three different curves each channel is lifted through its own."""
    three = (curves("srgb")[0], curves("adobe-rgb")[0], curves("romm")[0])
    light = light_of(three, lift_stops=1.0, linear=True)
    code = np.full((1, 1, 3), 20000, np.uint16)
    out = light.codes(light.planes(code))[0, 0]
    for curve, lifted in zip(three, out, strict=True):
        assert curve[lifted] / curve[20000] == pytest.approx(2, rel=1e-3)
