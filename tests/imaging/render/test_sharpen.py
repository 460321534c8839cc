"""Sharpening for print: nothing unless asked, the mask against scipy, the swing against its closed form, and the score."""

from __future__ import annotations

from dataclasses import replace
from math import erf, sqrt
from typing import Any

import numpy as np
import pytest
from scipy import ndimage

from printqueue.core.errors import OwnError
from printqueue.core.model.measures import Measure
from printqueue.core.model.request import Sharpening
from printqueue.imaging.colour import spaces
from printqueue.imaging.colour.icc import read_profile
from printqueue.imaging.render.engine import Renderer, renderer
from printqueue.imaging.render.sharpen import Mask, mask_of
from printqueue.imaging.render.sheet import sheet_of
from printqueue.imaging.render.verify import verify
from printqueue.judging.survey.printed import printed_readings
from tests.imaging.render.support import PPI, PROFILES, job
from tests.imaging.render.test_verify import file_of, scene, verified

SRGB = spaces.profile_bytes("srgb")
PAPER = (PROFILES / "baryta.icc").read_bytes()
SIGMA = 2.6  # px
ASKED = Sharpening(SIGMA / PPI * 25.4, 60.0)


def mask(asked: Sharpening = ASKED, weights: tuple[float, ...] | None = (0.2, 0.7, 0.1)) -> Mask:
    """The mask at the tests' resolution."""
    found = mask_of(asked, PPI, weights)
    assert found is not None
    return found


def test_nothing_is_sharpened_unless_asked() -> None:
    """No wish, no mask; a print without one is its plain conversion (test_engine)."""
    assert mask_of(None, 360, None) is None
    assert job(scene(), SRGB, PAPER).mask is None


def test_the_mask_is_scipys() -> None:
    """Codes plus amount × (lightness less the same under scipy's Gaussian, cut off at 3 σ), rounded; rims repeat."""
    codes = scene(90, 120)
    light = codes.astype(np.float64) @ np.array([0.2, 0.7, 0.1])
    blurred = ndimage.gaussian_filter(light, SIGMA, mode="nearest", radius=int(np.ceil(3 * SIGMA)))
    wanted = np.clip(codes + 0.6 * (light - blurred)[..., None], 0, 65535)
    assert np.abs(mask().sharpened(codes, 0, 90) - wanted).max() <= 1.5


def test_bands_are_the_whole() -> None:
    """With as many rows above and below as it reaches, a band is sharpened as in the whole picture."""
    codes, one = scene(120, 80), mask()
    whole = one.sharpened(codes, 0, 120)
    for start in range(0, 120, 40):
        first, last = max(0, start - one.reach), min(120, start + 40 + one.reach)
        np.testing.assert_array_equal(one.sharpened(codes[first:last], start - first, 40), whole[start : start + 40])


def test_hue_and_flat_parts_stay() -> None:
    """All channels move by the same codes; what is flat does not move at all; grey is sharpened like its lightness."""
    codes = scene(60, 60)
    moved = mask().sharpened(codes, 0, 60).astype(int) - codes
    assert np.ptp(moved, axis=-1).max() <= 1
    flat = np.full((40, 40, 3), (9000, 30000, 51000), np.uint16)
    np.testing.assert_array_equal(mask().sharpened(flat, 0, 40), flat)
    grey = scene(60, 60)[..., 0]
    three = np.repeat(grey[..., None], 3, axis=-1)
    assert (
        np.abs(mask(weights=(1.0,)).sharpened(grey, 0, 60) - mask().sharpened(three, 0, 60)[..., 0].astype(int)).max()
        <= 1
    )


def edge_job(asked: Sharpening | None, blur_px: float = 1.2) -> Renderer:
    """A print of slightly slanted edges of Gaussian blur, between codes 26,000 and 40,000, at its own resolution."""
    y, x = np.mgrid[0:500, 0:600]
    across = (x + 0.09 * y) % 150 - 75
    profile = np.vectorize(lambda d: 0.5 * (1 + erf(d / blur_px / sqrt(2))))
    steps = profile(across) - profile(across + 75 - 150 * (across > 0)) + (across < 0)
    pixels = np.repeat((26000 + 14000 * np.clip(steps, 0, 1))[..., None], 3, axis=-1).astype(np.uint16)
    plain = job(pixels, SRGB, PAPER)
    request = replace(plain.request, sharpen=asked)
    return renderer(
        plain.source, SRGB, read_profile(SRGB), paper_profile=PAPER, request=request, placement=plain.placement
    )


def test_the_halo_score_tells_what_was_added() -> None:
    """Before and after are both measured on the print's pixels, and more amount gives more halo, near the closed form.

    Closed form of an edge under an unsharp mask: see measure/halo.py; here in codes of sRGB, whose L* is nearly linear
    over this step, so within 2 points.
    """
    profile = read_profile(SRGB)
    scores = []
    for amount in (40.0, 100.0):
        read = printed_readings(edge_job(Sharpening(1.5 / PPI * 25.4, amount)), profile).numbers
        before, after = read[Measure.HALO_UNSHARPENED_PERCENT], read[Measure.HALO_SCORE_PERCENT]
        assert isinstance(before, float)
        assert isinstance(after, float)
        assert before < 2
        scores.append(after)
        sigma, a = 1.5, amount / 100
        wide = sqrt(1.2**2 + sigma**2)
        at = sqrt(2 * np.log((1 + a) * wide / (a * 1.2)) / (1 / 1.2**2 - 1 / wide**2))
        normal = [0.5 * (1 + erf(at / one / sqrt(2))) for one in (1.2, wide)]
        assert after == pytest.approx(100 * ((1 + a) * normal[0] - a * normal[1] - 1), abs=2)
    assert scores[1] > scores[0] + 3
    assert Measure.HALO_UNSHARPENED_PERCENT not in printed_readings(edge_job(None), profile).numbers


@pytest.mark.slow
@pytest.mark.parametrize("scale", [0.7, 1.0, 1.6])
def test_a_sharpened_print_is_proved_and_a_plain_one_is_told_from_it(scale: float) -> None:
    """The second, slow way follows the mask; a print without it, or with twice of it, is noticed."""

    def made(asked: Sharpening | None) -> Any:
        plain = job(scene(), SRGB, PAPER, scale=scale)
        request = replace(plain.request, sharpen=asked)
        return renderer(
            plain.source, SRGB, read_profile(SRGB), paper_profile=PAPER, request=request, placement=plain.placement
        )

    right = made(ASKED)
    found = verify(file_of(right), sheet_of(right))
    assert found.pixels > 900
    assert found.mean < 0.1
    for wrong in (None, replace(ASKED, amount_percent=120.0)):
        with pytest.raises(OwnError, match="differ"):
            verified(made(wrong), right)
