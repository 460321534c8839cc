"""Do smooth areas climb like stairs?"""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from printqueue.contract import Check, Explanation
from printqueue.fields import Limits, Percent
from printqueue.model.finding import Finding, Level, unmeasured
from printqueue.model.region import told
from printqueue.model.subject import Subject
from printqueue.units import number_text

_L_PER_COUNT = 100 / 255  # encoded values are about even in L*, as the usual spaces are made


class BandingLimits(Limits):
    """How much of the picture may climb in steps coarser than those of 8 bits, and what more of it weighs."""

    area_above: Annotated[Percent | None, Field(description="more of the picture than this climbs in coarse steps")] = (
        None
    )
    level: Annotated[Level, Field(description="what that weighs")] = Level.WARN


def judge(subject: Subject, limits: BandingLimits) -> Finding:
    """Compare the stepped area with the limit."""
    area, step = subject.number("banding.area_percent"), subject.number("banding.step_counts")
    if area is None:
        return unmeasured("banding", limits.unmeasurable, "% of area")
    if limits.area_above is not None and area > limits.area_above:
        return _stairs(subject, limits.level, area, step, limits.area_above)
    says = "No coarse steps in smooth areas."
    if area > 0:
        says = f"Coarse steps in {number_text(area)} % of the picture."
    return Finding("banding", Level.PASS, says, measured=round(area, 2), limit=limits.area_above, unit="% of area")


def _stairs(subject: Subject, level: Level, area: float, step: float | None, limit: float) -> Finding:
    places = subject.regions("banding")
    most = told(places, "most")
    high = ""
    if step is not None:
        high = f" of {number_text(step)}/255 of the tone scale (about {number_text(step * _L_PER_COUNT)} L*)"
    return Finding(
        "banding",
        level,
        f"{number_text(area)} % of the picture climbs in steps{high} instead of evenly{most}.",
        measured=round(area, 2),
        limit=limit,
        unit="% of area",
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
