"""One print as asked for, put together from paper, folder and order file."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from typing import Literal

from printqueue.core.model.paper import Intent
from printqueue.core.units import Size

BorderStyle = Literal["even", "weighted", "given"]
Feed = Literal["long-edge", "short-edge", "roll"]


@dataclass(frozen=True, slots=True)
class Border:
    """The unprinted margin of the sheet.

    even      `width_mm` on the tight axis, the rest split equally
    weighted  like even, but wider at the picture's foot
    given     `sides_mm` = top, right, bottom, left
    `width_mm` None: 8 % of the sheet's short side, at least 15 mm (common practice, no source).
    """

    style: BorderStyle = "even"
    width_mm: float | None = None
    sides_mm: tuple[float, float, float, float] | None = None


@dataclass(frozen=True, slots=True)
class Sharpening:
    """An unsharp mask on lightness at print scale: σ of its Gaussian in mm on paper, and its strength in percent."""

    radius_mm: float
    amount_percent: float


@dataclass(frozen=True, slots=True)
class Request:
    """What to make of one picture on one paper. Every field is part of the recipe."""

    paper: str
    size: Size  # the sheet
    picture: Size | None = None  # an exact picture size instead of a border
    copies: int = 1
    border: Border = field(default_factory=Border)
    fit: Literal["whole", "crop"] = "whole"
    ppi: int = 360
    intent: Intent = Intent.RELATIVE
    black_point_compensation: bool = True
    lift_stops: float = 0.0
    title: str | None = None
    distance_mm: float | None = None
    edition_of: int | None = None
    assume_profile: Literal["srgb", "adobe-rgb", "display-p3", "romm"] | None = None
    allow: Mapping[str, str] = field(default_factory=dict)  # check → why (may be "")
    note: str | None = None
    size_listed: bool = True  # False: a size not in this paper's `sizes:`
    sheet: Literal["full", "picture-only"] = "full"  # picture-only: the file holds the picture without its border
    hairline_mm: float = 0.0  # width of a line around the picture, just outside it; 0: none
    feed: Feed = "long-edge"
    turn_to_feed: bool = False  # turn the file's pixels so that the edge fed first is at the top
    roll_mm: float = 0.0  # width of the roll; 0: as wide as the print
    sharpen: Sharpening | None = None
    foot_line_mm: float = 0.0  # cap height of a line of text at the sheet's foot; 0: none
    maker: str = ""  # named in the foot line; may be ""

    def to_json(self) -> str:
        """As text for the ledger: every field, so that the print can be made again."""
        return json.dumps(asdict(self), sort_keys=True, default=str)


@dataclass(frozen=True, slots=True)
class FootLine:
    """Where a line of text begins in the foot border, in sheet pixels: at `left_px` on `baseline_px`."""

    left_px: int
    baseline_px: int
    width_px: int  # the available width
    height_px: int  # of its capitals


@dataclass(frozen=True, slots=True)
class Placement:
    """Where the picture lies on the sheet, in mm and in pixels of the print file.

    Pixel counts are exact: the sheet is round(mm / 25.4 × ppi), and the whole picture lies inside it. `crop_px` is the
    part of the source used: (left, top, right, bottom) in source pixels. Everything is as the picture is viewed; if
    `turned`, the file's pixels are a quarter turn clockwise from that.
    """

    sheet_mm: tuple[float, float]
    picture_mm: tuple[float, float]
    sheet_px: tuple[int, int]
    picture_px: tuple[int, int]
    left_px: int
    top_px: int
    ppi: int
    source_ppi: float
    crop_px: tuple[float, float, float, float]
    borders_mm: tuple[float, float, float, float]  # top, right, bottom, left, as they turn out
    turned: bool = False
    trim_mm: float = 0.0  # of the roll, to cut off at head and foot; included in sheet and borders
    hairline_px: int = 0  # width of the line around the picture
    foot_line: FootLine | None = None

    @property
    def file_px(self) -> tuple[int, int]:
        """Width and height of the print file in pixels."""
        width, height = self.sheet_px
        return (height, width) if self.turned else (width, height)
