"""Tones on the delivered picture and on paper: closed-form ramps, pieces whose size is known, a real paper's slope."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from printqueue.colour import manager, spaces
from printqueue.measure.tone import measure_bare_paper, measure_tones, shadow_loss_percent
from printqueue.model.paper import Intent

Lightness = NDArray[np.float32]
BARE, INKED = 65535, 60000
SRGB = spaces.profile_bytes("srgb")
PROFILES = Path(__file__).parents[2] / "printqueue/rules/profiles"


def sheet(rows: int = 100, columns: int = 200) -> NDArray[np.uint16]:
    """Device codes without a bare spot."""
    return np.full((rows, columns, 3), INKED, np.uint16)


def test_percentiles_of_a_ramp() -> None:
    """A ramp of L* 0 to 100 has its median at 50, its lights at 99.5, and 1 % of solid ink below L* 1."""
    ramp = np.linspace(0, 100, 100_001, dtype=np.float32).reshape(1, -1)
    tones = measure_tones(ramp)
    assert (tones.median, tones.p01, tones.p99_5) == pytest.approx((50, 1, 99.5), abs=0.01)
    assert tones.solid_percent == pytest.approx(1.0, abs=0.01)


def test_solid_is_below_one() -> None:
    """L* 1.0 itself is not solid; just under it is."""
    assert measure_tones(np.full((4, 4), 1.0, np.float32)).solid_percent == 0
    assert measure_tones(np.full((4, 4), 0.99, np.float32)).solid_percent == 100


def test_the_largest_bare_piece() -> None:
    """Of several bare pieces the largest counts, in % of the picture's area."""
    device = sheet()
    device[10:20, 10:20] = BARE  # 100 px
    device[50:70, 50:100] = BARE  # 1000 px of 20,000
    assert measure_bare_paper(device).largest_percent == pytest.approx(5.0)


def test_pieces_that_touch_at_a_corner_are_one() -> None:
    """Diagonal neighbours belong together: light through rigging is one piece."""
    device = sheet()
    device[10:20, 10:20] = BARE
    device[20:30, 20:30] = BARE
    assert measure_bare_paper(device).largest_percent == pytest.approx(1.0)


def test_one_inked_channel_is_ink() -> None:
    """A pale yellow is no bare paper."""
    device = sheet()
    device[:, :] = (BARE, BARE, 64000)
    assert measure_bare_paper(device).largest_percent == 0


def test_what_counts_as_bare() -> None:
    """Half a percent of ink in every channel is as good as none; a little more is ink."""
    device = sheet()
    device[:] = 65535 - 330
    assert measure_bare_paper(device).largest_percent == 100
    device[:] = 65535 - 331
    assert measure_bare_paper(device).largest_percent == 0


def test_nothing_bare_and_all_bare() -> None:
    """The two ends of the scale."""
    assert measure_bare_paper(sheet()).largest_percent == 0
    assert measure_bare_paper(sheet()).edge_percent == 0
    white = np.full((30, 40, 3), BARE, np.uint16)
    assert measure_bare_paper(white).largest_percent == 100
    assert measure_bare_paper(white).edge_percent == 100


def test_the_edge_is_walked_once() -> None:
    """A bare head row is its share of the perimeter: 200 of 596 pixels; corners are not counted twice."""
    device = sheet()
    device[0] = BARE
    assert measure_bare_paper(device).edge_percent == pytest.approx(100 * 200 / (2 * 200 + 2 * 98))
    device = sheet()
    device[:, -1] = BARE
    assert measure_bare_paper(device).edge_percent == pytest.approx(100 * 100 / (2 * 200 + 2 * 98))
    device = sheet()
    device[1:-1, 1:-1] = BARE
    assert measure_bare_paper(device).edge_percent == 0


def ramp(start: float, stop: float, size: int = 240) -> Lightness:
    """A square plane of L* that rises from left to right."""
    return np.tile(np.linspace(start, stop, size, dtype=np.float32), (size, 1))


@pytest.mark.parametrize(("slope", "lost"), [(1.0, 0), (0.55, 0), (0.51, 0), (0.49, 100), (0.2, 100), (0.0, 100)])
def test_less_than_half_the_slope_is_lost(slope: float, lost: float) -> None:
    """On a dark ramp all is lost where paper keeps less than half the steps, nothing where it keeps more."""
    delivered = ramp(0, 39, 120)
    assert shadow_loss_percent(delivered, delivered * np.float32(slope) + 17) == lost


