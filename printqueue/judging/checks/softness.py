"""Does the picture's detail fill its pixel grid, or is it enlarged or blurred?"""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from printqueue.core.model.finding import Finding, Level, unmeasured
from printqueue.core.model.measures import Measure, Where, YesNo
from printqueue.core.model.region import told
from printqueue.core.model.subject import Subject
from printqueue.core.units import number_text
from printqueue.core.yaml.limits import Limits
from printqueue.core.yaml.quantity import Percent
from printqueue.judging.contract import Check, Explanation

SOFT_DB = -19.0  # native photographs lie above; by trial

_COARSE_QUALITY, _COARSE_BLOCKS = 65.0, 35.0  # of JPEG: quality 1 to 100, and blocks in %; by trial


class SoftnessLimits(Limits):
    """True detail in % of the pixel grid, and what an enlargement seen in the grid weighs."""

    warn_below: Annotated[
        Percent | None, Field(description="true detail under this part of the pixel grid is warned of")
    ] = None
    note_below: Annotated[Percent | None, Field(description="true detail under this part is noted")] = None
    enlarged: Annotated[
        Level, Field(description="the pixel grid itself shows an enlargement, whatever detail is left")
    ] = Level.PASS
    unmeasurable: Annotated[Level, Field(description="fog or grain alone: no detail that could be soft")] = Level.PASS


def judge(subject: Subject, limits: SoftnessLimits) -> Finding:
    """The heavier of two answers: detail under a limit, and an enlargement that the grid shows."""
    detail = subject.number(Measure.SOFTNESS_DETAIL_PERCENT)
    if not subject.tried(Measure.SOFTNESS_DETAIL_PERCENT):
        return unmeasured("softness", limits.unmeasurable, "%")
    if detail is None:
        return _not_measurable(limits)
    level, limit = _by_detail(subject, detail, limits)
    enlarged = _shows_enlargement(subject)
    if enlarged and limits.enlarged.weight > level.weight:
        level, limit = limits.enlarged, None
    if level is not Level.PASS:
        return _soft(subject, level, detail, limit, enlarged=enlarged)
    nearest = limits.note_below if limits.note_below is not None else limits.warn_below
    says = "Enlarged, with enough detail left." if enlarged else "Detail as fine as the pixels, in the sharpest places."
    if detail < 100 and not enlarged:
        says = f"Detail reaches {number_text(detail, 0)} % of the pixel grid in the sharpest places."
    return Finding("softness", Level.PASS, says, measured=round(detail), limit=nearest, unit="%")


def _by_detail(subject: Subject, detail: float, limits: SoftnessLimits) -> tuple[Level, float | None]:
    """Detail counts as missing where the spectrum falls off steeply, or where the grid shows the enlargement."""
    tail = subject.number(Measure.SOFTNESS_TAIL_DB)
    sure = _shows_enlargement(subject) or (tail is not None and tail < SOFT_DB)
    for level, limit in ((Level.WARN, limits.warn_below), (Level.NOTE, limits.note_below)):
        if sure and limit is not None and detail < limit:
            return level, limit
    return Level.PASS, None


def _shows_enlargement(subject: Subject) -> bool:
    """A trace in the grid; where JPEG rounded coarsely it makes such traces itself, so there it proves nothing."""
    quality, blocks = subject.number(Measure.COMPRESSION_QUALITY), subject.number(Measure.COMPRESSION_SCORE_PERCENT)
    coarse = (quality is not None and quality < _COARSE_QUALITY) or (blocks is not None and blocks > _COARSE_BLOCKS)
    return subject.says_yes(YesNo.SOFTNESS_ENLARGED) and not coarse


def _not_measurable(limits: SoftnessLimits) -> Finding:
    return Finding(
        "softness",
        limits.unmeasurable,
        "Hardly any detail here beside grain: whether it is soft cannot be measured.",
        unit="%",
        why="Fog, sky and plain grounds have nothing that could be soft.",
        do="" if limits.unmeasurable is Level.PASS else "Nothing; look at it at 100 % in an editor if in doubt.",
    )


def _ppi(subject: Subject, detail: float) -> str:
    if subject.placement is None or subject.placement.source_ppi <= 0:
        return ""
    ppi = subject.placement.source_ppi
    return f": about {number_text(ppi * detail / 100, 0)} of {number_text(ppi, 0)} ppi"


def _soft(subject: Subject, level: Level, detail: float, limit: float | None, *, enlarged: bool) -> Finding:
    places = subject.regions(Where.SOFTNESS)
    best = told(places, "judged by its sharpest place,")
    what = "Enlarged by software" if enlarged else "Soft throughout"
    return Finding(
        "softness",
        level,
        f"{what}{best}: true detail fills {number_text(detail, 0)} % of the pixel grid{_ppi(subject, detail)} (±25 %).",
        measured=round(detail),
        limit=limit,
        unit="%",
        why="This sheet's texture hides some of it, but near by fine lines will look soft."
        if subject.paper.surface.textured
        else "A smooth sheet hides nothing: fine lines will look soft at arm's length.",
        do="Export it again at its native size, without enlarging or noise reduction, and order it smaller."
        if enlarged
        else "Export it again from the original at its native size, with less noise reduction; or order it smaller.",
        instead="Print it as it is: at arm's length on a textured paper it passes.",
        headline="was enlarged beyond its detail" if enlarged else "",
        where=places,
    )


CHECK = Check(
    "softness",
    SoftnessLimits,
    judge,
    Explanation(
        question="Is the detail as fine as the pixels, or was the picture enlarged or blurred?",
        measures="On the most detailed places of up to 128 tiles at the file's own pixels: how far the power spectrum, whitened by f² "
        "and with the grain of the calmest places taken off, falls towards the end of the pixel grid; the frequency where it has "
        "fallen by 10 dB, in % of the grid's limit of 0.5 cycles per pixel. Beside it the traces of interpolation in the size of differences "
        "between neighbours: a period, and pixels in pairs after doubling.",
        matters="A file can reach its ppi by enlarging and hold no more detail than before. A shallow focus is no fault: the sharpest "
        "place counts.",
        source="Our own measure. Spectra of natural scenes fall by 1/f²: D. J. Field, J. Opt. Soc. Am. A 4 (1987); the period of "
        "interpolated pixels: A. C. Gallagher, Proc. CRV 2005. Limits: found by trial on photographs; evidence, no proof.",
        typical="Untouched photographs mostly 100 %, tail −13 to −3 dB, no traces; blurred by 0.8 px 50 %, tail −23 dB; by 1.5 px 36 %; "
        "enlarged 1.5 times at most 67 %, twice at most 50, three times 45. Strong noise, or JPEG under quality 85, hides an enlargement.",
    ),
    headline="has less detail than its pixels promise",
    called="softness",
    marks="the sharpest place found",
)
