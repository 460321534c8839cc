"""The composed page: what stands on it, and what must never stand beside the paper's own white."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from printqueue.core.model.region import Region
from printqueue.imaging.jobs import Marked, ProofWords
from printqueue.imaging.proof_page import histogram, shapes
from printqueue.imaging.proof_page.histogram import Lights
from printqueue.imaging.proof_page.page import Box, ProofPage
from printqueue.imaging.proof_page.sheet import Crop, OnSheet, Shown, compose, thumbnail

Pixels = NDArray[np.uint8]
WORDS = ProofWords("Fog over the harbour", "Smooth cotton · A4", "Accepted.", ("Something was found.",))
WHITE = (236, 228, 216)  # of a warm paper


def scene(height: int = 300, width: int = 450) -> Pixels:
    """Darker than any paper, different in its four corners."""
    y, x = np.mgrid[0 : 1 : height * 1j, 0 : 1 : width * 1j]
    return np.stack([40 + 120 * x, 40 + 120 * y, 90 + 0 * x], -1).astype(np.uint8)


def shown(picture: Pixels | None = None, **changes: Any) -> Shown:
    """A picture on an A4 sheet with even borders."""
    picture = scene() if picture is None else picture
    height, width = picture.shape[:2]
    lightness = np.linspace(10, 80, height * width, dtype=np.float32).reshape(height, width)
    lies = OnSheet((297.0, 210.0), (240.0, 160.0), (28.5, 25.0))
    made = Shown(picture, picture, WHITE, lies, Lights(lightness, lightness, 17.0, 92.0), (), None)
    return replace(made, **changes)


def lightest(pixels: Pixels) -> int:
    """The highest green code, which carries most of the light."""
    return int(pixels[..., 1].max())


def white_rows(page: Pixels) -> NDArray[np.intp]:
    """Rows that hold the screen's own white."""
    return np.flatnonzero((page == 255).all(axis=2).any(axis=1))


def test_a_page_of_a4() -> None:
    """210 × 297 mm (ISO 216) at 200 ppi."""
    assert compose(WORDS, shown()).shape == (round(297 / 25.4 * 200), round(210 / 25.4 * 200), 3)


def test_nothing_is_whiter_than_the_paper_but_the_two_fields_at_the_head() -> None:
    """Screen white stands in one run of rows near the head; below it nothing is lighter than bare paper."""
    crop = Crop(scene(330, 700), 142.0, "The widest range of tones")
    places = (Region(0.1, 0.1, 0.2, 0.2), Region(0.7, 0.7, 0.2, 0.2))
    marked = tuple(
        Marked(name, name, places) for name in ("oversharpening", "contrast", "gamut", "clipping", "banding")
    )
    page = compose(WORDS, shown(crop=crop, marked=marked))
    rows = white_rows(page)
    assert rows.size == rows[-1] - rows[0] + 1
    assert rows[-1] < page.shape[0] / 3
    below = page[rows[-1] + 1 :]
    assert lightest(below) == WHITE[1]
    sheet = np.flatnonzero((below == WHITE).all(axis=2).any(axis=1))
    assert lightest(below[: sheet[0] - 1]) < WHITE[1] - 10
    assert sheet[0] > 400  # more than 50 mm of the page lie between the two whites


