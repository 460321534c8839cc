"""Does the picture's detail fill its pixel grid, or has it been enlarged or blurred?"""

from __future__ import annotations

from dataclasses import replace
from math import inf

from pydantic import Field

from printqueue.core.model.finding import Finding, Level, unmeasured
from printqueue.core.model.measures import Measure, Where, YesNo
from printqueue.core.model.region import worst_place
from printqueue.core.model.subject import Subject
from printqueue.core.units import number_text
from printqueue.core.yaml.limits import Limits
from printqueue.core.yaml.quantity import Percent
from printqueue.judging.contract import Check, Explanation, crossed

SOFT_DB = -19.0  # native photographs lie above; found by trial

_COARSE_QUALITY, _COARSE_BLOCKS = 65.0, 35.0  # of JPEG: quality 1 to 100, and blocks in %; found by trial


class SoftnessLimits(Limits):
    """True detail in % of the pixel grid, and how severe an enlargement seen in the grid is."""

    warn_below: Percent | None = Field(None, description="true detail under this part of the pixel grid is warned of")
    note_below: Percent | None = Field(None, description="true detail under this part is noted")
    enlarged: Level = Field(
        Level.PASS, description="the pixel grid itself shows an enlargement, whatever detail is left"
    )
    unmeasurable: Level = Field(Level.PASS, description="fog or grain alone: no detail that could be soft")


def judge(subject: Subject, limits: SoftnessLimits) -> Finding:
    """Return the more severe of two answers: detail below a limit, and an enlargement that shows in the grid."""
    detail = subject.number(Measure.SOFTNESS_DETAIL_PERCENT)
    if not subject.tried(Measure.SOFTNESS_DETAIL_PERCENT):
        return unmeasured("softness", limits.unmeasurable, "%")
    if detail is None:
        return _not_measurable(limits)
    enlarged = _shows_enlargement(subject)
    missing = enlarged or (subject.number(Measure.SOFTNESS_TAIL_DB) or 0.0) < SOFT_DB  # else the scene has no more
    level, limit = crossed(detail if missing else inf, warn=limits.warn_below, note=limits.note_below, below=True)
    if enlarged and limits.enlarged.weight > level.weight:
        level, limit = limits.enlarged, None
    says = f"Detail reaches {number_text(detail, 0)} % of the pixel grid in the sharpest places."
    if enlarged:
        says = "Enlarged, with enough detail left."
    elif detail >= 100:
        says = "Detail as fine as the pixels, in the sharpest places."
    found = Finding("softness", level, says, measured=round(detail), limit=limit, unit="%")
    return found if level is Level.PASS else _soft(subject, detail, found, enlarged=enlarged)


def _shows_enlargement(subject: Subject) -> bool:
    """Whether the grid shows a trace of one; after coarse JPEG rounding, which leaves such traces, always False."""
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


def _soft(subject: Subject, detail: float, found: Finding, *, enlarged: bool) -> Finding:
    places = subject.regions(Where.SOFTNESS)
    best = worst_place(places, "judged by its sharpest place,")
    what = "Enlarged by software" if enlarged else "Soft throughout"
    return replace(
        found,
        says=f"{what}{best}: true detail fills {number_text(detail, 0)} % of the pixel grid{_ppi(subject, detail)} (±25 %).",
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
