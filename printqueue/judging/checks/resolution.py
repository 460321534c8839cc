"""Are there enough pixels for this size, and for the distance it is viewed from?"""

from __future__ import annotations

from dataclasses import replace
from math import hypot
from typing import NamedTuple

from pydantic import Field

from printqueue.core.model.finding import Finding, Level, unmeasured
from printqueue.core.model.request import Placement
from printqueue.core.model.subject import Subject
from printqueue.core.units import number_text
from printqueue.core.yaml.limits import Limits
from printqueue.core.yaml.quantity import Ppi
from printqueue.judging.contract import Check, Explanation

_REFERENCE_MM = 500.0  # a print with this diagonal is viewed from about that distance
_FLOOR_REJECT_PPI, _FLOOR_WARN_PPI = 100.0, 150.0
_TOLERANCE = 0.01
_MIN_PICTURE_MM = 10  # nobody wants a smaller print


class ResolutionLimits(Limits):
    """Source pixels per inch on paper, for a picture with a diagonal of up to 500 mm; larger ones need fewer."""

    reject_below: Ppi | None = Field(None, description="fewer are turned back")
    warn_below: Ppi | None = Field(None, description="fewer are warned of")


def judge(subject: Subject, limits: ResolutionLimits) -> Finding:
    """Compare the source's ppi at this size with the limits, scaled to the viewing distance."""
    place = subject.placement
    if place is None:
        return unmeasured("resolution", limits.unmeasurable, "ppi")
    asked = [
        _Minimum(level, limit, _asked_ppi(limit, floor, place.picture_mm, subject.request.distance_mm))
        for level, limit, floor in (
            (Level.REJECT, limits.reject_below, _FLOOR_REJECT_PPI),
            (Level.WARN, limits.warn_below, _FLOOR_WARN_PPI),
        )
        if limit is not None
    ]
    missed = next((one for one in asked if place.source_ppi < one.ppi * (1 - _TOLERANCE)), None)
    said = missed or (asked[-1] if asked else None)
    width, height = (number_text(mm, 0) for mm in place.picture_mm)
    px = f"{subject.picture.width_px} × {subject.picture.height_px} px"
    found = Finding(
        "resolution",
        missed.level if missed else Level.PASS,
        f"{number_text(place.source_ppi, 0)} ppi at {width} × {height} mm ({px}): "
        f"{'too few pixels for this size' if missed else 'enough'}.",
        measured=round(place.source_ppi, 1),
        limit=round(said.ppi, 1) if said else None,
        unit="ppi",
    )
    if missed is None:
        return found
    best = max(asked, key=lambda other: other.ppi)  # the size we offer should pass without a warning
    return replace(
        found,
        do="Export again at full size, if this was scaled down.",
        why="The texture of this sheet forgives some softness, but not this much."
        if subject.paper.surface.textured
        else "A smooth sheet hides nothing: fine lines will look soft at arm's length.",
        instead=_smaller(place, _enough_at(place, best, subject.request.distance_mm)),
    )


class _Minimum(NamedTuple):
    """A limit from the rules, how severe it is to fall below it, and the ppi it requires of this picture."""

    level: Level
    limit: float
    ppi: float


def _asked_ppi(limit: float, floor: float, picture_mm: tuple[float, float], distance_mm: float | None) -> float:
    """The limit for a picture of this size: scaled to the distance, but never below the floor (or a lower limit)."""
    return max(min(floor, limit), limit * _distance_scale(picture_mm, distance_mm))


def _distance_scale(picture_mm: tuple[float, float], distance_mm: float | None) -> float:
    """Larger pictures are viewed from farther away: 500 mm / max(500 mm, diagonal or given distance)."""
    seen_from = distance_mm if distance_mm is not None else max(_REFERENCE_MM, hypot(*picture_mm))
    return _REFERENCE_MM / max(seen_from, _REFERENCE_MM if distance_mm is None else 100.0)


def _enough_at(place: Placement, asked: _Minimum, distance_mm: float | None) -> float:
    """The ppi that a smaller picture must reach; it is viewed from closer up, so this can exceed what was asked."""
    smaller = (place.picture_mm[0] * place.source_ppi / asked.ppi, place.picture_mm[1] * place.source_ppi / asked.ppi)
    needs_more = _asked_ppi(asked.limit, 0.0, smaller, distance_mm) > asked.ppi * (1 + 1e-9)
    return asked.limit if needs_more else asked.ppi


def _smaller(place: Placement, ppi: float) -> str:
    width, height = (int(mm * place.source_ppi / ppi) for mm in place.picture_mm)
    aspect = place.picture_mm[0] / place.picture_mm[1]
    if min(width, height, width / aspect, height * aspect) < _MIN_PICTURE_MM:
        return ""  # in whole mm, a strip too narrow to place
    return (
        f"Smaller: at {width} × {height} mm it reaches {number_text(ppi, 0)} ppi (order: picture: {width}x{height} mm)."
    )


CHECK = Check(
    "resolution",
    ResolutionLimits,
    judge,
    Explanation(
        question="Are there enough pixels for this size on this paper?",
        measures="Source pixels per inch of the printed picture (not of the file's tag, not of the print file). "
        "Pictures with a diagonal over 500 mm are seen from farther away: the limits shrink by 500 mm / diagonal, "
        "never under 100 ppi (reject) and 150 ppi (warn). `distance:` in the order replaces the diagonal. Tolerance 1 %.",
        matters="Enlarging invents no detail: ropes, reeds and grain turn soft, on smooth paper first.",
        source="Limits: common practice, no source. Distance: one pixel per arcminute, ppi = 1 / (2 d tan 0.5′); "
        "344 ppi at 254 mm, 172 ppi at 508 mm.",
        typical="A 24-megapixel picture on A3: about 410 ppi; a web-sized 2000 px file on A3: about 140 ppi.",
    ),
    headline="has too few pixels for {size} on {paper}",
)
