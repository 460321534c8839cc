"""Do smooth areas climb like stairs?"""

from __future__ import annotations

from dataclasses import replace

from pydantic import Field

from printqueue.core.model.finding import Finding, Level, unmeasured
from printqueue.core.model.measures import Measure, Where
from printqueue.core.model.region import worst_place
from printqueue.core.model.subject import Subject
from printqueue.core.units import number_text
from printqueue.core.yaml.limits import Limits
from printqueue.core.yaml.quantity import Percent
from printqueue.judging.contract import Check, Explanation

_L_PER_COUNT = 100 / 255  # encoded values are roughly even in L*; the usual spaces are designed that way


class BandingLimits(Limits):
    """How much of the picture may climb in steps coarser than those of 8 bits, and how severe any more is."""

    area_above: Percent | None = Field(None, description="more of the picture than this climbs in coarse steps")
    level: Level = Field(Level.WARN, description="what that weighs")


def judge(subject: Subject, limits: BandingLimits) -> Finding:
    """Compare the stepped area with the limit."""
    area = subject.number(Measure.BANDING_AREA_PERCENT)
    if area is None:
        return unmeasured("banding", limits.unmeasurable, "% of area")
    says = f"Coarse steps in {number_text(area)} % of the picture." if area > 0 else "No coarse steps in smooth areas."
    found = Finding("banding", Level.PASS, says, measured=round(area, 2), limit=limits.area_above, unit="% of area")
    if limits.area_above is None or area <= limits.area_above:
        return found
    return _stairs(subject, area, replace(found, level=limits.level))


def _stairs(subject: Subject, area: float, found: Finding) -> Finding:
    step = subject.number(Measure.BANDING_STEP_COUNTS)
    places = subject.regions(Where.BANDING)
    high = ""
    if step is not None:
        high = f" of {number_text(step)}/255 of the tone scale (about {number_text(step * _L_PER_COUNT)} L*)"
    return replace(
        found,
        says=f"{number_text(area)} % of the picture climbs in steps{high} instead of evenly{worst_place(places, 'most')}.",
        why="The texture breaks fine steps up; wide ones can still be followed across the sheet."
        if subject.paper.surface.textured
        else "A smooth sheet shows each step in a sky or fog as a contour line.",
        do="Make the edit again on the 16-bit original.",
        instead="Without one: a little grain, 1/255 of the tone scale, over the smooth areas dissolves the steps.",
        where=places,
    )


CHECK = Check(
    "banding",
    BandingLimits,
    judge,
    Explanation(
        question="Do skies and fog climb in steps?",
        measures="Up to 128 tiles at the file's own pixels, channel by channel, in cells of 32, 64, 128 and 256 px: at least 80 % of the "
        "neighbours are equal, the tone goes one way, at most 40/255, and most of it in single rises of like height. Counted is the "
        "area where these rises are at least 1.5/255; 8 bits alone make rises of 1/255, which count for nothing.",
        matters="What a display dithers away, ink draws: steps in a clear sky are read as contour lines.",
        source="Our own measure, held by tests to gradients of known rounding. Limits: found by trial on photographs; common practice, "
        "no source.",
        typical="Photographs 0 %, also in 8 bit; a clean 8-bit gradient 0 % (steps of 1/255); the same in 7 bit or stretched to twice "
        "its contrast 100 % at 2/255. Noise and grain of one count hide the steps from the eye and from this check.",
    ),
    marks="steps in even tones",
)
