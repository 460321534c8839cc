"""What size and layers say beside their levels: enlarged, cropped, turned; and the first lines of reasons."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from printqueue.core.model.finding import Level
from printqueue.core.model.measures import Measurements, Word, YesNo
from printqueue.core.model.paper import Margins, PaperFacts, Surface
from printqueue.core.model.picture import PictureFacts
from printqueue.core.model.request import Border, Request
from printqueue.core.model.subject import Subject
from printqueue.core.units import Size
from printqueue.imaging.render.plan import place
from printqueue.judging.checks.layers import LayersLimits
from printqueue.judging.checks.layers import judge as judge_layers
from printqueue.judging.checks.profile import ProfileLimits
from printqueue.judging.checks.profile import judge as judge_profile
from printqueue.judging.checks.size import SizeLimits
from printqueue.judging.checks.size import judge as judge_size

A3 = Size("A3", 297, 420)
PAPER = PaperFacts(
    "rag", "Rag", Surface.SMOOTH_MATTE, (96, 0, 0), (17, 0, 0), (A3,), "p.icc", profile_is_demonstration=False
)
PICTURE = PictureFacts("TIFF", 6000, 4000, 16, "rgb")


def subject(
    picture: PictureFacts = PICTURE, request: Request | None = None, measured: Measurements | None = None
) -> Subject:
    """A picture on A3."""
    request = request or Request("rag", A3)
    placed = place(request, picture.width_px, picture.height_px)
    return Subject(picture, PAPER, request, placed, measured or {})


def test_enlarged_is_said_and_no_fault() -> None:
    """4000 px over 372 mm are 273 ppi of their own and 360 in the file: 1.32 times. With pixels enough, no word."""
    small = judge_size(subject(replace(PICTURE, width_px=4000, height_px=2667)), SizeLimits())
    assert small.level is Level.PASS
    assert small.says.endswith(" Enlarged 1.32 times, from 273 ppi of its own to 360.")
    assert "nlarged" not in judge_size(subject(), SizeLimits()).says


@pytest.mark.parametrize(("width", "height"), [(12000, 2000), (2000, 12000), (5000, 5000)])
def test_no_shape_is_a_fault(width: int, height: int) -> None:
    """Panoramas, across and upright, and squares pass."""
    assert judge_size(subject(replace(PICTURE, width_px=width, height_px=height)), SizeLimits()).level is Level.PASS


def test_cropped_only_where_asked_for() -> None:
    """`fit: crop` of 3:1 onto A3 leaves out about half of the picture, and says so; `fit: whole` leaves out nothing."""
    wide = replace(PICTURE, width_px=9000, height_px=3000)
    asked = judge_size(subject(wide, Request("rag", A3, fit="crop")), SizeLimits())
    kept = place(Request("rag", A3, fit="crop"), 9000, 3000).crop_px
    left_out = 100 * (1 - (kept[2] - kept[0]) / 9000)
    assert asked.level is Level.PASS
    assert f"Cropped as you asked (fit: crop): {left_out:.1f} % of the picture is left out." in asked.says
    assert "ropped" not in judge_size(subject(wide), SizeLimits()).says


@pytest.mark.parametrize(
    ("tag", "words"),
    [(1, "One flat picture."), (3, "upside down"), (6, "to the right"), (8, "to the left")],
)
def test_turns_are_obeyed_and_said(tag: int, words: str) -> None:
    """EXIF 2.32 tag 274: 3 is half a turn, 6 a quarter to the right, 8 a quarter to the left; none is a fault."""
    finding = judge_layers(subject(replace(PICTURE, orientation=tag)), LayersLimits())
    assert finding.level is Level.PASS
    assert words in finding.says


@pytest.mark.parametrize("tag", [2, 4, 5, 7])
def test_mirrored_is_warned(tag: int) -> None:
    """The four tags that mirror are obeyed, with a warning."""
    finding = judge_layers(subject(replace(PICTURE, orientation=tag)), LayersLimits())
    assert (finding.level, finding.measured) == (Level.WARN, "mirrored")
    assert "obeyed" in finding.says


def test_headlines_of_their_own() -> None:
    """Where the check's own headline says too little, the finding brings a better one."""
    assert (
        judge_layers(subject(measured={YesNo.LAYERS_TRANSPARENT: "yes"}), LayersLimits()).headline
        == "is partly transparent"
    )
    said = {
        state: judge_profile(subject(measured={Word.PROFILE_STATE: state}), ProfileLimits()).headline
        for state in ("missing", "unreadable", "printer", "fine")
    }
    assert said == {
        "missing": "has no colour profile",
        "unreadable": "has a colour profile that cannot be used",
        "printer": "is already converted for a printer",
        "fine": "",
    }


def narrow(width_mm: float, **more: Any) -> Subject:
    """A picture with this border on a deckled sheet."""
    request = Request("rag", A3, border=Border(width_mm=width_mm), **more)
    return replace(subject(request=request), paper=replace(PAPER, deckled=True))


def test_a_deckled_sheet_wants_a_wide_border() -> None:
    """Under 20 mm is a warning with the number, 20 mm is none; on a cut edge it is none either."""
    found = judge_size(narrow(19), SizeLimits())
    assert (found.level, found.measured, found.limit, found.unit) == (Level.WARN, 19, 20, "mm")
    assert judge_size(narrow(20), SizeLimits()).level is Level.PASS
    assert judge_size(replace(narrow(19), paper=PAPER), SizeLimits()).level is Level.PASS


def test_a_picture_alone_is_inside_no_margin() -> None:
    """Where it comes to lie is decided elsewhere; on a sheet without border it is a warning."""
    assert judge_size(narrow(0, sheet="picture-only"), SizeLimits()).level is Level.PASS
    assert judge_size(narrow(0), SizeLimits()).level is Level.WARN


@pytest.mark.parametrize(
    ("width", "height", "feed", "warned"),
    [
        (6000, 4000, "long-edge", True),  # across: head and foot lie at the sheet's ends
        (4000, 6000, "long-edge", False),
        (6000, 4000, "short-edge", False),
        (4000, 6000, "short-edge", True),
        (6000, 4000, "roll", True),
    ],
)
def test_head_and_foot_of_the_feed(width: int, height: int, feed: Any, warned: bool) -> None:
    """25 mm at the ends and 3 mm at the sides, on borders of 10 mm at head and foot and 30 mm at the sides of the picture."""
    asked = Request("rag", A3, border=Border("given", None, (10.0, 30.0, 10.0, 30.0)), feed=feed)
    one = subject(replace(PICTURE, width_px=width, height_px=height), asked)
    assert one.placement is not None
    placed = replace(one.placement, borders_mm=(10.0, 30.0, 10.0, 30.0))
    found = judge_size(
        replace(one, placement=placed, paper=replace(PAPER, margins=Margins(ends_mm=25, sides_mm=3))), SizeLimits()
    )
    assert (found.level is Level.WARN) == warned
    if warned:
        assert (found.measured, found.limit, found.unit) == (10, 25, "mm")


def test_a_foot_line_that_the_printer_cannot_reach() -> None:
    """Its letters stand 5.2 mm from the edge: inside a margin of 3 mm no word, inside one of 6 mm a warning that names it."""
    one = subject(request=Request("rag", A3, foot_line_mm=2.0))
    assert judge_size(one, SizeLimits()).level is Level.PASS
    found = judge_size(replace(one, paper=replace(PAPER, margins=Margins(6, 6))), SizeLimits())
    assert (found.level, found.measured, found.limit) == (Level.WARN, 5.2, 6)
    assert "foot line" in found.says
    assert "foot_line: off" in found.do
