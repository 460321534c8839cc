"""Shares of area, hues and places of what a paper cannot show: patches whose difference is known, papers and photographs."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import skimage.data
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from skimage.color import deltaE_ciede2000

from printqueue.core.model.measures import GAMUT_OVER
from printqueue.core.model.paper import Intent
from printqueue.imaging.colour import manager, spaces
from printqueue.judging.measures.gamut import Gamut, measure_gamut
from tests.imaging.colour.looking import soft_proof

Lab = NDArray[np.float32]
SRGB = spaces.profile_bytes("srgb")
PROFILES = Path(__file__).parents[3] / "printqueue/rules/profiles"
PAPERS = ("baryta", "smooth-rag", "textured-rag", "kozo")


def over(found: Gamut) -> dict[int, float]:
    """Shares by rung."""
    return dict(zip(GAMUT_OVER, found.over_percent, strict=True))


def flat(L: float, a: float, b: float, shape: tuple[int, int] = (80, 120)) -> Lab:
    """One colour."""
    return np.full((*shape, 3), (L, a, b), np.float32)


def on_paper(codes: NDArray[np.uint16], paper: str) -> tuple[Lab, Lab]:
    """Delivered and proof of sRGB codes (H, W, 3), media-relative with black point compensation."""
    data = (PROFILES / f"{paper}.icc").read_bytes()
    proof = soft_proof(codes, SRGB, data, intent=Intent.RELATIVE, black_point_compensation=True)
    return manager.to_lab(codes, SRGB), proof


def photograph() -> NDArray[np.uint16]:
    """A whole photograph, (256, 256, 3)."""
    codes: NDArray[np.uint8] = skimage.data.astronaut()[::2, ::2]  # type: ignore[no-untyped-call]
    return np.asarray(codes.astype(np.uint16) * np.uint16(257))


def full_difference(one: Lab, two: Lab) -> NDArray[np.float64]:
    """scikit-image's ΔE00."""
    return np.asarray(deltaE_ciede2000(one.astype(float), two.astype(float)))  # type: ignore[no-untyped-call]


def test_a_patch_of_known_difference() -> None:
    """A quarter of the picture that loses chroma 60 → 40 changes by ΔE00 7.0: on 25 % it is over 6, nowhere over 8."""
    delivered, proof = flat(50, 0, 60), flat(50, 0, 60)
    proof[:40, :60] = (50, 0, 40)
    found = measure_gamut(delivered, proof)
    wanted = float(full_difference(delivered[0, 0], proof[0, 0]))
    assert 6 < wanted < 8
    assert over(found) == {rung: 25.0 if rung < wanted else 0.0 for rung in GAMUT_OVER}
    assert found.hues == ("yellow",)
    assert (found.chroma_before, found.chroma_after) == pytest.approx((60, 40))
    [place] = found.places
    assert (place.left, place.top) == (0, 0)
    assert (place.width, place.height) == pytest.approx((0.5, 0.5), abs=0.05)
    assert place.value == pytest.approx(wanted, abs=0.1)
    assert place.in_words() == "top left"


def test_shares_against_scikit_image_on_a_whole_picture() -> None:
    """Every rung's share is that of scikit-image's ΔE00 with both colours at one lightness, within 0.01 %."""
    delivered, proof = on_paper(photograph(), "textured-rag")
    level = proof.copy()
    level[..., 0] = delivered[..., 0]
    difference = full_difference(delivered, level)
    wanted = [100 * float((difference > rung).mean()) for rung in GAMUT_OVER]
    assert measure_gamut(delivered, proof).over_percent == pytest.approx(wanted, abs=0.01)
    assert wanted[4] > 1, "the picture tests something"


@pytest.mark.parametrize("paper", PAPERS)
def test_neutrals_never_count(paper: str) -> None:
    """A ramp of greys changes by less than ΔE00 2 in hue and chroma on every paper, though on matte its darks change by 6."""
    greys = np.linspace(0, 65535, 400).astype(np.uint16)[None, :, None].repeat(8, axis=0).repeat(3, axis=2)
    delivered, proof = on_paper(greys, paper)
    assert over(measure_gamut(delivered, proof))[2] == 0
    whole = full_difference(delivered, proof)
    if paper != "baryta":
        assert (whole > 6).mean() > 0.1, "with the lightness term they would count"


