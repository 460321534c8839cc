"""From an open picture to the JPEG of its proof: colours against another engine, any picture, the same bytes each time."""

from __future__ import annotations

import io
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
import tifffile
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from PIL import Image

from printqueue.core.model.paper import Intent
from printqueue.core.model.region import Region
from printqueue.core.model.request import Request
from printqueue.core.units import Size
from printqueue.imaging.colour import manager, spaces
from printqueue.imaging.decode.opening import open_picture
from printqueue.imaging.decode.reader import Bounds
from printqueue.imaging.jobs import Marked, PrintJob, ProofWish, ProofWords
from printqueue.imaging.proof_page.views import views
from printqueue.imaging.proof_pictures import make_proof, make_words_only
from printqueue.imaging.render.plan import DoesNotFitError
from printqueue.imaging.render.plan import place as place_of
from printqueue.judging.survey.first import first_pass
from printqueue.studio.papers.loader import Shelf
from printqueue.studio.stock import WhiteAndBlack, take
from tests.imaging.colour.test_manager import PAPERS, PROFILES, paper_bytes, transicc
from tests.running.support import tiff

SRGB = spaces.profile_bytes("srgb")
RULES = Path(__file__).parents[2] / "printqueue/rules"
WISH = ProofWish(ProofWords("Fog", "Smooth cotton · A5", "Accepted."))
SMALL = Size("100x80 mm", 100, 80)


@pytest.mark.parametrize("seen", [Intent.RELATIVE, Intent.ABSOLUTE])
@pytest.mark.parametrize("paper", PAPERS)
def test_another_build_shows_the_same_on_a_screen(paper: str, seen: Intent) -> None:
    """Debian's lcms, colour by colour, agrees: of 500 colours' worst channels mean ≤ 1 code of 255, 99 % ≤ 5.

    Seen: mean 0.46, 99 % 3.0 at most; half a code is rounding, the rest the engine's table.
    """
    codes = np.random.default_rng(5).integers(0, 65536, (500, 3)).astype(np.uint16)
    theirs = np.clip(transicc(codes / 257.0, f"-i{PROFILES / paper}.icc", "-o*sRGB", f"-t{seen.number}"), 0, 255)
    ours = manager.to_screen(codes[None], paper_bytes(paper), seen=seen)[0]
    off = np.abs(ours - theirs).max(axis=1)
    assert off.mean() < 1.0
    assert np.percentile(off, 99) < 5.0


@pytest.mark.parametrize("paper", PAPERS)
def test_bare_paper_is_the_screens_white_or_its_own(paper: str) -> None:
    """Tones only: white is 255, 255, 255. On the paper's own white: as light and tinted as a meter reads it (transicc)."""
    white = np.full((4, 4, 3), 65535, np.uint16)
    (view,), bare = views([white], SRGB, paper_bytes(paper), Request(paper, SMALL))
    assert view.tones.min() >= 254
    theirs = transicc(np.array([[255.0, 255, 255]]), f"-i{PROFILES / paper}.icc", "-o*sRGB", "-t3")[0]
    assert np.abs(np.array(bare) - np.clip(theirs, 0, 255)).max() <= 1.5
    assert np.abs(view.paper[0, 0].astype(int) - bare).max() <= 2
    lab = transicc(np.array([[255.0, 255, 255]]), f"-i{PROFILES / paper}.icc", "-o*Lab", "-t3")[0]
    assert view.lightness[0, 0] == pytest.approx(lab[0], abs=0.3)


@cache
def job(paper: str = "smooth-rag", *, assume: bool = False) -> PrintJob:
    """A small print on a shipped paper; its tones are not looked up."""
    kept = take(
        str(RULES / "profiles"),
        Shelf.load(str(RULES)).papers[paper],
        lambda _: WhiteAndBlack((96.0, 0, -2), (17.0, 0, 0)),
    )
    request = Request(paper, SMALL, ppi=200, assume_profile="srgb" if assume else None)
    return PrintJob(request, kept.facts, kept.paper.checks, kept.profile)


def proof(data: bytes, one: PrintJob | None = None, wish: ProofWish = WISH) -> tuple[bytes, bytes]:
    """The proof picture and the thumbnail of a file's bytes."""
    source = open_picture(io.BytesIO(data), Bounds())
    out, small = io.BytesIO(), io.BytesIO()
    make_proof(source, first_pass(source).copy, one or job(), wish, out=out, small=small)
    return out.getvalue(), small.getvalue()


