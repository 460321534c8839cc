"""Whole prints, from made-up sources to the sheet's pixels, against colour-science and closed forms."""

from __future__ import annotations

import warnings
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from printqueue.core.model.paper import Intent
from printqueue.core.model.request import Request, Sharpening
from printqueue.core.units import MM_PER_INCH, Size
from printqueue.imaging.colour import manager, spaces
from printqueue.imaging.colour.icc import read_profile
from printqueue.imaging.render import sheet
from printqueue.imaging.render.bands import SHEET_ROWS
from printqueue.imaging.render.engine import renderer
from printqueue.imaging.render.plan import place
from printqueue.imaging.render.sheet import NO_INK, sheet_of
from tests.imaging.render.support import PPI, PROFILES, Codes, Fake, grey_gamma, job, picture_of, seeded, whole_sheet

with warnings.catch_warnings():  # it misses its plotting library aloud
    warnings.simplefilter("ignore")
    import colour

Array = NDArray[np.float64]
OUTSIDE = {"srgb": "sRGB", "adobe-rgb": "Adobe RGB (1998)", "display-p3": "Display P3", "romm": "ROMM RGB"}


def converted(rgb: Array, source: str, target: str, factor: float = 1.0) -> Array:
    """Encoded RGB 0 to 1 of one space in another: colour-science's curves, matrices and Bradford; clipped as light."""
    one, two = colour.RGB_COLOURSPACES[OUTSIDE[source]], colour.RGB_COLOURSPACES[OUTSIDE[target]]
    to_xyz = colour.models.normalised_primary_matrix(one.primaries, one.whitepoint)
    from_xyz = np.linalg.inv(colour.models.normalised_primary_matrix(two.primaries, two.whitepoint))
    before, after = colour.xy_to_XYZ(one.whitepoint), colour.xy_to_XYZ(two.whitepoint)
    adapt = colour.adaptation.matrix_chromatic_adaptation_VonKries(before, after, transform="Bradford")
    light = np.minimum(one.cctf_decoding(rgb) * factor, 1.0)
    return np.asarray(two.cctf_encoding(np.clip(light @ (from_xyz @ adapt @ to_xyz).T, 0, 1)))


def held_to_the_reference(got: Codes, wanted: Array) -> None:
    """99 % within a quarter of an 8-bit step; where no channel is near black, all within 0.35 of one."""
    off = np.abs(got / 65535 - wanted) * 255
    assert np.percentile(off, 99) <= 0.25
    light = (wanted.min(axis=-1) >= 2000 / 65535) & (wanted.max(axis=-1) < 1)
    assert light.sum() > 100
    assert off[light].max() <= 0.35


PAIRS = [("adobe-rgb", "srgb"), ("romm", "srgb"), ("display-p3", "adobe-rgb"), ("romm", "adobe-rgb"), ("srgb", "romm")]


@pytest.mark.parametrize("lift", [0.0, 1 / 3])
@pytest.mark.parametrize(("source", "paper"), PAIRS)
def test_colours_of_whole_prints(source: str, paper: str, lift: float) -> None:
    """A rendered picture's pixels are colour-science's conversion, with and without a lift."""
    pixels = seeded(130, 120)
    drawn = job(pixels, spaces.profile_bytes(source), spaces.profile_bytes(paper), lift_stops=lift)
    held_to_the_reference(picture_of(drawn), converted(pixels / 65535, source, paper, 2.0**lift))


def test_colours_of_an_8_bit_picture() -> None:
    """8-bit codes are read as code / 255, no darker and no lighter."""
    pixels = np.random.default_rng(32).integers(0, 256, (100, 120, 3)).astype(np.uint8)
    drawn = job(pixels, spaces.profile_bytes("adobe-rgb"), spaces.profile_bytes("srgb"))
    held_to_the_reference(picture_of(drawn), converted(pixels / 255, "adobe-rgb", "srgb"))


