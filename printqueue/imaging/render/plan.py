"""Where the picture goes on the sheet. All the decisions, no pixels.

Borders (common practice, no source): 8 % of the sheet's short side, at least 15 mm.
`even` keeps that width on the tight axis and splits the rest equally; `weighted`
makes the foot 1.2 × the top, but 5 to 25 mm more. Around a picture of an exact size the same
rules share out the rest of the sheet. A roll is cut to length: borders, picture, and 10 mm
of waste at each end. A foot line lies within 8 mm of the sheet's foot and leaves 15 mm
under the picture free for a pencil.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from printqueue.core.model import borders
from printqueue.core.model.request import Border, FootLine, Placement, Request
from printqueue.core.units import MM_PER_INCH, Size, number_text, pixels

_BORDER_SHARE, _MIN_BORDER_MM = 0.08, 15.0
_MIN_PICTURE_MM = 10.0
_TRIM_MM = 10.0
_FOOT_LINE_MM = 8.0  # from the sheet's foot up: the zone for letters and marks
_PENCIL_MM = 15.0  # under the picture, free for title and signature
_ROUNDING_MM = 1e-6


class DoesNotFitError(ValueError):
    """The picture cannot be placed on this sheet as asked; `do` says what would work."""

    def __init__(self, says: str, do: str) -> None:
        super().__init__(says)
        self.says = says
        self.do = do


@dataclass(frozen=True, slots=True)
class _Box:
    """Where the picture may lie, and how spare height is shared; `exact`: this is the size that was asked for."""

    left: float
    top: float
    width: float
    height: float
    weighted: bool = False
    exact: bool = False


def place(request: Request, width_px: int, height_px: int) -> Placement:
    """Place a picture of `width_px` × `height_px` source pixels. Raises `DoesNotFitError`."""
    sheet = _turned_sheet(request.size, width_px, height_px)
    box = _box(sheet, request)
    crop = _crop(width_px, height_px, box) if request.fit == "crop" else (0.0, 0.0, float(width_px), float(height_px))
    picture_mm = _fit((crop[2] - crop[0]) / (crop[3] - crop[1]), box)
    if min(picture_mm) < _MIN_PICTURE_MM:
        raise DoesNotFitError(
            f"The border leaves {number_text(min(picture_mm))} mm for the picture on {request.size.name}.",
            "Ask for a narrower border or a larger sheet.",
        )
    laid = _OnSheet(sheet, picture_mm, _corner(sheet, picture_mm, box))
    laid = _on_roll(laid, request, box) if request.feed == "roll" else _fed(laid, request)
    if request.sheet == "picture-only":
        only = Size("picture", *picture_mm)
        laid = replace(laid, sheet=only, corner_mm=(0.0, 0.0), trim_mm=0.0, cut_mm=(0.0, 0.0))
    placed = _with_hairline(_to_pixels(laid, crop, request.ppi), request)
    return _with_foot_line(placed, laid, request)


@dataclass(frozen=True, slots=True)
class _OnSheet:
    """Where the picture lies on a sheet, as viewed."""

    sheet: Size
    picture_mm: tuple[float, float]
    corner_mm: tuple[float, float]  # left and top of the picture
    turned: bool = False
    trim_mm: float = 0.0
    cut_mm: tuple[float, float] = (0.0, 0.0)  # of the roll, cut off at left and right, at top and foot


def _fed(laid: _OnSheet, request: Request) -> _OnSheet:
    """Turn a sheet's pixels if the edge to be fed first is not the file's top edge."""
    upright = laid.sheet.height_mm > laid.sheet.width_mm
    square = laid.sheet.height_mm == laid.sheet.width_mm
    wrong = not square and upright == (request.feed == "long-edge")
    return replace(laid, turned=request.turn_to_feed and wrong)


def _on_roll(laid: _OnSheet, request: Request, box: _Box) -> _OnSheet:
    """Lay the finished piece across a roll, as short as its borders allow; turn it only if asked to."""
    left, top, right, foot = _finished_borders(laid, request, box)
    piece = left + laid.picture_mm[0] + right, top + laid.picture_mm[1] + foot
    fits, fits_turned = (side <= (request.roll_mm or side) + _ROUNDING_MM for side in piece)
    turned = request.turn_to_feed and fits_turned and (not fits or piece[0] < piece[1])
    if not fits and not turned:
        other = " It would fit turned (printer: turn: to-feed)." if fits_turned else ""
        raise DoesNotFitError(
            f"With its borders the print is {number_text(piece[0])} mm wide; the roll is {number_text(request.roll_mm)} mm.",
            f"Ask for a smaller size in the order, or load a wider roll.{other}",
        )
    spare = max(0.0, request.roll_mm - piece[turned]) / 2 if request.roll_mm else 0.0  # on either side of the piece
    extra = (_TRIM_MM, spare) if turned else (spare, _TRIM_MM)
    sheet = Size(laid.sheet.name, piece[0] + 2 * extra[0], piece[1] + 2 * extra[1])
    return replace(
        laid, sheet=sheet, corner_mm=(left + extra[0], top + extra[1]), turned=turned, trim_mm=_TRIM_MM, cut_mm=extra
    )


def _finished_borders(laid: _OnSheet, request: Request, box: _Box) -> tuple[float, float, float, float]:
    """Left, top, right and foot border of the cut piece: as asked for, or what an exact picture leaves of its size."""
    if request.picture is None:
        top, right, foot, left = _sides(laid.sheet, request.border)
        return left, top, right, foot
    return (
        box.left,
        box.top,
        laid.sheet.width_mm - box.left - box.width,
        laid.sheet.height_mm - box.top - box.height,
    )


def _with_hairline(place: Placement, request: Request) -> Placement:
    """Add a line just outside the picture if the border has room for it."""
    if not request.hairline_mm:
        return place
    wide = max(1, pixels(request.hairline_mm, request.ppi))
    room = (
        place.left_px,
        place.top_px,
        place.sheet_px[0] - place.left_px - place.picture_px[0],
        place.sheet_px[1] - place.top_px - place.picture_px[1],
    )
    if min(room) < wide:
        raise DoesNotFitError(
            f"The border has no room for a hairline of {number_text(request.hairline_mm, 2)} mm around the picture.",
            "Ask for a wider border, or hairline: off in the order.",
        )
    return replace(place, hairline_px=wide)


def _with_foot_line(place: Placement, laid: _OnSheet, request: Request) -> Placement:
    """Add a line of text at the sheet's foot, from the picture's left side on; a borderless file has no room for it."""
    if not request.foot_line_mm or request.sheet == "picture-only":
        return place
    foot = place.borders_mm[2] - laid.cut_mm[1]
    if foot < _FOOT_LINE_MM + _PENCIL_MM - _ROUNDING_MM:
        raise DoesNotFitError(
            f"The border at the picture's foot, {number_text(foot)} mm, has no room for a foot line: {number_text(_PENCIL_MM)} mm "
            f"under the picture stay free, and the line stands within {number_text(_FOOT_LINE_MM)} mm of the sheet's edge.",
            f"Ask for a border of {number_text(_FOOT_LINE_MM + _PENCIL_MM)} mm or more at the foot, or foot_line: off in the order.",
        )
    from_edge_mm = laid.cut_mm[1] + _FOOT_LINE_MM - request.foot_line_mm
    line = FootLine(
        left_px=place.left_px,
        baseline_px=pixels(place.sheet_mm[1] - from_edge_mm, place.ppi),
        width_px=place.picture_px[0],
        height_px=max(1, pixels(request.foot_line_mm, place.ppi)),
    )
    return replace(place, foot_line=line)


def default_border_mm(sheet: Size) -> float:
    """The border of a sheet that specifies none: 8 % of its short side, at least 15 mm."""
    return max(_MIN_BORDER_MM, round(_BORDER_SHARE * sheet.short_mm))


def _turned_sheet(sheet: Size, width_px: int, height_px: int) -> Size:
    """Turn the sheet with the picture; for a square picture it stays as written."""
    return sheet if width_px == height_px else sheet.turned(landscape=width_px > height_px)


def _box(sheet: Size, request: Request) -> _Box:
    if request.picture is not None:
        return _exact_box(sheet, request.picture, request.border)
    top, right, bottom, left = _sides(sheet, request.border)
    width, height = sheet.width_mm - left - right, sheet.height_mm - top - bottom
    if width <= 0 or height <= 0:
        raise DoesNotFitError(
            f"The border is as wide as the sheet {request.size.name}.", "Ask for a narrower border or a larger sheet."
        )
    return _Box(left, top, width, height, weighted=request.border.style == "weighted")


def _exact_box(sheet: Size, picture: Size, border: Border) -> _Box:
    landscape = sheet.width_mm > sheet.height_mm
    wanted = picture.turned(landscape=landscape) if sheet.width_mm != sheet.height_mm else picture
    if wanted.width_mm > sheet.width_mm + 1e-6 or wanted.height_mm > sheet.height_mm + 1e-6:
        raise DoesNotFitError(
            f"A picture of {number_text(wanted.width_mm)} × {number_text(wanted.height_mm)} mm does not fit on "
            f"{sheet.name} ({number_text(sheet.width_mm)} × {number_text(sheet.height_mm)} mm).",
            "Choose a larger sheet (size:) or a smaller picture (picture:) in the order.",
        )
    if border.sides_mm is not None:
        return _given_box(sheet, wanted, border.sides_mm)
    weighted = border.style == "weighted"
    left, spare = (sheet.width_mm - wanted.width_mm) / 2, sheet.height_mm - wanted.height_mm
    top = borders.head_round_exact(spare) if weighted else spare / 2
    return _Box(left, top, wanted.width_mm, wanted.height_mm, weighted=weighted, exact=True)


def _given_box(sheet: Size, wanted: Size, sides: borders.Sides) -> _Box:
    """The box for given sides, which add up for an upright or for a landscape picture, seldom for both."""
    if said := borders.sums(sheet, wanted, sides):
        stands = "stands upright" if sheet.height_mm > sheet.width_mm else "lies across"
        raise DoesNotFitError(
            f"The picture {stands}, and so it and its borders do not make up {sheet.name}: {said}.",
            "Change the border or the picture size in the order, or leave out one of them.",
        )
    top, _, _, left = sides
    return _Box(left, top, wanted.width_mm, wanted.height_mm, exact=True)


def _sides(sheet: Size, border: Border) -> tuple[float, float, float, float]:
    if border.sides_mm is not None:
        return border.sides_mm
    width = default_border_mm(sheet) if border.width_mm is None else border.width_mm
    foot = width + borders.foot_extra(width) if border.style == "weighted" else width
    return width, width, foot, width


def _fit(aspect: float, box: _Box) -> tuple[float, float]:
    """Largest width and height in mm with that aspect inside the box."""
    width = min(box.width, box.height * aspect)
    return width, width / aspect


def _crop(width_px: int, height_px: int, box: _Box) -> tuple[float, float, float, float]:
    """The largest centred part of the picture with the box's aspect."""
    aspect = box.width / box.height
    used_w, used_h = min(width_px, height_px * aspect), min(height_px, width_px / aspect)
    left, top = (width_px - used_w) / 2, (height_px - used_h) / 2
    return left, top, left + used_w, top + used_h


