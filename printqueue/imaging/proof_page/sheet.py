"""The layout of a proof picture: an A4 page at 200 ppi, read from top to bottom, on a phone too.

The ground is a neutral grey of L* 70, within the 10 % to 60 % reflectance that ISO 3664:2009 requires of a surround for
appraising prints (from memory). White surrounds only the two small pictures at the head. The picture on its paper's own
white stands alone at the foot, and nothing outside the white fields and the pictures is lighter than L* 90.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from printqueue.imaging.jobs import Marked, ProofWords
from printqueue.imaging.proof_page import histogram, shapes
from printqueue.imaging.proof_page.histogram import Lights
from printqueue.imaging.proof_page.page import Box, Colour, ProofPage, line_px, mixed
from printqueue.imaging.proof_page.shapes import ORANGE, Shape

Pixels = NDArray[np.uint8]
PAGE_PX, PAGE_PPI = (1654, 2339), 200  # A4 (ISO 216)
_RIM, _GAP = 64, 46
_WIDE = PAGE_PX[0] - 2 * _RIM
_COLUMN = (_WIDE - _GAP) // 2
_ROOM_PX = (_COLUMN, 470)  # for the picture, in one column
CROP_PX = (_COLUMN, 330)
LARGEST_PX = (_WIDE, 545)  # no pane shows the picture larger than this

_GROUND: Colour = (171, 171, 171)  # L* 70
_WHITE: Colour = (255, 255, 255)
_TEXT: Colour = (28, 28, 28)
_BAND_TEXT: Colour = (226, 226, 226)
_EDGE: Colour = (214, 214, 214)  # of a sheet hanging on white
_PALE: Colour = (190, 190, 190)
_TITLE, _CAPTION, _SMALL = 42, 25, 21  # cap heights, px
_MARK_PX = 44
_SHORTEST = 240  # least height of a pane, px: for panoramas
_BAND_PX = 62
_HANG = 0.62  # the sheet's share of the white field
_BARE_RIM = 0.06  # paper white around a picture without a border

SHAPES = {
    "oversharpening": shapes.RING,
    "contrast": shapes.TRIANGLE,
    "gamut": shapes.DIAMOND,
    "clipping": shapes.SQUARE,
}


@dataclass(frozen=True, slots=True)
class Crop:
    """A part of the print, pixel for pixel; `ten_mm`: pixels per 10 mm of the print; `chosen`: why this part."""

    pixels: Pixels
    ten_mm: float
    chosen: str


@dataclass(frozen=True, slots=True)
class OnSheet:
    """Where the picture lies on its sheet, in mm, as viewed."""

    sheet: tuple[float, float]
    picture: tuple[float, float]
    corner: tuple[float, float]  # left, top


@dataclass(frozen=True, slots=True)
class Shown:
    """The picture as the paper shows it: `tones`, `paper` sRGB (h, w, 3) of equal size; `white`: bare paper in sRGB."""

    tones: Pixels
    paper: Pixels
    white: Colour
    on_sheet: OnSheet
    lights: Lights
    marked: tuple[Marked, ...]
    crop: Crop | None


def compose(words: ProofWords, shown: Shown | None) -> Pixels:
    """The whole page, (H, W, 3) uint8 sRGB. Without a picture, only its words."""
    page = ProofPage(*PAGE_PX, _GROUND)
    top = _head(page, words)
    if shown is None:
        page.paragraph(
            words.unseen, _RIM, top + 2 * line_px(_CAPTION), height=_CAPTION, colour=_TEXT, room=_WIDE, max_lines=6
        )
        return page.pixels
    top = _hanging(page, shown, top)
    top = _tones_and_places(page, shown, top)
    top = _lightness_and_crop(page, shown, top)
    _on_paper(page, shown, top)
    return page.pixels


def thumbnail(shown: Shown, side: int) -> Pixels:
    """The print as the paper shows it, its longer side `side` pixels."""
    return _reduced(shown.tones, Box(0, 0, side, side))


def _shape(marked: Marked) -> Shape:
    """The check's mark; checks without their own share one."""
    return SHAPES.get(marked.check, shapes.CROSSED)