def pixels(data: bytes) -> NDArray[np.uint8]:
    """A JPEG's pixels."""
    return np.asarray(Image.open(io.BytesIO(data)).convert("RGB"))


def codes(height: int = 160, width: int = 240) -> NDArray[np.uint16]:
    """Soft tones, 16 bit."""
    y, x = np.mgrid[0 : 1 : height * 1j, 0 : 1 : width * 1j]
    return (np.stack([0.1 + 0.8 * x, 0.2 + 0.6 * y, 0.5 + 0 * x], -1) * 65535).astype(np.uint16)


def test_srgb_is_embedded_and_it_prints_on_a4() -> None:
    """The profile's own bytes, 200 ppi, no chroma thrown away, and none of the picture's metadata."""
    large, small = proof(tiff(codes(), description="the harbour office, 54.1 N"))
    for data, ppi in ((large, 200), (small, 72)):
        image = Image.open(io.BytesIO(data))
        assert image.format == "JPEG"
        assert image.info["icc_profile"] == SRGB
        assert image.info["dpi"] == (ppi, ppi)
        assert image.getexif() == {}
    assert b"harbour office" not in large
    assert len(large) < 2_000_000
    assert max(Image.open(io.BytesIO(small)).size) <= 360


def test_the_same_picture_has_the_same_bytes() -> None:
    """No clock and no chance is in it."""
    data = tiff(codes())
    assert proof(data) == proof(data)


def test_a_lift_is_seen() -> None:
    """With a lift of a stop the thumbnail is lighter."""
    plain = proof(tiff(codes() // 3))[1]
    lifted = proof(tiff(codes() // 3), replace(job(), request=replace(job().request, lift_stops=1.0)))[1]
    assert pixels(lifted).mean() > pixels(plain).mean() + 8


def test_without_a_profile_it_is_shown_as_srgb() -> None:
    """The colours are those of the same picture with sRGB embedded."""
    known, unknown = (pixels(proof(tiff(codes(), profile=profile))[1]).astype(int) for profile in ("srgb", None))
    assert np.abs(known - unknown).max() <= 2


def test_a_grey_picture_without_a_profile_is_shown() -> None:
    """One channel, nothing declared: three alike."""
    out = io.BytesIO()
    tifffile.imwrite(out, codes()[..., 0], photometric="minisblack")
    assert pixels(proof(out.getvalue())[0]).shape == (2339, 1654, 3)


def test_where_edges_ring_is_shown_at_print_scale() -> None:
    """A red spot of 24 px of 1200, marked as ringing, stands in the part at print scale, as large as it is printed."""
    spotted = np.full((800, 1200, 3), 30000, np.uint16)
    spotted[600:624, 1000:1024] = (60000, 5000, 5000)
    place = Region(1000 / 1200, 600 / 800, 24 / 1200, 24 / 800)
    page = pixels(proof(tiff(spotted), wish=replace(WISH, marked=(Marked("oversharpening", "rings", (place,)),)))[0])
    part = page[1150:1620, 850:].astype(int)
    rows, columns = np.nonzero(part[..., 0] - part[..., 1:].max(axis=2) > 40)
    placement = place_of(job().request, 1200, 800)
    expected = 24 / 1200 * placement.picture_px[0]
    assert np.ptp(rows) + 1 == pytest.approx(expected, abs=2)
    assert np.ptp(columns) + 1 == pytest.approx(expected, abs=2)


@settings(max_examples=10)
@given(st.integers(1, 400), st.integers(1, 400), st.sampled_from(["srgb", None]))
def test_any_shape_has_a_proof(height: int, width: int, profile: str | None) -> None:
    """From one pixel to a strip of 1 × 400, with and without a profile."""
    data = tiff(np.full((height, width, 3), 20000, np.uint16), profile=profile)
    assert pixels(proof(data)[0]).shape == (2339, 1654, 3)


def test_a_print_that_does_not_fit_is_still_shown() -> None:
    """Without a placement: no part at print scale, but the picture."""
    unfit = replace(job(), request=replace(job().request, picture=Size("2x2 m", 2000, 2000)))
    with pytest.raises(DoesNotFitError):
        place_of(unfit.request, 240, 160)
    assert pixels(proof(tiff(codes()), unfit)[0]).shape == (2339, 1654, 3)


def test_words_only() -> None:
    """What cannot be read has a page too, in sRGB."""
    out = io.BytesIO()
    make_words_only(WISH, "The picture cannot be read.", out)
    assert Image.open(out).info["icc_profile"] == SRGB
