"""Where a test strip's pieces and words go on the sheet. All the decisions, no pixels.

The strip takes the smallest sheet in stock whose pieces are large enough to judge. Each piece shows the same part
of the picture at exactly the print's scale; words go in the margin, never on a piece.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from printqueue.core.model.paper import DECKLED_BORDER_MM
from printqueue.core.model.request import Placement
from printqueue.core.units import MM_PER_INCH, Size, number_text, pixels
from printqueue.imaging.render.plan import DoesNotFitError

LETTER_MM = 2.2  # cap height of all words
_LINE_MM = 4.2  # between lines
_GAP_MM = 4.0  # between pieces
_LABEL_GAP_MM = 0.8  # between a piece and the words under it, taken from the gap below them
_RIM_MM = 12.0  # around everything; or 4 mm more than the printer's unreachable margin, if that is larger
_BEYOND_MARGIN_MM = 4.0
_MIN_PIECE_MM = 25.0  # common practice, no source: tones cannot be judged on anything smaller
_MAX_PIECES = 24


@dataclass(frozen=True, slots=True)
class Part:
    """A part of the picture in pixels of the print: left, top, width, height."""

    left: int
    top: int
    width: int
    height: int


@dataclass(frozen=True, slots=True)
class Words:
    """How many lines of text there are: above all pieces, under each piece, below all."""

    head: int
    label: int
    foot: int


@dataclass(frozen=True, slots=True)
class StripPlan:
    """A sheet and what goes where on it, in its pixels. `piece_px` is the width and height of every piece."""

    sheet: Size
    sheet_px: tuple[int, int]
    piece_px: tuple[int, int]
    corners_px: tuple[tuple[int, int], ...]
    text_left_px: int
    text_width_px: int
    head_px: tuple[int, ...]  # baselines
    labels_px: tuple[tuple[int, ...], ...]  # baselines under each piece
    foot_px: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class _Grid:
    sheet: Size
    columns: int
    rows: int
    piece_mm: tuple[float, float]  # the room for one piece


def strip_plan(
    stocked: Sequence[Size],
    grids: Sequence[tuple[int, int]],
    words: Words,
    *,
    picture_mm: tuple[float, float],
    part_mm: tuple[float, float] | None,
    ppi: int,
    margin_mm: float,
    deckled: bool,
    pieces: int,
) -> StripPlan:
    """Plan `pieces` pieces in one of the `grids` (columns, rows) that can hold them.

    `part_mm`: the size of the part that was asked for; None: as large as the sheet allows, at most the whole picture.
    Raises `DoesNotFitError` if no sheet in stock has room.
    """
    if pieces > _MAX_PIECES:
        raise DoesNotFitError(f"{pieces} pieces are too many for one strip.", f"Ask for at most {_MAX_PIECES}.")
    rim = max(DECKLED_BORDER_MM if deckled else _RIM_MM, margin_mm + _BEYOND_MARGIN_MM)
    found = [
        _Grid(sheet, *grid, _room(sheet, grid, words, rim))
        for size in sorted(stocked, key=lambda one: one.width_mm * one.height_mm)
        for sheet in (size.turned(landscape=True), size.turned(landscape=False))
        for grid in grids
    ]
    wanted = part_mm or (min(_MIN_PIECE_MM, picture_mm[0]), min(_MIN_PIECE_MM, picture_mm[1]))
    fitting = [one for one in found if one.piece_mm[0] >= wanted[0] and one.piece_mm[1] >= wanted[1]]
    if not fitting:
        raise _too_large(found, wanted, pieces)
    smallest = [one for one in fitting if one.sheet.name == fitting[0].sheet.name]
    best = max(smallest, key=lambda one: (min(one.piece_mm), one.columns))
    piece_mm = part_mm or (min(best.piece_mm[0], picture_mm[0]), min(best.piece_mm[1], picture_mm[1]))
    return _placed(replace(best, piece_mm=piece_mm), words, rim=rim, ppi=ppi, pieces=pieces)


def _room(sheet: Size, grid: tuple[int, int], words: Words, rim: float) -> tuple[float, float]:
    """The room for one piece in a grid of (columns, rows)."""
    columns, rows = grid
    across = sheet.width_mm - 2 * rim - (columns - 1) * _GAP_MM
    lines = (words.head + words.foot + rows * words.label) * _LINE_MM
    up = sheet.height_mm - 2 * rim - lines - (rows + 1) * _GAP_MM
    return across / columns, up / rows


def _too_large(found: Sequence[_Grid], wanted: tuple[float, float], pieces: int) -> DoesNotFitError:
    roomiest = max(found, key=lambda one: min(one.piece_mm[0] / wanted[0], one.piece_mm[1] / wanted[1]))
    room = " × ".join(number_text(max(0.0, mm), 0) for mm in roomiest.piece_mm)
    return DoesNotFitError(
        f"{pieces} pieces of {number_text(wanted[0], 0)} × {number_text(wanted[1], 0)} mm do not fit on any sheet in stock; the "
        f"largest, {roomiest.sheet.name}, has room for {room} mm each.",
        "Ask for a smaller part (--crop) or fewer pieces (--lifts, --intents).",
    )


def _placed(grid: _Grid, words: Words, *, rim: float, ppi: int, pieces: int) -> StripPlan:
    width, height = grid.piece_mm
    lefts = [rim + column * (width + _GAP_MM) for column in range(grid.columns)]
    first = rim + words.head * _LINE_MM + _GAP_MM
    tops = [first + row * (height + _GAP_MM + words.label * _LINE_MM) for row in range(grid.rows)]
    corners = [(left, top) for top in tops for left in lefts][:pieces]
    below = tops[-1] + height + words.label * _LINE_MM + _GAP_MM
    return StripPlan(
        sheet=grid.sheet,
        sheet_px=(pixels(grid.sheet.width_mm, ppi), pixels(grid.sheet.height_mm, ppi)),
        piece_px=(max(1, pixels(width, ppi)), max(1, pixels(height, ppi))),
        corners_px=tuple((pixels(left, ppi), pixels(top, ppi)) for left, top in corners),
        text_left_px=pixels(rim, ppi),
        text_width_px=pixels(grid.sheet.width_mm - 2 * rim, ppi),
        head_px=_baselines(rim, words.head, ppi),
        labels_px=tuple(_baselines(top + height + _LABEL_GAP_MM, words.label, ppi) for _, top in corners),
        foot_px=_baselines(below, words.foot, ppi),
    )


def _baselines(top_mm: float, lines: int, ppi: int) -> tuple[int, ...]:
    """Baselines of the lines below `top_mm`."""
    return tuple(pixels(top_mm + (line + 1) * _LINE_MM - (_LINE_MM - LETTER_MM) / 2, ppi) for line in range(lines))


def arrangements(lifts: int, intents: int) -> list[tuple[int, int]]:
    """(columns, rows) that can hold the pieces: with several intents, each gets its own row."""
    if intents > 1:
        return [(lifts, intents)]
    return [(columns, -(-lifts // columns)) for columns in range(1, lifts + 1)]


def part_of(place: Placement, crop_px: tuple[float, float, float, float]) -> Part:
    """Convert `crop_px` (left, top, width, height in source pixels) to print pixels. Raises `DoesNotFitError`."""
    left, top, right, bottom = place.crop_px
    width, height = place.picture_px
    across, down = width / (right - left), height / (bottom - top)
    start = round((crop_px[0] - left) * across), round((crop_px[1] - top) * down)
    size = round(crop_px[2] * across), round(crop_px[3] * down)
    if min(size) < 1 or min(start) < 0 or start[0] + size[0] > width or start[1] + size[1] > height:
        raise DoesNotFitError(
            "The part asked for does not lie inside the picture"
            f" ({number_text(right - left, 0)} × {number_text(bottom - top, 0)} px from {number_text(left, 0)}, {number_text(top, 0)}).",
            "Give --crop LEFT,TOP,WIDTH,HEIGHT in pixels of the picture, or in %.",
        )
    return Part(*start, *size)


def shown_part(place: Placement, part: Part) -> Placement:
    """The same print reduced to `part`, identical pixel for pixel to that part of the whole."""
    left, top, right, bottom = place.crop_px
    width, height = place.picture_px
    across, down = (right - left) / width, (bottom - top) / height
    crop = (
        left + part.left * across,
        top + part.top * down,
        left + (part.left + part.width) * across,
        top + (part.top + part.height) * down,
    )
    mm = part.width / place.ppi * MM_PER_INCH, part.height / place.ppi * MM_PER_INCH
    return replace(place, crop_px=crop, picture_px=(part.width, part.height), picture_mm=mm)