def _corner(sheet: Size, picture_mm: tuple[float, float], box: _Box) -> tuple[float, float]:
    """Left and top of the picture in mm."""
    left = box.left + (box.width - picture_mm[0]) / 2
    if not box.weighted:
        return left, box.top + (box.height - picture_mm[1]) / 2
    spare = sheet.height_mm - picture_mm[1]
    return left, borders.head_round_exact(spare) if box.exact else borders.head_of(spare)


def _to_pixels(laid: _OnSheet, crop: tuple[float, float, float, float], ppi: int) -> Placement:
    sheet, picture_mm, corner_mm = laid.sheet, laid.picture_mm, laid.corner_mm
    sheet_px = pixels(sheet.width_mm, ppi), pixels(sheet.height_mm, ppi)
    picture_px = tuple(min(max(1, pixels(mm, ppi)), px) for mm, px in zip(picture_mm, sheet_px, strict=True))
    left_px, top_px = (
        _offset(mm, length, whole, ppi) for mm, length, whole in zip(corner_mm, picture_px, sheet_px, strict=True)
    )
    left, top = corner_mm
    return Placement(
        sheet_mm=(sheet.width_mm, sheet.height_mm),
        picture_mm=picture_mm,
        sheet_px=sheet_px,
        picture_px=(picture_px[0], picture_px[1]),
        left_px=left_px,
        top_px=top_px,
        ppi=ppi,
        source_ppi=(crop[2] - crop[0]) / (picture_mm[0] / MM_PER_INCH),
        crop_px=crop,
        borders_mm=(
            top,
            sheet.width_mm - left - picture_mm[0],
            sheet.height_mm - top - picture_mm[1],
            left,
        ),
        turned=laid.turned,
        trim_mm=laid.trim_mm,
    )


def _offset(corner_mm: float, length_px: int, sheet_px: int, ppi: int) -> int:
    """First pixel of the picture, from its rounded centre, so that centring is exact to half a pixel."""
    centre_px = corner_mm / MM_PER_INCH * ppi + length_px / 2
    centred = abs(centre_px - sheet_px / 2) < 1
    start = (sheet_px - length_px) // 2 if centred else round(centre_px - length_px / 2)
    return min(max(0, start), sheet_px - length_px)