def test_the_second_field_is_the_picture_upside_down() -> None:
    """The lightest corner of the tones, at the foot on the right, is at the head on the left there."""
    page = compose(WORDS, shown())
    rows = white_rows(page)
    field = page[rows[0] : rows[-1] + 1, page.shape[1] // 2 + 30 :]
    held = np.argwhere((field != 255).any(axis=2) & (field != field[0, -1]).any(axis=2))
    (top, left), (foot, right) = held.min(axis=0), held.max(axis=0)
    corner, opposite = field[top + 3, left + 3], field[foot - 3, right - 3]
    assert corner[:2].min() > 140
    assert opposite[:2].max() < 60


def test_a_mark_stands_where_it_belongs() -> None:
    """One ring at a quarter of the width and half the height: its ink lies around that point of the map, nowhere else."""
    place = Region(0.2, 0.4, 0.1, 0.2)
    plain, page = (
        compose(WORDS, shown()),
        compose(WORDS, shown(marked=(Marked("oversharpening", "edges that ring", (place,)),))),
    )
    inked = np.argwhere((page == shapes.ORANGE).all(axis=2) & (plain != shapes.ORANGE).any(axis=2))
    gap = np.flatnonzero(np.diff(inked[:, 0]) > 10)[0]  # the legend's ring lies below
    in_map = inked[: gap + 1]
    right = page.shape[1] - 64
    left = page.shape[1] // 2 + 23
    x = left + (right - left - 450) / 2 + 0.25 * 450
    assert abs(in_map[:, 1].mean() - x) < 4
    spread = np.hypot(*(in_map - in_map.mean(axis=0)).T)
    assert spread.min() > 14  # a ring, open in the middle
    assert spread.max() < 30


def test_two_inks_that_every_eye_tells_apart() -> None:
    """Blue and orange differ in lightness by less than in the yellow-blue direction that colour blindness leaves (b*)."""
    from skimage.color import rgb2lab

    blue, orange = (rgb2lab(np.array([[one]], np.uint8))[0, 0] for one in (shapes.BLUE, shapes.ORANGE))
    assert orange[2] - blue[2] > 80
    used = {shape.ink for shape in (shapes.RING, shapes.TRIANGLE, shapes.DIAMOND, shapes.SQUARE, shapes.CROSSED)}
    assert used == {shapes.BLUE, shapes.ORANGE}


@pytest.mark.parametrize("ink", [shapes.BLUE, shapes.ORANGE])
def test_inks_stand_out_from_the_field(ink: tuple[int, int, int]) -> None:
    """Contrast ≥ 4.5 against the field of the histogram, where orange is lettered (WCAG 2.2, 1.4.3)."""
    field = ProofPage(4, 4, histogram._FIELD).pixels[0, 0]
    assert contrast(ink, tuple(field)) >= 4.5 - 1e-9


def contrast(one: Any, other: Any) -> float:
    """WCAG 2.2, relative luminance and contrast ratio."""
    lights = []
    for colour in (one, other):
        codes = np.asarray(colour, float) / 255
        linear = np.where(codes <= 0.04045, codes / 12.92, ((codes + 0.055) / 1.055) ** 2.4)
        lights.append(float(linear @ [0.2126, 0.7152, 0.0722]))
    return (max(lights) + 0.05) / (min(lights) + 0.05)


def test_the_band_of_a_demonstration_can_be_read() -> None:
    """A band across the head, its words at a contrast of at least 4.5."""
    page = compose(replace(WORDS, demonstration="DEMONSTRATION PROFILE: not for a real sheet."), shown())
    assert (page[0] == shapes.ORANGE).all()
    band = page[:60].reshape(-1, 3)
    assert contrast(shapes.ORANGE, band[band.sum(axis=1).argmax()]) >= 4.5


def test_without_a_picture_its_words_stand_there() -> None:
    """What cannot be shown has a page of words: ink on the ground, no white field."""
    page = compose(replace(WORDS, unseen="The picture cannot be read, so it cannot be shown."), None)
    assert white_rows(page).size == 0
    assert (page < 60).all(axis=2).any()


TEXTS = st.text(max_size=300) | st.sampled_from(["\x1b[31m\n\u202e" * 60, "W" * 5000, "", "\udcff", "网" * 200])


@settings(max_examples=12)
@given(TEXTS, TEXTS, st.integers(1, 900), st.integers(1, 900))
def test_any_words_and_any_shape(title: str, says: str, height: int, width: int) -> None:
    """Text of any kind and a picture of any shape come to a page of the same size; nothing is written past its edge."""
    picture = np.full((height, width, 3), 90, np.uint8)
    words = ProofWords(title, says, says, (says, says), demonstration=says, assumed=says)
    lies = OnSheet((float(width), float(height)), (float(width), float(height)), (0.0, 0.0))
    assert compose(words, shown(picture, on_sheet=lies)).shape == (2339, 1654, 3)


@given(st.lists(st.floats(-20, 140) | st.just(float("nan")), min_size=1, max_size=400))
def test_shares_are_shares(values: list[float]) -> None:
    """All pixels that are numbers are counted once, whatever their lightness."""
    lightness = np.array(values, np.float32)[None]
    found = histogram.shares(lightness)
    assert found.sum() == pytest.approx(1.0 if np.isfinite(lightness).any() else 0.0)
    assert found.size == histogram.BINS


def test_paper_black_and_white_stand_at_their_lightness() -> None:
    """The two lines of an even picture lie at L* 20 and L* 90 of a scale from 0 to 100."""
    page = ProofPage(1048, 400, (0, 0, 0))
    flat = np.full((10, 10), 50, np.float32)
    histogram.draw(page, Box(0, 0, 1048, 400), Lights(flat, None, 20.0, 90.0))
    columns = np.flatnonzero((page.pixels[60] == shapes.ORANGE).all(axis=1))
    runs = np.split(columns, np.flatnonzero(np.diff(columns) > 1) + 1)
    assert [round(float(run.mean() + 0.5)) for run in runs] == [24 + 200, 24 + 900]


def test_a_thumbnail_fits_its_square_and_is_not_enlarged() -> None:
    """360 px at the longer side; a smaller picture stays as it is."""
    assert thumbnail(shown(), 360).shape == (240, 360, 3)
    assert thumbnail(shown(scene(90, 60)), 360).shape == (90, 60, 3)
