"""Geometry of a print: the border rules worked out by hand, and what must hold for any sheet and picture."""

from __future__ import annotations

import csv
from dataclasses import replace
from pathlib import Path
from typing import Any, Literal

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from printqueue.core.model.request import Border, Placement, Request
from printqueue.core.units import Size
from printqueue.imaging.render.plan import DoesNotFitError, default_border_mm, place

TABLE = Path(__file__).parents[2] / "references" / "paper_sizes.csv"
SHEETS = [
    (
        row["name"],
        float(row["w_mm"]),
        float(row["h_mm"]),
        {p: (int(row[f"w_px_{p}"]), int(row[f"h_px_{p}"])) for p in (240, 300, 360)},
    )
    for row in csv.DictReader(TABLE.read_text("utf-8").splitlines())
]
A1, A2, A3, A4 = (Size(f"A{n}", w, h) for n, w, h in ((1, 594, 841), (2, 420, 594), (3, 297, 420), (4, 210, 297)))
MM = 25.4


def request(
    size: Size = A3,
    border: Border | None = None,
    *,
    picture: Size | None = None,
    fit: Literal["whole", "crop"] = "whole",
    ppi: int = 360,
) -> Request:
    """A print of this size; without a border, the default one."""
    return Request("smooth-rag", size, picture=picture, border=border or Border(), fit=fit, ppi=ppi)


def borders(placement: Placement) -> list[float]:
    """Top, right, bottom, left in mm to a hundredth."""
    return [round(mm, 2) for mm in placement.borders_mm]


@pytest.mark.parametrize(("sheet", "width_mm"), [(A4, 17), (A3, 24), (A2, 34), (A1, 48)])
def test_default_borders(sheet: Size, width_mm: float) -> None:
    """8 % of the short side in whole mm: 17, 24, 34, 48 mm on A4 to A1, on the tight axis of either orientation."""
    assert default_border_mm(sheet) == width_mm
    upright = place(request(sheet), 2000, 3000)  # 2:3 is slimmer than any of these boxes
    assert borders(upright)[0] == borders(upright)[2] == width_mm
    across = place(request(sheet), 3000, 2000)
    assert borders(across)[1] == borders(across)[3] == width_mm


def test_small_sheets_keep_15_mm() -> None:
    """Under 187 mm the border is 15 mm, whatever the share."""
    assert default_border_mm(Size("A5", 148, 210)) == 15
    assert default_border_mm(Size("postcard", 105, 148)) == 15


