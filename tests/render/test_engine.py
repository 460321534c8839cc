"""Whole prints, from made-up sources to the sheet's pixels, against colour-science and closed forms."""

from __future__ import annotations

import struct
import warnings
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import numpy as np
import pytest
from numpy.typing import NDArray

from printqueue.colour import manager, spaces
from printqueue.colour.icc import read_profile
from printqueue.model.paper import Intent
from printqueue.model.picture import PictureFacts, Samples
from printqueue.model.request import Border, Request
from printqueue.render import sheet
from printqueue.render.engine import Renderer, renderer
from printqueue.render.marks import Mark
from printqueue.render.plan import place
from printqueue.render.sheet import BAND_ROWS, NO_INK, sheet_of
from printqueue.units import MM_PER_INCH, Size

with warnings.catch_warnings():  # it misses its plotting library aloud
    warnings.simplefilter("ignore")
    import colour

Codes = NDArray[np.uint16]
Array = NDArray[np.float64]
PROFILES = Path(__file__).parents[2] / "printqueue/rules/profiles"
PPI = 100
OUTSIDE = {"srgb": "sRGB", "adobe-rgb": "Adobe RGB (1998)", "display-p3": "Display P3", "romm": "ROMM RGB"}


@dataclass(frozen=True)
class Fake:
    """A picture in memory that behaves as an opened file does: bands of rows, in its own bits."""

    pixels: Samples
    icc: bytes | None = None

    @property
    def facts(self) -> PictureFacts:
        """Its header."""
        height, width, channels = self.pixels.shape
        bits: Literal[8, 16] = 8 if self.pixels.dtype == np.uint8 else 16
        return PictureFacts("TIFF", width, height, bits, "grey" if channels == 1 else "rgb")

    def rows(self, start: int, stop: int) -> Samples:
        """Rows, never beyond the picture: a reader of files would fail there."""
        assert 0 <= start < stop <= self.pixels.shape[0]
        return self.pixels[start:stop]

    def transparent(self) -> bool:
        """It is opaque."""
        return False


def job(
    pixels: Samples,
    source: bytes,
    paper: bytes,
    *,
    scale: float = 1.0,
    lift_stops: float = 0.0,
    intent: Intent = Intent.RELATIVE,
    border_mm: float = 10.0,
) -> Renderer:
    """A print whose picture has exactly the source's pixels times `scale`, between borders of `border_mm`."""
    height, width = (round(n * scale) for n in pixels.shape[:2])
    picture = Size("", width / PPI * MM_PER_INCH, height / PPI * MM_PER_INCH)
    sheet = Size("custom", picture.width_mm + 2 * border_mm, picture.height_mm + 2 * border_mm)
    request = Request("test", sheet, picture=picture, border=Border(), ppi=PPI, lift_stops=lift_stops, intent=intent)
    fake: Any = Fake(pixels, source)
    placement = place(request, pixels.shape[1], pixels.shape[0])
    assert placement.picture_px == (width, height)
    return renderer(fake, source, read_profile(source), paper, request, placement)


def whole_sheet(drawn: Renderer, marks: tuple[Mark, ...] = ()) -> Codes:
    """All pixels of the print file."""
    return np.concatenate(list(sheet_of(drawn, marks).file_bands(lambda band: band)))


def picture_of(drawn: Renderer) -> Codes:
    """The picture cut out of the sheet."""
    place = drawn.placement
    width, height = place.picture_px
    return whole_sheet(drawn)[place.top_px : place.top_px + height, place.left_px : place.left_px + width]


def converted(rgb: Array, source: str, target: str, factor: float = 1.0) -> Array:
    """Encoded RGB 0 to 1 of one space in another: colour-science's curves, matrices and Bradford; clipped as light."""
    one, two = colour.RGB_COLOURSPACES[OUTSIDE[source]], colour.RGB_COLOURSPACES[OUTSIDE[target]]
    to_xyz = colour.models.normalised_primary_matrix(one.primaries, one.whitepoint)
    from_xyz = np.linalg.inv(colour.models.normalised_primary_matrix(two.primaries, two.whitepoint))
    before, after = colour.xy_to_XYZ(one.whitepoint), colour.xy_to_XYZ(two.whitepoint)
    adapt = colour.adaptation.matrix_chromatic_adaptation_VonKries(before, after, transform="Bradford")
    light = np.minimum(one.cctf_decoding(rgb) * factor, 1.0)
    return np.asarray(two.cctf_encoding(np.clip(light @ (from_xyz @ adapt @ to_xyz).T, 0, 1)))


def seeded(height: int, width: int) -> Codes:
    """Seeded 16-bit colours, with the corners of the cube among them."""
    pixels = np.random.default_rng(31).integers(0, 65536, (height, width, 3)).astype(np.uint16)
    corners = np.stack(np.meshgrid(*[[0, 65535]] * 3, indexing="ij"), -1).reshape(8, 3)
    pixels[0, :8] = corners
    return pixels


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


def grey_gamma(gamma: float) -> bytes:
    """A grey display profile of one gamma, laid out by ICC.1 and by nothing of ours."""
    white = b"XYZ \0\0\0\0" + struct.pack(">3I", 0xF6D6, 0x10000, 0xD32D)
    curve = b"curv\0\0\0\0" + struct.pack(">IHH", 1, round(gamma * 256), 0)
    table = struct.pack(">I4sII4sII", 2, b"wtpt", 156, 20, b"kTRC", 176, 16)
    head = struct.pack(
        ">I4xI4s4s4s12x4s28x3I", 192, 0x04400000, b"mntr", b"GRAY", b"XYZ ", b"acsp", 0xF6D6, 0x10000, 0xD32D
    )
    return head.ljust(128, b"\0") + table + white + curve


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
    assert all(len(band) == BAND_ROWS for band in bands[:-1])
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
    drawn = renderer(fake, srgb, read_profile(srgb), srgb, request, place(request, 300, 100))
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
