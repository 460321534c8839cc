"""Stops, lightness and viewing light: arithmetic of CIE 15 and of a matt surface, with numbers worked out by hand."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from printqueue.core.model.paper import Intent
from printqueue.imaging.colour import manager, spaces
from printqueue.imaging.colour.curves import channel_curves
from printqueue.imaging.colour.exposure import headroom_stops, lightest_kept, paper_white_cd_m2, stops_asked_by_light
from printqueue.imaging.colour.icc import read_profile
from printqueue.imaging.render.light import light_of


@pytest.mark.parametrize(
    ("stops", "L"), [(0, 100), (1 / 3, 91.401), (0.5, 87.34), (2 / 3, 83.44), (1, 76.069), (2, 57.076)]
)
def test_what_a_lift_sends_to_white(stops: float, L: float) -> None:
    """A third of a stop sends all above L* 91.4 to white, a whole one all above 76.1: 116 ∛(2^−s) − 16."""
    assert lightest_kept(stops) == pytest.approx(L, abs=0.005)


@settings(max_examples=100, deadline=None, derandomize=True, database=None)
@given(st.floats(0, 12))
def test_room_and_lift_are_inverse(stops: float) -> None:
    """What fits above the lightest tone that a lift keeps is that lift, below the knee of L* too."""
    assert headroom_stops(lightest_kept(stops)) == pytest.approx(stops, abs=1e-9)


@pytest.mark.parametrize(("lux", "candela"), [(500, 145), (200, 58), (100, 29)])
def test_paper_white(lux: float, candela: float) -> None:
    """White of 91 % (L* 96.5) under 500, 200, 100 lx has 145, 58, 29 cd/m²: E/π × reflectance (Lambert)."""
    assert paper_white_cd_m2(lux, 96.5) == pytest.approx(candela, abs=0.6)
    assert paper_white_cd_m2(np.pi, 100) == pytest.approx(1)


@pytest.mark.parametrize(
    ("lux", "screen", "stops"), [(200, 58.17, 0), (200, 116.3, 1), (400, 58.17, -1), (200, 100, 0.78)]
)
def test_what_the_light_asks_for(lux: float, screen: float, stops: float) -> None:
    """Twice the screen's white is one stop more, twice the light on the print one less."""
    assert stops_asked_by_light(lux, 96.5, screen) == pytest.approx(stops, abs=0.005)


@pytest.mark.parametrize("paper", ["baryta", "smooth-rag", "textured-rag", "kozo"])
def test_a_third_of_a_stop_on_real_codes(paper: str) -> None:
    """Lifted by the renderer's own tables and converted, L* 91.4 and lighter are bare paper; L* 90.5 has ink."""
    srgb = spaces.profile_bytes("srgb")
    data = (Path(__file__).parents[3] / f"printqueue/rules/profiles/{paper}.icc").read_bytes()
    ramp = np.repeat(np.arange(56000, 65536, 16, dtype=np.uint16)[None, :, None], 3, axis=2)
    lightness = manager.to_lightness(ramp, srgb)[0]
    light = light_of(channel_curves(srgb, read_profile(srgb)), lift_stops=1 / 3, linear=False)
    lifted = light.codes(light.planes(ramp))
    device = manager.to_paper(lifted, srgb, data, intent=Intent.RELATIVE, black_point_compensation=True)[0]
    bare = (device >= 65535 - 330).all(axis=-1)
    assert bare[lightness >= 91.4].all()
    assert not bare[lightness < 90.5].any()