def test_even_border_by_hand() -> None:
    """3:2 on A3 with 25 mm: 370 × 246.67 mm, centred; 25 mm left and right, 25.17 mm head and foot."""
    placed = place(request(A3, Border(width_mm=25)), 6000, 4000)
    assert placed.sheet_mm == (420, 297)
    assert placed.picture_mm == pytest.approx((370, 370 / 1.5))
    assert borders(placed) == [25.17, 25.0, 25.17, 25.0]
    assert placed.source_ppi == pytest.approx(6000 / 370 * MM)
    assert (placed.sheet_px, placed.picture_px) == ((5953, 4209), (5244, 3496))
    assert (placed.left_px, placed.top_px) == ((5953 - 5244) // 2, (4209 - 3496) // 2)


@pytest.mark.parametrize(("top", "extra"), [(10, 5), (25, 5), (30, 6), (50, 10), (60, 12)])
def test_weighted_foot_on_a_tight_sheet(top: float, extra: float) -> None:
    """Where height is tight the foot is 1.2 × the top, at least 5 mm more; left and right are equal."""
    placed = place(request(A2, Border("weighted", width_mm=top)), 1000, 4000)
    head, right, foot, left = placed.borders_mm
    assert [head, foot] == pytest.approx([top, top + extra])
    assert left == pytest.approx(right)
    assert placed.picture_mm[1] == pytest.approx(594 - 2 * top - extra)


def test_weighted_foot_with_room_to_spare() -> None:
    """Where width is tight the spare height is split 1 : 1.2, and never more than 25 mm apart."""
    across = place(request(A3, Border("weighted", width_mm=25)), 6000, 4000)
    assert borders(across) == [25.0, 28.5, 30.0, 28.5], "even at 3:2 the heavier foot makes height the tight axis"
    wide = place(request(A3, Border("weighted", width_mm=25)), 6000, 3000)
    head, right, foot, left = wide.borders_mm
    assert [left, right] == pytest.approx([25, 25])
    assert foot == pytest.approx(1.2 * head)
    panorama = place(request(A1, Border("weighted", width_mm=48)), 9000, 1500)
    head, _, foot, _ = panorama.borders_mm
    assert foot - head == pytest.approx(25)
    medium = place(request(A2, Border("weighted", width_mm=34)), 6000, 4000)
    head, _, foot, _ = medium.borders_mm
    assert foot == pytest.approx(1.2 * head)


def test_four_borders_are_kept() -> None:
    """Given top, right, bottom, left: the picture fills the box on its tight axis and is centred in it on the other."""
    placed = place(request(A3, Border("given", sides_mm=(20, 30, 60, 40))), 3500, 2170)
    assert placed.picture_mm == pytest.approx((350, 217))
    assert borders(placed) == [20.0, 30.0, 60.0, 40.0]
    slimmer = place(request(A3, Border("given", sides_mm=(20, 30, 60, 40))), 3000, 2170)
    assert borders(slimmer) == [20.0, 55.0, 60.0, 65.0]


def test_no_border_at_all() -> None:
    """A border of 0 mm prints to the sheet's edge, and no pixel beyond it."""
    placed = place(request(A4, Border("given", sides_mm=(0, 0, 0, 0))), 2970, 2100)
    assert (placed.left_px, placed.top_px) == (0, 0)
    assert placed.picture_px == placed.sheet_px == (4209, 2976)


def test_exact_picture_size() -> None:
    """`picture: 300x200 mm` is 300 × 200 mm to the pixel, centred, and the border follows."""
    placed = place(request(A3, picture=Size("", 300, 200)), 3000, 2000)
    assert placed.picture_mm == pytest.approx((300, 200))
    assert placed.picture_px == (round(300 / MM * 360), round(200 / MM * 360))
    assert borders(placed) == [48.5, 60.0, 48.5, 60.0]
    assert placed.source_ppi == pytest.approx(254)


def test_exact_picture_size_turns_with_the_sheet() -> None:
    """The same order serves an upright picture: 200 × 300 mm on the upright sheet."""
    assert place(request(A3, picture=Size("", 300, 200)), 2000, 3000).picture_mm == pytest.approx((200, 300))


def test_exact_picture_size_never_distorts() -> None:
    """A picture of another aspect fits inside the size asked for; with `crop` it fills it."""
    fitted = place(request(A3, picture=Size("", 300, 200)), 3000, 1500)
    assert fitted.picture_mm == pytest.approx((300, 150))
    cropped = place(request(A3, picture=Size("", 300, 200), fit="crop"), 3000, 1500)
    assert cropped.picture_mm == pytest.approx((300, 200))
    assert cropped.crop_px == pytest.approx((375, 0, 2625, 1500))


@pytest.mark.parametrize(
    ("sheet", "picture", "head", "foot"),
    [
        (A3, (300, 200), 97 / 2.2, 97 / 2.2 * 1.2),  # a fifth of the head more
        (A4, (250, 180), 12.5, 17.5),  # 30 mm to share: 5 mm more at least
        (A1, (400, 200), 184.5, 209.5),  # 394 mm to share: 25 mm more at most
        (A4, (290, 201), 3, 6),  # 9 mm to share: at most twice the head, or the picture would touch the edge
        (A4, (297, 210), 0, 0),
    ],
)
@pytest.mark.parametrize("roll", [False, True])
def test_weighted_round_an_exact_picture(
    sheet: Size, picture: tuple[int, int], head: float, foot: float, roll: bool
) -> None:
    """What the picture leaves of its sheet is shared by the weighted rule: heavier at the foot, left as right."""
    asked = request(sheet, Border("weighted"), picture=Size("", *picture))
    asked = replace(asked, feed="roll") if roll else asked
    placed = place(asked, picture[0] * 10, picture[1] * 10)
    trim = placed.trim_mm
    side = (sheet.long_mm - picture[0]) / 2
    assert placed.picture_mm == pytest.approx(picture)
    assert placed.borders_mm == pytest.approx((head + trim, side, foot + trim, side))


def test_weighted_round_an_exact_picture_that_stands_upright() -> None:
    """The foot is the picture's own: the same order for an upright picture weighs the foot of the upright sheet."""
    placed = place(request(A3, Border("weighted"), picture=Size("", 300, 200)), 2000, 3000)
    assert placed.borders_mm == pytest.approx((120 / 2.2, 48.5, 120 / 2.2 * 1.2, 48.5))


@given(spare=st.floats(0, 800), extra_width=st.floats(0, 300))
def test_weighted_shares_are_always_possible(spare: float, extra_width: float) -> None:
    """However little is left, both borders are there, the foot is never the lighter, and together they are what is left."""
    sheet = Size("sheet", 301 + extra_width + spare, 200 + spare)
    head, right, foot, left = place(
        request(sheet, Border("weighted"), picture=Size("", 300, 200)), 3000, 2000
    ).borders_mm
    assert -1e-9 <= head <= foot + 1e-9
    assert head + foot == pytest.approx(spare)
    assert left == pytest.approx(right)


def test_given_borders_round_an_exact_picture() -> None:
    """Borders that add up with the picture to the sheet are kept, each where it was asked for."""
    sides = (40, 80, 57, 40)
    placed = place(request(A3, Border("given", sides_mm=sides), picture=Size("", 300, 200)), 3000, 2000)
    assert placed.borders_mm == pytest.approx(sides)
    assert placed.picture_mm == pytest.approx((300, 200))
    with pytest.raises(
        DoesNotFitError, match=r"upright.*40 \+ 200 \+ 80 = 320 mm, and the sheet is 297 mm wide"
    ) as caught:
        place(request(A3, Border("given", sides_mm=sides), picture=Size("", 300, 200)), 2000, 3000)
    assert caught.value.do


def test_crop_by_hand() -> None:
    """Cropping takes the largest centred part of the box's aspect, and counts only its pixels as resolution."""
    placed = place(request(A3, Border("given", sides_mm=(23.5, 10, 23.5, 10)), fit="crop"), 6000, 4000)
    assert placed.picture_mm == pytest.approx((400, 250))  # 1.6 : 1
    assert placed.crop_px == pytest.approx((0, 125, 6000, 3875))
    assert placed.source_ppi == pytest.approx(6000 / 400 * MM)
    assert place(request(A3), 6000, 4000).crop_px == (0, 0, 6000, 4000)


def test_squares_leave_the_sheet_as_written() -> None:
    """A square does not turn the sheet, and sits in its middle."""
    for size in (A3, replace(A3, width_mm=420, height_mm=297)):
        placed = place(request(size, Border(width_mm=25)), 3000, 3000)
        assert placed.sheet_mm == (size.width_mm, size.height_mm)
        assert placed.picture_mm == pytest.approx((247, 247))
        assert abs(2 * placed.left_px + placed.picture_px[0] - placed.sheet_px[0]) <= 1
        assert abs(2 * placed.top_px + placed.picture_px[1] - placed.sheet_px[1]) <= 1


def test_panorama() -> None:
    """4:1 on A2 keeps its whole width: 526 × 131.5 mm between 34 mm borders."""
    placed = place(request(A2), 12000, 3000)
    assert placed.picture_mm == pytest.approx((526, 131.5))
    assert borders(placed) == [144.25, 34.0, 144.25, 34.0]


@pytest.mark.parametrize(
    ("asked", "width", "height", "words"),
    [
        (request(A4, Border(width_mm=105)), 3000, 2000, "as wide as the sheet"),
        (request(A4, Border(width_mm=101)), 3000, 2000, "8 mm for the picture"),
        (request(A3, Border(width_mm=25)), 100_000, 100, "0.4 mm for the picture"),
        (request(A4, picture=Size("", 300, 200)), 3000, 2000, "300 × 200 mm does not fit on A4"),
        (request(A4, picture=Size("", 297, 211)), 3000, 2000, "does not fit"),
    ],
)
def test_what_does_not_fit_says_so(asked: Request, width: int, height: int, words: str) -> None:
    """What cannot be placed is refused with numbers and with what would work."""
    with pytest.raises(DoesNotFitError, match=words) as caught:
        place(asked, width, height)
    assert caught.value.do.endswith(".")
    assert caught.value.says.endswith(".")


def test_a_picture_as_large_as_the_sheet_fits() -> None:
    """The limit itself is legal: a picture of 297 × 210 mm fills A4."""
    assert place(request(A4, picture=Size("", 297, 210)), 2970, 2100).picture_px == (4209, 2976)


@pytest.mark.parametrize("ppi", [240, 300, 360])
@pytest.mark.parametrize(("name", "width_mm", "height_mm", "px"), SHEETS, ids=[sheet[0] for sheet in SHEETS])
def test_sheet_pixels(name: str, width_mm: float, height_mm: float, px: dict[int, tuple[int, int]], ppi: int) -> None:
    """Every sheet of the reference table has the table's pixels, upright and across."""
    sheet = Size(name, width_mm, height_mm)
    none = Border("given", sides_mm=(0, 0, 0, 0))
    short, long = sorted(px[ppi])
    assert place(request(sheet, none, ppi=ppi), 2000, 3000).sheet_px == (short, long)
    assert place(request(sheet, none, ppi=ppi), 3000, 2000).sheet_px == (long, short)


sides = st.floats(0, 90).map(lambda mm: round(mm, 1))
any_border = st.one_of(
    st.just(Border()),
    st.builds(lambda mm: Border("even", width_mm=mm), sides),
    st.builds(lambda mm: Border("weighted", width_mm=mm), sides),
    st.builds(lambda t, r, b, left: Border("given", sides_mm=(t, r, b, left)), sides, sides, sides, sides),
)
any_sheet = st.builds(lambda w, h: Size("custom", round(w, 1), round(h, 1)), st.floats(90, 1600), st.floats(90, 1600))


def placed_or_not(asked: Request, width: int, height: int) -> Placement:
    """The placement; examples that do not fit are left to the test that is about them."""
    try:
        return place(asked, width, height)
    except DoesNotFitError:
        assume(condition=False)
        raise


@settings(max_examples=300, deadline=None, derandomize=True, database=None)
@given(any_sheet, any_border, st.integers(1, 20000), st.integers(1, 20000), st.sampled_from([180, 240, 300, 360, 720]))
def test_whole_pictures_anywhere(sheet: Size, border: Border, width: int, height: int, ppi: int) -> None:
    """Any picture lies whole on its sheet, undistorted within a pixel, of the largest size its border leaves."""
    placed = placed_or_not(request(sheet, border, ppi=ppi), width, height)
    (w, h), (sheet_w, sheet_h) = placed.picture_px, placed.sheet_px
    assert (sheet_w, sheet_h) == tuple(round(mm / MM * ppi) for mm in placed.sheet_mm)
    assert 0 <= placed.left_px <= sheet_w - w
    assert 0 <= placed.top_px <= sheet_h - h
    assert abs(w - placed.picture_mm[0] / MM * ppi) <= 0.51
    assert abs(h - placed.picture_mm[1] / MM * ppi) <= 0.51
    assert placed.picture_mm[0] / placed.picture_mm[1] == pytest.approx(width / height)
    assert placed.crop_px == (0, 0, width, height)
    assert min(placed.borders_mm) >= -1e-9
    for got, least in zip(placed.borders_mm, asked_sides(border, placed), strict=True):
        assert got >= least - 1e-6


def asked_sides(border: Border, placed: Placement) -> tuple[float, float, float, float]:
    """The borders that must be there at least: as given, or the width all round."""
    if border.sides_mm is not None:
        return border.sides_mm
    width = border.width_mm
    if width is None:
        width = max(15.0, round(0.08 * min(placed.sheet_mm)))
    return width, width, width, width


@settings(max_examples=200, deadline=None, derandomize=True, database=None)
@given(any_sheet, st.floats(0, 60), st.integers(10, 9000), st.integers(10, 9000), st.booleans())
def test_even_borders_are_centred(sheet: Size, border_mm: float, width: int, height: int, crop: bool) -> None:
    """With an even border the picture's centre is the sheet's, to half a pixel on both axes."""
    asked = request(sheet, Border(width_mm=border_mm), fit="crop" if crop else "whole")
    placed = placed_or_not(asked, width, height)
    for start, length, whole in zip((placed.left_px, placed.top_px), placed.picture_px, placed.sheet_px, strict=True):
        assert abs(start + length / 2 - whole / 2) <= 0.5


@settings(max_examples=200, deadline=None, derandomize=True, database=None)
@given(any_sheet, st.floats(0, 60), st.integers(10, 9000), st.integers(10, 9000))
def test_weighted_borders(sheet: Size, border_mm: float, width: int, height: int) -> None:
    """Weighted: left and right equal to half a pixel, the foot heavier by 5 to 25 mm."""
    placed = placed_or_not(request(sheet, Border("weighted", width_mm=border_mm)), width, height)
    head, right, foot, left = placed.borders_mm
    assert left == pytest.approx(right, abs=1e-6)
    assert 5 - 1e-6 <= foot - head <= 25 + 1e-6
    assert abs(placed.left_px + placed.picture_px[0] / 2 - placed.sheet_px[0] / 2) <= 0.5
    assert abs(placed.top_px - head / MM * placed.ppi) <= 1


@settings(max_examples=200, deadline=None, derandomize=True, database=None)
@given(any_sheet, any_border, st.integers(10, 9000), st.integers(10, 9000))
def test_crops_stay_inside_the_picture(sheet: Size, border: Border, width: int, height: int) -> None:
    """A crop is a centred part of the picture that touches two of its sides and has the printed aspect."""
    placed = placed_or_not(request(sheet, border, fit="crop"), width, height)
    left, top, right, bottom = placed.crop_px
    assert 0 <= left < right <= width + 1e-6
    assert 0 <= top < bottom <= height + 1e-6
    assert (left + right) / 2 == pytest.approx(width / 2)
    assert (top + bottom) / 2 == pytest.approx(height / 2)
    assert left == pytest.approx(0, abs=1e-6) or top == pytest.approx(0, abs=1e-6)
    assert (right - left) / (bottom - top) == pytest.approx(placed.picture_mm[0] / placed.picture_mm[1])


ROLL: dict[str, Any] = {"feed": "roll", "roll_mm": 610.0}


def asked(size: Size = A3, **more: Any) -> Request:
    """A print with 25 mm of border and what else is asked for."""
    return replace(request(size, Border("even", 25)), **more)


def test_a_roll_is_as_long_as_the_print_needs() -> None:
    """300 × 400 mm finished, 3:2 across: 350 × 233.3 mm of picture, 25 mm above and below, 10 mm trim at each end."""
    placed = place(asked(Size("custom", 300, 400), **ROLL), 3000, 2000)
    assert placed.picture_mm == pytest.approx((350, 350 / 1.5))
    assert placed.sheet_mm == pytest.approx((610, 350 / 1.5 + 50 + 20))
    assert placed.borders_mm == pytest.approx((35, 130, 35, 130))
    assert (placed.trim_mm, placed.turned) == (10, False)


def test_a_roll_of_unknown_width_is_as_wide_as_the_print() -> None:
    """Without `roll:` nothing is known of what lies beside the borders."""
    placed = place(asked(Size("custom", 300, 400), feed="roll"), 3000, 2000)
    assert placed.sheet_mm == pytest.approx((400, 350 / 1.5 + 50 + 20))
    assert placed.borders_mm == pytest.approx((35, 25, 35, 25))


def test_a_weighted_border_and_an_exact_picture_on_a_roll() -> None:
    """The foot is heavier by the rule (1.2 × 25 mm is 5 mm more); an exact picture keeps the borders of its size."""
    weighted = replace(request(Size("custom", 300, 400), Border("weighted", 25)), **ROLL)
    top, _, foot, _ = place(weighted, 3000, 2000).borders_mm
    assert (top, foot) == pytest.approx((35, 40))
    exact = replace(request(Size("custom", 300, 400), picture=Size("", 300, 200)), **ROLL)
    placed = place(exact, 3000, 2000)
    assert placed.picture_mm == pytest.approx((300, 200))
    assert placed.sheet_mm == pytest.approx((610, 200 + 2 * 50 + 20))


def test_what_is_wider_than_the_roll_is_refused_or_turned_if_asked() -> None:
    """Never turned to save paper unless asked; asked, it is turned where the length is shorter and it fits."""
    wide = asked(Size("custom", 700, 500), **ROLL)
    with pytest.raises(DoesNotFitError, match="700 mm wide; the roll is 610 mm") as error:
        place(wide, 3000, 2000)
    assert "turn: to-feed" in error.value.do
    turned = place(replace(wide, turn_to_feed=True), 3000, 2000)
    assert turned.turned
    assert turned.sheet_mm == pytest.approx((700 + 20, 610))
    assert turned.file_px == (turned.sheet_px[1], turned.sheet_px[0])
    upright = place(asked(Size("custom", 300, 400), turn_to_feed=True, **ROLL), 2000, 3000)
    assert upright.turned, "an upright print is shorter on its side"
    assert upright.sheet_mm[0] == pytest.approx(350 / 1.5 + 50 + 20)
    across = place(asked(Size("custom", 300, 400), turn_to_feed=True, **ROLL), 3000, 2000)
    assert not across.turned


@pytest.mark.parametrize(
    ("feed", "width", "height", "turned"),
    [
        ("long-edge", 3000, 2000, False),
        ("long-edge", 2000, 3000, True),
        ("short-edge", 3000, 2000, True),
        ("short-edge", 2000, 3000, False),
    ],
)
def test_pixels_turn_to_the_feed_only_where_asked(feed: Any, width: int, height: int, turned: bool) -> None:
    """The edge that goes in first is the file's top edge; without `turn: to-feed` the file is as looked at."""
    wanted = asked(feed=feed, turn_to_feed=True)
    placed = place(wanted, width, height)
    assert placed.turned is turned
    assert (placed.file_px[0] > placed.file_px[1]) == (feed == "long-edge")
    assert place(replace(wanted, turn_to_feed=False), width, height) == replace(placed, turned=False)


def test_picture_only_has_no_border() -> None:
    """The file is the picture at its size on the sheet asked for, on a roll too."""
    ways: tuple[dict[str, Any], ...] = ({}, ROLL)
    for more in ways:
        whole, only = place(asked(**more), 3000, 2000), place(asked(sheet="picture-only", **more), 3000, 2000)
        assert only.picture_px == whole.picture_px == only.sheet_px
        assert only.sheet_mm == only.picture_mm == whole.picture_mm
        assert only.borders_mm == (0, 0, 0, 0)
        assert (only.left_px, only.top_px, only.trim_mm) == (0, 0, 0)


def test_a_hairline_needs_room() -> None:
    """0.2 mm at 360 ppi is 3 px; without a border there is no place for it."""
    assert place(asked(hairline_mm=0.2), 3000, 2000).hairline_px == 3
    assert place(asked(hairline_mm=0.05, ppi=100), 3000, 2000).hairline_px == 1
    with pytest.raises(DoesNotFitError, match="no room for a hairline"):
        place(asked(hairline_mm=0.2, sheet="picture-only"), 3000, 2000)


@settings(max_examples=150, deadline=None, derandomize=True, database=None)
@given(
    st.floats(120, 900), st.floats(120, 900), st.floats(0, 40), st.integers(200, 9000), st.integers(200, 9000),
    st.sampled_from(["even", "weighted"]), st.booleans(), st.one_of(st.just(0.0), st.floats(300, 1200)), st.sampled_from([240, 300, 360]),
)  # fmt: skip
def test_a_roll_adds_up(
    width: float, height: float, border: float, across: int, down: int, style: Any, turn: bool, roll: float, ppi: int
) -> None:
    """Border, picture and border are the sheet; the picture is centred across the roll; one side is the roll's width."""
    wanted = replace(
        request(Size("custom", width, height), Border(style, border), ppi=ppi),
        feed="roll",
        roll_mm=roll,
        turn_to_feed=turn,
    )
    try:
        placed = place(wanted, across, down)
    except DoesNotFitError:
        return
    top, right, foot, left = placed.borders_mm
    assert placed.sheet_mm == pytest.approx((left + placed.picture_mm[0] + right, top + placed.picture_mm[1] + foot))
    sides, middle = ((top, foot), (left, right)) if placed.turned else ((left, right), (top, foot))
    if style == "even":
        assert sides[0] == pytest.approx(sides[1])
    assert min(middle) >= 10 - 1e-9
    if roll:
        assert placed.sheet_mm[1 if placed.turned else 0] == pytest.approx(roll)
    assert placed.sheet_px == tuple(round(mm / MM * ppi) for mm in placed.sheet_mm)
    assert 0 <= placed.left_px <= placed.sheet_px[0] - placed.picture_px[0]
    assert 0 <= placed.top_px <= placed.sheet_px[1] - placed.picture_px[1]


def test_a_foot_line_stands_at_the_foot() -> None:
    """From the picture's left side on, its capitals 6 to 8 mm above the sheet's edge, whatever the sheet."""
    for width, height in ((3000, 2000), (2000, 3000)):
        found = place(Request("rag", A3, foot_line_mm=2.0), width, height)
        line = found.foot_line
        assert line is not None
        assert (line.left_px, line.width_px) == (found.left_px, found.picture_px[0])
        assert (found.sheet_px[1] - line.baseline_px) / 360 * MM == pytest.approx(6, abs=0.1)
        assert line.height_px / 360 * MM == pytest.approx(2, abs=0.04)
    assert place(request(), 3000, 2000).foot_line is None


def test_a_foot_line_on_a_roll_counts_from_where_it_is_cut() -> None:
    """10 mm of trim lie below the finished piece."""
    found = place(Request("rag", A3, foot_line_mm=2.0, feed="roll", roll_mm=610.0), 3000, 2000)
    assert found.foot_line is not None
    assert (found.sheet_px[1] - found.foot_line.baseline_px) / 360 * MM == pytest.approx(16, abs=0.1)


def test_a_foot_line_leaves_room_for_the_pencil() -> None:
    """15 mm under the picture and 8 mm for the line: 23 mm fit, less is refused; a picture alone has no line."""
    room = Border("given", None, (20.0, 20.0, 23.0, 20.0))
    tight = replace(room, sides_mm=(20.0, 20.0, 22.9, 20.0))
    tall = (2000, 3200)  # fills the height
    assert place(Request("rag", A3, border=room, foot_line_mm=2.0), *tall).foot_line is not None
    with pytest.raises(DoesNotFitError, match="foot line"):
        place(Request("rag", A3, border=tight, foot_line_mm=2.0), *tall)
    assert place(Request("rag", A3, border=tight, foot_line_mm=2.0, sheet="picture-only"), *tall).foot_line is None
