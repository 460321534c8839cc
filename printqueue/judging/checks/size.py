"""Does the picture fit on the sheet as asked?"""

from __future__ import annotations

from dataclasses import dataclass

from pydantic import Field

from printqueue.core.model.finding import Finding, Level
from printqueue.core.model.measures import Word
from printqueue.core.model.paper import DECKLED_BORDER_MM
from printqueue.core.model.request import Placement
from printqueue.core.model.subject import Subject
from printqueue.core.units import MM_PER_INCH, number_text
from printqueue.core.yaml.limits import Limits
from printqueue.judging.contract import Check, Explanation

_ENLARGED = 1.02  # rounding to whole pixels does not count as enlarging
_CROPPED = 0.0005
_DESCENDERS = 0.4  # how far letters reach below their baseline, in cap heights


class SizeLimits(Limits):
    """Levels for a picture that does not fit, a size that is not stocked, and ink inside the printer's margin."""

    does_not_fit: Level = Field(Level.REJECT, description="the picture cannot be placed on the sheet")
    unlisted: Level = Field(Level.NOTE, description="a sheet size that the paper's sizes: does not list")
    margin: Level = Field(Level.WARN, description="picture inside the margin that the printer cannot reach")


def judge(subject: Subject, limits: SizeLimits) -> Finding:
    """Return the worst of: cannot be placed, inside the unprintable margin, not stocked."""
    place = subject.placement
    if place is None:
        return _no_place(subject, limits)
    size = subject.request.size.name
    width, height = (number_text(mm, 0) for mm in place.picture_mm)
    says = f"{width} × {height} mm on {size}"
    how = _enlarged(place) + _cropped(subject, place)  # worth saying, but not a fault
    if (inside := _inside_margin(subject, place)) is not None:
        return _margin(limits, says, inside)
    if subject.paper.deckled and place.trim_mm == 0 and 0 < min(place.borders_mm) < DECKLED_BORDER_MM - 1e-6:
        return _deckled(limits, says, min(place.borders_mm))
    if not subject.request.size_listed:
        return Finding(
            "size",
            limits.unlisted,
            f"{says}; {size} is not among the sizes of {subject.paper.name}.{how}",
            measured=size,
            limit=", ".join(s.name for s in subject.paper.stocked),
            do=f"If you stock it, add it to sizes: in rules/{subject.paper.key}.yaml.",
            origin="your rule",
        )
    return Finding("size", Level.PASS, f"{says}.{how}", measured=says, limit=size)


def _enlarged(place: Placement) -> str:
    times = place.ppi / place.source_ppi
    if times < _ENLARGED:
        return ""
    own = number_text(place.source_ppi, 0)
    return f" Enlarged {number_text(times, 2)} times, from {own} ppi of its own to {place.ppi}."


def _cropped(subject: Subject, place: Placement) -> str:
    left, top, right, bottom = place.crop_px
    kept = (right - left) * (bottom - top) / (subject.picture.width_px * subject.picture.height_px)
    if 1 - kept < _CROPPED:
        return ""
    return f" Cropped as you asked (fit: crop): {number_text(100 * (1 - kept))} % of the picture is left out."


def _no_place(subject: Subject, limits: SizeLimits) -> Finding:
    return Finding(
        "size",
        limits.does_not_fit,
        subject.text(Word.SIZE_PROBLEM) or "The picture cannot be placed on this sheet.",
        measured=subject.request.size.name,
        limit="the whole picture on the sheet",
        do=subject.text(Word.SIZE_DO) or "Choose another size in the order.",
        why="Nothing is cropped unless you ask for it (fit: crop).",
        origin="fact",
        allowable=False,
    )


@dataclass(frozen=True, slots=True)
class _Inside:
    """Ink where the printer cannot reach: what it is, how close to the edge it comes and how close it may, in mm."""

    what: str
    nearest: float
    margin: float
    do: str


def _inside_margin(subject: Subject, place: Placement) -> _Inside | None:
    """The worst of the picture's four sides and the foot line."""
    if subject.request.sheet == "picture-only":  # its place on a sheet is decided elsewhere
        return None
    margins = _margins_mm(subject, place)
    wider = "Ask for a wider border or a smaller picture in the order."
    found = [_Inside("picture", near, margin, wider) for near, margin in zip(place.borders_mm, margins, strict=True)]
    if place.foot_line is not None:
        below = (place.sheet_px[1] - place.foot_line.baseline_px) / place.ppi * MM_PER_INCH
        near = below - _DESCENDERS * subject.request.foot_line_mm
        found.append(_Inside("foot line", near, margins[2], "Leave the foot line out (foot_line: off)."))
    worst = min(found, key=lambda one: one.nearest - one.margin)
    return worst if worst.nearest < worst.margin - 1e-6 else None


def _margins_mm(subject: Subject, place: Placement) -> tuple[float, float, float, float]:
    """The printer's margins at top, right, foot and left of the sheet as viewed."""
    margins, (width, height) = subject.paper.margins, place.sheet_mm
    if subject.request.feed == "roll":
        along = place.turned  # the picture's left side leads
    else:
        along = (width < height) == (subject.request.feed == "long-edge")
    across, up = (margins.ends_mm, margins.sides_mm) if along else (margins.sides_mm, margins.ends_mm)
    return up, across, up, across


def _margin(limits: SizeLimits, says: str, inside: _Inside) -> Finding:
    return Finding(
        "size",
        limits.margin,
        f"{says}: the {inside.what} comes within {number_text(inside.nearest)} mm of the sheet's edge; there the printer "
        f"cannot print nearer than {number_text(inside.margin)} mm.",
        measured=round(inside.nearest, 1),
        limit=inside.margin,
        unit="mm",
        why=f"Part of the {inside.what} would be cut off by the printer.",
        do=inside.do,
        origin="your rule (printer: margins)",
    )


def _deckled(limits: SizeLimits, says: str, nearest: float) -> Finding:
    return Finding(
        "size",
        limits.margin,
        f"{says} leaves a border of {number_text(nearest)} mm on a sheet with deckled edges.",
        measured=round(nearest, 1),
        limit=DECKLED_BORDER_MM,
        unit="mm",
        why="A deckled sheet is placed to about 3 mm, and its edge wanders: a narrow border looks crooked.",
        do="Ask for a border of 20 mm or more, measured from the shallowest point of the edge.",
        origin="common practice",
    )


CHECK = Check(
    "size",
    SizeLimits,
    judge,
    Explanation(
        question="Does it fit the sheet, whole and inside the printable area?",
        measures="The picture's rectangle in mm against sheet, border and the printer's margins. Aspect, panorama or square are no fault. "
        "How often its pixels are enlarged and how much is cropped (only where you asked for it) is said.",
        matters="A picture that does not fit would be cropped, or lose its rim in the printer.",
        source="ISO 216 for A and B sheets; margins from your paper's rules.",
        typical="Passes; a note when a size is asked for that you do not stock.",
    ),
    headline="does not fit {size} on {paper}",
)