@pytest.mark.parametrize("scale", [0.5, 2.0])
def test_colours_of_a_resized_picture(scale: float) -> None:
    """In the middle of patches resizing changes no colour, whether light or encoded values are filtered."""
    patches = seeded(12, 12)
    pixels = np.kron(patches, np.ones((24, 24, 1), np.uint16)).astype(np.uint16)
    drawn = job(pixels, spaces.profile_bytes("adobe-rgb"), spaces.profile_bytes("srgb"), scale=scale)
    step = round(24 * scale)
    middles = picture_of(drawn)[step // 2 :: step, step // 2 :: step]
    off = np.abs(middles / 65535 - converted(patches / 65535, "adobe-rgb", "srgb")) * 255
    assert np.percentile(off, 95) <= 0.35
    assert off.max() <= 1.0


def test_grey_pictures() -> None:
    """A grey picture of gamma 2 becomes neutral sRGB of the same light."""
    pixels = np.random.default_rng(33).integers(3000, 65536, (80, 90, 1)).astype(np.uint16)
    got = picture_of(job(pixels, grey_gamma(2.0), spaces.profile_bytes("srgb"), lift_stops=-0.5))
    light = (pixels / 65535) ** 2 * 2**-0.5
    wanted = colour.RGB_COLOURSPACES["sRGB"].cctf_encoding(light)
    assert np.abs(got / 65535 - wanted).max() * 255 <= 0.5


@pytest.mark.parametrize("bits", [8, 16])
def test_a_checkerboard_keeps_its_light(bits: int) -> None:
    """Black and white pixels at half size give half the light (code 187.5 of sRGB), not half the code."""
    checks = (np.indices((160, 160)).sum(axis=0) % 2)[..., None].repeat(3, axis=2)
    pixels = (checks * 255).astype(np.uint8) if bits == 8 else (checks * 65535).astype(np.uint16)
    srgb = spaces.profile_bytes("srgb")
    got = picture_of(job(pixels, srgb, srgb, scale=0.5))[8:-8, 8:-8]
    light = colour.RGB_COLOURSPACES["sRGB"].cctf_decoding(got / 65535)
    assert light.mean() == pytest.approx(0.5, rel=0.005)
    assert got.mean() / 257 == pytest.approx(187.5, abs=0.6)


def test_fine_bright_rigging_keeps_its_light() -> None:
    """A bright line one pixel wide over a dark ground has the same light at a third of the size."""
    srgb = spaces.profile_bytes("srgb")
    pixels = np.full((180, 180, 3), 60 * 257, np.uint16)
    pixels[:, 90] = 250 * 257
    decode = colour.RGB_COLOURSPACES["sRGB"].cctf_decoding
    before = decode(pixels / 65535).mean()
    assert decode(picture_of(job(pixels, srgb, srgb, scale=1 / 3)) / 65535).mean() == pytest.approx(before, rel=0.005)


PAPERS = ["baryta", "kozo", "smooth-rag", "textured-rag"]


@pytest.mark.parametrize("intent", list(Intent))
@pytest.mark.parametrize("paper", PAPERS)
def test_the_border_is_no_ink(paper: str, intent: Intent) -> None:
    """Whatever the intent, the border is exactly device white; absolute alone may tint the picture's white."""
    white = np.full((60, 80, 3), 65535, np.uint16)
    drawn = job(white, spaces.profile_bytes("adobe-rgb"), (PROFILES / f"{paper}.icc").read_bytes(), intent=intent)
    pixels, place = whole_sheet(drawn), drawn.placement
    inside = np.zeros(pixels.shape[:2], bool)
    inside[place.top_px : place.top_px + 60, place.left_px : place.left_px + 80] = True
    assert (pixels[~inside] == NO_INK).all()
    assert inside.sum() == 4800
    if intent is Intent.ABSOLUTE:
        assert (pixels[inside] < NO_INK - 300).any(axis=-1).all(), "an absolute white shows the difference of whites"
    else:
        assert pixels[inside].min() >= NO_INK - 2


def test_absolute_white_is_neutral_on_cream() -> None:
    """On cream kozo the absolute white is pulled towards neutral, less cream than the bare border beside it."""
    white = np.full((60, 80, 3), 65535, np.uint16)
    data = (PROFILES / "kozo.icc").read_bytes()
    srgb = spaces.profile_bytes("srgb")
    picture = picture_of(job(white, srgb, data, intent=Intent.ABSOLUTE))
    inked = manager.to_lab(picture, data, intent=Intent.ABSOLUTE)[30, 40]
    bare = manager.to_lab(np.full((1, 1, 3), NO_INK, np.uint16), data, intent=Intent.ABSOLUTE)[0, 0]
    assert inked[2] < bare[2] - 1
    assert inked[0] < bare[0]


def test_the_print_is_one_conversion_of_what_was_delivered() -> None:
    """On a table profile the picture is exactly the manager's conversion of the lifted pixels: once, not twice."""
    data = (PROFILES / "smooth-rag.icc").read_bytes()
    srgb = spaces.profile_bytes("srgb")
    drawn = job(seeded(60, 70), srgb, data)
    delivered = drawn.delivered_band(0, 60)
    np.testing.assert_array_equal(delivered, seeded(60, 70))
    once = manager.to_paper(delivered, srgb, data, intent=Intent.RELATIVE, black_point_compensation=True)
    assert np.abs(picture_of(drawn).astype(int) - once.astype(int)).max() <= 1


def test_the_sheet_is_whole() -> None:
    """Bands come in order, cover every row once, and none is taller than the grid says."""
    srgb = spaces.profile_bytes("srgb")
    drawn = job(seeded(700, 40), srgb, srgb)
    whole = sheet_of(drawn)
    bands = list(whole.file_bands(lambda band: band))
    assert all(len(band) == SHEET_ROWS for band in bands[:-1])
    assert np.concatenate(bands).shape == (drawn.placement.sheet_px[1], drawn.placement.sheet_px[0], 3)
    np.testing.assert_array_equal(np.concatenate(bands), whole.band(0, whole.size_px[1]))


@pytest.mark.parametrize("scale", [0.6, 1.0, 1.7])
def test_threads_do_not_change_a_bit(scale: float, monkeypatch: pytest.MonkeyPatch) -> None:
    """One thread, two or five: the same bytes."""
    data = (PROFILES / "baryta.icc").read_bytes()
    drawn = job(seeded(600, 80), spaces.profile_bytes("romm"), data, scale=scale, lift_stops=0.25)
    reference = whole_sheet(drawn).tobytes()
    for threads in (1, 5):
        monkeypatch.setattr(sheet, "THREADS", threads)
        assert whole_sheet(drawn).tobytes() == reference


def test_a_crop_takes_the_middle() -> None:
    """With `fit: crop` the printed pixels are the source's middle part, unresized where the sizes agree."""
    srgb = spaces.profile_bytes("srgb")
    pixels = seeded(100, 300)
    side = 100 / PPI * MM_PER_INCH
    request = Request("test", Size("custom", 60, 50), picture=Size("", side, side), fit="crop", ppi=PPI)
    fake: Any = Fake(pixels)
    drawn = renderer(
        fake, srgb, read_profile(srgb), paper_profile=srgb, request=request, placement=place(request, 300, 100)
    )
    np.testing.assert_array_equal(drawn.delivered_band(0, 100), pixels[:, 100:200])


def test_an_upside_down_mistake_would_show() -> None:
    """Head is head and left is left: the first source pixel is the picture's top left one."""
    srgb = spaces.profile_bytes("srgb")
    pixels = np.zeros((50, 70, 3), np.uint16)
    pixels[:10, :10] = (65535, 0, 0)
    got = picture_of(job(pixels, srgb, srgb, scale=2.0))
    assert got[5, 5, 0] > 60000
    assert got[-5:, :].max() < 2000
    assert got[:, -5:].max() < 2000


@settings(max_examples=25, deadline=None, derandomize=True, database=None)
@given(
    st.lists(st.integers(1, 97), max_size=5, unique=True),
    st.sampled_from([0.41, 1.0, 1.9]),
    st.sampled_from([None, Sharpening(0.6, 70.0)]),
    st.sampled_from([0.0, 1 / 3]),
)
def test_any_bands_are_the_whole_picture(
    cuts: list[int], scale: float, sharpen: Sharpening | None, lift: float
) -> None:
    """Cut wherever one likes, shrunk or enlarged, lifted, sharpened: bit for bit the picture made in one piece."""
    srgb = spaces.profile_bytes("adobe-rgb")
    drawn = job(seeded(round(98 / scale), round(60 / scale)), srgb, srgb, scale=scale, sharpen=sharpen, lift_stops=lift)
    height = drawn.placement.picture_px[1]
    edges = [0, *sorted(cut for cut in cuts if cut < height), height]
    pieces = [drawn.delivered_band(start, stop) for start, stop in pairwise(edges)]
    np.testing.assert_array_equal(np.concatenate(pieces), drawn.delivered_band(0, height))