@pytest.mark.parametrize("paper", PAPERS)
@pytest.mark.parametrize(
    ("name", "gains"), [("sepia", (1.0, 0.93, 0.82)), ("selenium", (1.0, 0.96, 0.99)), ("blue", (0.8, 0.9, 1.0))]
)
def test_toned_black_and_white_is_printed(paper: str, name: str, gains: tuple[float, float, float]) -> None:
    """A photograph toned brown, warm or blue (C*ab 2 to 5, at most 8) changes by over 6 on less than 1 % of its area on every paper."""
    grey = photograph().mean(axis=2) / 65535
    toned = np.stack([grey ** (1 + 1.2 * (1 - gain)) for gain in gains], axis=-1)
    found = measure_gamut(*on_paper((toned * 65535).astype(np.uint16), paper))
    assert over(found)[6] < 1


def test_order_of_the_papers() -> None:
    """The strongest colours of sRGB suffer least on baryta, then smooth, textured, washi."""
    axis = np.linspace(0, 65535, 12).astype(np.uint16)
    cube = np.stack(np.meshgrid(axis, axis, axis), -1).reshape(36, 48, 3)
    shares = [over(measure_gamut(*on_paper(cube, paper)))[6] for paper in PAPERS]
    assert shares == sorted(shares)
    assert shares[0] > 1, "even baryta does not show all of them"


def test_the_ladder_never_rises() -> None:
    """More is never over a higher rung; there is one share for each."""
    found = measure_gamut(*on_paper(photograph(), "kozo"))
    assert list(found.over_percent) == sorted(found.over_percent, reverse=True)
    assert len(found.over_percent) == len(GAMUT_OVER)


@settings(max_examples=25, deadline=None, derandomize=True, database=None)
@given(st.integers(0, 2**31), st.integers(1, 3), st.booleans())
def test_turned_and_mirrored(seed: int, turns: int, mirror: bool) -> None:
    """Turning by 90° and mirroring change no share, no hue and no chroma."""
    rng = np.random.default_rng(seed)
    delivered = rng.uniform((0, -60, -60), (100, 60, 60), (24, 40, 3)).astype(np.float32)
    proof = (delivered * rng.uniform(0.4, 1, (24, 40, 1))).astype(np.float32)

    def turned(lab: Lab) -> Lab:
        out = np.rot90(lab, turns)
        return np.ascontiguousarray(out[:, ::-1] if mirror else out)

    one, two = measure_gamut(delivered, proof), measure_gamut(turned(delivered), turned(proof))
    assert one.over_percent == two.over_percent
    assert one.hues == two.hues
    assert one.chroma_before == pytest.approx(two.chroma_before, rel=1e-5)


def test_small_changes_are_described_where_large_ones_are_rare() -> None:
    """Hues and places come from what changes by more than 3 where nothing does by more than 6, from nothing below that."""
    slight = measure_gamut(flat(50, 0, -40), flat(50, 0, -31))
    assert 3 < next(r for r, s in reversed(over(slight).items()) if s) + 1.01 <= 6
    assert slight.hues == ("blue",)
    assert slight.places
    same = measure_gamut(flat(50, 0, -40), flat(50, 0, -40))
    assert same == Gamut((0.0,) * len(GAMUT_OVER))


def test_scattered_pixels_are_no_place() -> None:
    """One pixel in nine: the share is told, a place is not."""
    delivered, proof = flat(50, 40, 40), flat(50, 40, 40)
    proof[::3, ::3] = (50, 10, 10)
    found = measure_gamut(delivered, proof)
    assert over(found)[6] == pytest.approx(100 / 9, abs=0.3)
    assert found.places == ()


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf, 1e30])
@pytest.mark.parametrize("shape", [(1, 1), (1, 50), (3, 2), (40, 40)])
@pytest.mark.filterwarnings("ignore::RuntimeWarning")
def test_hostile_numbers(bad: float, shape: tuple[int, int]) -> None:
    """No number, infinity, huge values, one pixel: shares from 0 to 100, nothing raised."""
    delivered, proof = flat(50, 20, 20, shape), flat(50, 10, 10, shape)
    delivered[0, 0, 1] = bad
    found = measure_gamut(delivered, proof)
    assert all(0 <= share <= 100 for share in found.over_percent)