def _head(page: ProofPage, words: ProofWords) -> int:
    """Draw the band, title, print and verdict; return the row below them."""
    top = 0
    if words.demonstration:
        page.fill(Box(0, 0, PAGE_PX[0], _BAND_PX), ORANGE)
        page.words(
            words.demonstration, _RIM, (_BAND_PX + _CAPTION) // 2, height=_CAPTION, colour=_BAND_TEXT, room=_WIDE
        )
        top = _BAND_PX
    baseline = top + 48 + _TITLE
    page.words(words.title, _RIM, baseline, height=_TITLE, colour=_TEXT, room=_WIDE)
    baseline += line_px(_CAPTION) + 8
    page.words(words.print, _RIM, baseline, height=_CAPTION, colour=_TEXT, room=_WIDE)
    baseline += line_px(_CAPTION)
    baseline = page.paragraph(words.verdict, _RIM, baseline, height=_CAPTION, colour=_TEXT, room=_WIDE, max_lines=2)
    for line in (*words.found, words.assumed):
        if line:
            baseline = page.paragraph(line, _RIM, baseline, height=_SMALL, colour=_TEXT, room=_WIDE, max_lines=2)
    return baseline - line_px(_SMALL) + 34


def _columns(top: int, height: int) -> tuple[Box, Box]:
    return Box(_RIM, top, _COLUMN, height), Box(_RIM + _COLUMN + _GAP, top, _COLUMN, height)


def _caption(page: ProofPage, box: Box, text: str) -> int:
    """Set one line under a box; return the row below it."""
    page.words(text, box.left, box.foot + 14 + _SMALL, height=_SMALL, colour=_TEXT, room=box.width)
    return box.foot + 14 + line_px(_SMALL)


def _hanging(page: ProofPage, shown: Shown, top: int) -> int:
    """Draw the print small on white, as it would hang, and the picture upside down."""
    left, right = _columns(top, 345)
    for box in (left, right):
        page.fill(box, _WHITE)
    room = left.centred(round(left.width * _HANG), round(left.height * 0.8))
    sheet, picture = _sheet_in(room, shown.on_sheet)
    page.frame(sheet, _EDGE, 2)
    page.put(_resized(shown.tones, picture.width, picture.height), picture.left, picture.top)
    turned = _reduced(np.ascontiguousarray(shown.tones[::-1, ::-1]), right.inside(40))
    at = right.centred(turned.shape[1], turned.shape[0])
    page.put(turned, at.left, at.top)
    _caption(page, left, "Small on white, as it would hang")
    return _caption(page, right, "Upside down: does it balance?") + 10


def _tones_and_places(page: ProofPage, shown: Shown, top: int) -> int:
    tones = _reduced(shown.tones, Box(0, 0, *_ROOM_PX))
    left, right = _columns(top, max(tones.shape[0], _SHORTEST))
    at = left.centred(tones.shape[1], tones.shape[0])
    page.put(tones, at.left, at.top)
    pale = mixed(np.repeat(tones.mean(axis=2, keepdims=True), 3, axis=2).astype(np.uint8), _PALE, 0.62)
    where = right.centred(pale.shape[1], pale.shape[0])
    page.put(pale, where.left, where.top)
    _marks(page, where, shown.marked)
    _caption(page, left, "Tones only: the screen's white, the paper's black")
    return _legend(page, right, shown.marked) + 10


def _marks(page: ProofPage, where: Box, marked: Sequence[Marked]) -> None:
    """Draw milder faults first so that the worst ends up on top; within one fault, the worst place last."""
    for one in reversed(marked):
        for place in reversed(one.places):
            x, y = place.centre
            shapes.mark(
                page, _shape(one), (where.left + round(x * where.width), where.top + round(y * where.height)), _MARK_PX
            )