def test_only_shadows_can_be_lost() -> None:
    """Lights above L* 40 are not counted, however flat they come out."""
    assert shadow_loss_percent(ramp(41, 100), ramp(60, 61)) == 0


def test_the_share_is_of_the_whole_picture() -> None:
    """A quarter of the picture lost in shadow is 25 %, measured in whole blocks of 6."""
    delivered = ramp(60, 90, 240)
    delivered[:120, :120] = ramp(0, 39, 120)
    proof = delivered.copy()
    proof[:120, :120] = 20
    assert shadow_loss_percent(delivered, proof) == pytest.approx(25.0)


def test_flat_shadows_hold_nothing_to_lose() -> None:
    """A solid black, or one whose grain is under half an L*, loses nothing by becoming the paper's black."""
    assert shadow_loss_percent(np.full((60, 60), 3, np.float32), np.full((60, 60), 17, np.float32)) == 0
    grain = np.random.default_rng(71).normal(5, 0.3, (60, 60)).astype(np.float32)
    assert shadow_loss_percent(grain, np.full((60, 60), 17, np.float32)) == 0


@pytest.mark.parametrize("shape", [(5, 5), (5, 100), (1, 1)])
def test_tiny_pictures_lose_nothing(shape: tuple[int, int]) -> None:
    """A picture smaller than a block has no answer but 0, and no error."""
    assert shadow_loss_percent(np.zeros(shape, np.float32), np.zeros(shape, np.float32)) == 0


def through(paper: str, codes: NDArray[np.uint16]) -> Lightness:
    """L* that a shipped paper shows of sRGB codes, media-relative with black point compensation."""
    data = (PROFILES / f"{paper}.icc").read_bytes()
    device = manager.to_paper(codes, SRGB, data, intent=Intent.RELATIVE, black_point_compensation=True)
    return np.asarray(manager.to_lab(device, data)[..., 0])


def dark_codes(L: NDArray[np.float64]) -> NDArray[np.uint16]:
    """sRGB codes of neutral L* 0 to 8, on the straight foot of both curves (CIE 15, IEC 61966-2-1): (..., 3)."""
    light = L * 27 / 24389
    encoded = np.where(light > 0.0031308, 1.055 * light ** (1 / 2.4) - 0.055, 12.92 * light)
    return np.asarray(np.rint(65535 * encoded)[..., None].repeat(3, axis=-1), np.uint16)


@pytest.mark.parametrize(
    ("paper", "white", "black", "stated"),
    [
        ("baryta", 97.0, 5, 0.77),
        ("smooth-rag", 96.5, 17, 0.44),
        ("textured-rag", 95.5, 19, 0.40),
        ("kozo", 91.5, 24, 0.32),
    ],
)
def test_slopes_of_the_shipped_papers(paper: str, white: float, black: float, stated: float) -> None:
    """The deepest 8 L* rise as Y' = (1 - b) Y + b says (ISO 18619; b: black against white), within 0.1, a little flatter.

    The engine takes the paper's black up to 0.6 L* lighter than it is, which costs slope (seen: 0.87, 0.37,
    0.35, 0.21). The slopes that `explain contrast` states for these papers lie within 0.12 of what is printed.
    """
    shown = through(paper, dark_codes(np.array([[0.0, 8.0]])))[0]
    got = float(shown[1] - shown[0]) / 8
    relative = [((L + 16) / 116) ** 3 for L in (black, white)]
    b = relative[0] / relative[1] if black > 8 else black * 27 / 24389 / relative[1]
    foot = 116 * np.cbrt(b) - 16 if b > 216 / 24389 else b * 24389 / 27
    eight = 116 * np.cbrt((1 - b) * 8 * 27 / 24389 + b) - 16
    assert (eight - foot) / 8 - 0.1 < got < (eight - foot) / 8 + 0.01
    assert got == pytest.approx(stated, abs=0.12)


def test_deep_shadows_are_lost_on_matte_and_kept_on_baryta() -> None:
    """Detail of L* 0 to 4 keeps under half of its steps on the matte papers, so it is lost; on baryta it is kept."""
    codes = dark_codes(np.tile(np.linspace(0, 4, 6), (60, 10)))
    delivered = manager.to_lab(codes, SRGB)[..., 0]
    lost = {paper: shadow_loss_percent(delivered, through(paper, codes)) for paper in ("smooth-rag", "kozo", "baryta")}
    assert lost == {"smooth-rag": 100, "kozo": 100, "baryta": 0}
