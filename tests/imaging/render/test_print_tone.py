"""Lightness at print scale, for measuring: the quick way against the colour engine and against the print's own way."""

from __future__ import annotations

import struct
from typing import Any

import numpy as np
import pytest
import skimage.data

from printqueue.core.model.picture import PictureFacts
from printqueue.core.model.request import Request
from printqueue.core.units import MM_PER_INCH, Size
from printqueue.imaging.colour import manager, spaces
from printqueue.imaging.colour.curves import luminance_weights
from printqueue.imaging.colour.icc import read_profile
from printqueue.imaging.render.engine import renderer
from printqueue.imaging.render.plan import place
from printqueue.imaging.render.tone import tone_bands

PPI = 100
ASTRONAUT = skimage.data.astronaut()  # type: ignore[no-untyped-call]


class _Held:
    """A picture in memory."""

    def __init__(self, pixels: np.ndarray[Any, Any], icc: bytes) -> None:
        self.pixels, self.icc = pixels, icc
        height, width, channels = pixels.shape
        bits: Any = 8 * pixels.itemsize
        self.facts = PictureFacts("TIFF", width, height, bits, "grey" if channels == 1 else "rgb")

    def rows(self, start: int, stop: int) -> np.ndarray[Any, Any]:
        """Its rows."""
        return self.pixels[start:stop]


def _both(pixels: np.ndarray[Any, Any], icc: bytes, scale: float, lift: float = 0.0) -> tuple[Any, Any]:
    """L* by the quick way, and of the codes that the print itself is made from."""
    height, width = (round(n * scale) for n in pixels.shape[:2])
    picture = Size("", width / PPI * MM_PER_INCH, height / PPI * MM_PER_INCH)
    sheet = Size("", picture.width_mm + 20, picture.height_mm + 20)
    request = Request("test", sheet, picture=picture, ppi=PPI, lift_stops=lift)
    fake: Any = _Held(pixels, icc)
    facts = read_profile(icc)
    drawn = renderer(
        fake, icc, facts, paper_profile=icc, request=request, placement=place(request, pixels.shape[1], pixels.shape[0])
    )
    quick = tone_bands(drawn, facts).band(0, height) * 100
    return quick, manager.to_lightness(drawn.delivered_band(0, height), icc)


@pytest.mark.parametrize("scale", [0.4, 1.0, 1.7])
@pytest.mark.parametrize("space", ["srgb", "adobe-rgb", "romm"])
def test_a_photograph_is_read_as_the_print_shows_it(space: str, scale: float) -> None:
    """scikit-image's astronaut: 99 % of pixels within 1 L* of the engine's answer on the print's own codes."""
    quick, slow = _both(ASTRONAUT[:256, :320], spaces.profile_bytes(space), scale)
    assert quick.shape == slow.shape
    assert np.percentile(np.abs(quick - slow), 99) < 1.0
    assert abs(float((quick - slow).mean())) < 0.05


@pytest.mark.parametrize("lift", [-0.5, 1 / 3])
def test_the_lift_is_in_it(lift: float) -> None:
    """At the file's own size nothing is resampled, and both agree to the engine's 16-bit rounding."""
    quick, slow = _both(ASTRONAUT[:128, :160], spaces.profile_bytes("srgb"), 1.0, lift)
    assert np.abs(quick - slow).max() < 0.15


def test_weights_are_those_of_the_standard() -> None:
    """IEC 61966-2-1: Y of the primaries, adapted to D50 (Bradford): 0.2225, 0.7169, 0.0606."""
    srgb = spaces.profile_bytes("srgb")
    assert luminance_weights(srgb, read_profile(srgb)) == pytest.approx((0.2225, 0.7169, 0.0606), abs=2e-4)


@pytest.mark.parametrize("Y", [-0.5, 3.0])
def test_a_matrix_without_sense_is_left_to_the_engine(Y: float) -> None:
    """A hostile rXYZ gives no weights, and no crash."""
    data_ = bytearray(spaces.profile_bytes("srgb"))
    at = data_.index(b"rXYZ", 128)
    offset = struct.unpack_from(">I", data_, at + 4)[0]
    struct.pack_into(">i", data_, offset + 12, int(Y * 65536))
    assert luminance_weights(bytes(data_), read_profile(bytes(data_))) is None