def _legend(page: ProofPage, box: Box, marked: Sequence[Marked]) -> int:
    if not marked:
        return _caption(page, box, "Nothing to mark: nothing found has a place of its own")
    baseline, left = box.foot + 14 + _SMALL, box.left
    for one in marked:
        wide = _SMALL + 90 + round(len(one.called) * _SMALL * 0.85)
        if left > box.left and left + wide > box.right:
            left, baseline = box.left, baseline + line_px(_SMALL) + 4
        shapes.mark(page, _shape(one), (left + 14, baseline - _SMALL // 2), 26)
        left = page.words(one.called, left + 42, baseline, height=_SMALL, colour=_TEXT, room=box.right - left - 42) + 34
    return baseline + line_px(_SMALL) - _SMALL


def _lightness_and_crop(page: ProofPage, shown: Shown, top: int) -> int:
    left, right = _columns(top, CROP_PX[1])
    histogram.draw(page, left, shown.lights)
    _caption(page, left, "Lightness: grey as delivered, blue on the paper")
    if shown.crop is None:
        page.paragraph(
            "No part at the scale of the print: its size is not settled.",
            right.left,
            right.top + 60,
            height=_SMALL,
            colour=_TEXT,
            room=right.width,
            max_lines=3,
        )
        return right.foot + 14 + line_px(_SMALL) + 10
    crop = shown.crop
    at = page.put(crop.pixels[: right.height, : right.width], right.left, right.top)
    ruler = min(round(crop.ten_mm), right.width - 40)
    _ruler(page, at, ruler)
    return _caption(page, right, f"{crop.chosen}, pixel for pixel") + 10


def _ruler(page: ProofPage, on: Box, length: int) -> None:
    """Draw 10 mm of the print at the foot of the part shown."""
    if on.height < 80 or on.width < length + 140:
        return
    plate = Box(on.left, on.foot - 46, length + 140, 46)
    page.fill(plate, _GROUND)
    left, middle = plate.left + 12, plate.top + 24
    page.fill(Box(left, middle - 2, length, 4), _TEXT)
    for x in (left, left + length - 4):
        page.fill(Box(x, middle - 12, 4, 24), _TEXT)
    page.words("10 mm", left + length + 14, middle + _SMALL // 2, height=_SMALL, colour=_TEXT, room=120)


def _on_paper(page: ProofPage, shown: Shown, top: int) -> None:
    """Draw the whole sheet in the paper's own white, below everything else so that nothing whiter is beside it."""
    foot = PAGE_PX[1] - _RIM // 2 - line_px(_SMALL)
    box = Box(_RIM, top + 20, _WIDE, max(120, foot - top - 20))
    sheet, picture = _sheet_in(box, shown.on_sheet)
    page.fill(sheet, shown.white)
    page.put(_resized(shown.paper, picture.width, picture.height), picture.left, picture.top)
    _caption(page, box, "On the paper's own white: cover what is lighter, and let the eye settle")


def _sheet_in(box: Box, on_sheet: OnSheet) -> tuple[Box, Box]:
    """The sheet, centred and as large as the box allows, and the picture on it."""
    wide, high = on_sheet.sheet
    left_mm, top_mm = on_sheet.corner
    if (wide, high) == on_sheet.picture:
        spare = _BARE_RIM * max(on_sheet.picture)
        wide, high, left_mm, top_mm = wide + 2 * spare, high + 2 * spare, spare, spare
    scale = min(box.width / wide, box.height / high)
    sheet = box.centred(max(1, int(wide * scale)), max(1, int(high * scale)))
    size = [max(1, round(side * scale)) for side in on_sheet.picture]
    left, top = sheet.left + round(left_mm * scale), sheet.top + round(top_mm * scale)
    return sheet, Box(left, top, min(size[0], sheet.right - left), min(size[1], sheet.foot - top))


def _reduced(picture: Pixels, box: Box) -> Pixels:
    """Reduce the picture to fit the box, never enlarging it."""
    height, width = picture.shape[:2]
    scale = min(1.0, box.width / width, box.height / height)
    return _resized(picture, max(1, round(width * scale)), max(1, round(height * scale)))


def _resized(picture: Pixels, width: int, height: int) -> Pixels:
    return np.asarray(Image.fromarray(picture).resize((width, height), Image.Resampling.LANCZOS), np.uint8)
