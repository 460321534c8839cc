"""Is the delivered picture too dark for this paper, as pictures from a bright screen are?"""

from __future__ import annotations

from printqueue.contract import Check, Explanation
from printqueue.fields import Lightness, Limits, Stops
from printqueue.model.finding import Finding, Level, unmeasured
from printqueue.model.subject import Subject
from printqueue.units import number_text

_CUBE = 116.0


class BrightnessLimits(Limits):
    """Dark: the median is less than `above_black` over the paper's black.

    `dark` is the level when at least `headroom` is unused at the light end (a bright screen's habit),
    `lit` the level when the lights are there (low key with lit lights is intent).
    """

    above_black: Lightness | None = None
    headroom: Stops = 0.5
    dark: Level = Level.WARN
    lit: Level = Level.NOTE


def judge(subject: Subject, limits: BrightnessLimits) -> Finding:
    """Median L* of the delivered picture, after its lift, against the paper's black."""
    median, light = subject.number("tone.median_L"), subject.number("tone.p99_5_L")
    if median is None or light is None:
        return unmeasured("brightness", limits.unmeasurable, "L*")
    black = subject.paper.black[0]
    floor = None if limits.above_black is None else black + limits.above_black
    spare = headroom_stops(light)
    if floor is None or median >= floor:
        says = f"Median L* {number_text(median, 0)}, lights to L* {number_text(light, 0)}."
        return Finding("brightness", Level.PASS, says, measured=round(median, 1), limit=floor, unit="L*")
    return _dark(subject, limits, median, light, floor, spare)


def headroom_stops(lightest_L: float) -> float:
    """Stops of exposure that fit above L* `lightest_L` before white: −log2 of its luminance (CIE 15)."""
    from math import log2

    Y = ((lightest_L + 16) / _CUBE) ** 3 if lightest_L > 8 else lightest_L * 27 / 24389
    return -log2(max(Y, 1e-6))


def _dark(
    subject: Subject, limits: BrightnessLimits, median: float, light: float, floor: float, spare: float
) -> Finding:
    black = subject.paper.black[0]
    says = f"Median L* {number_text(median, 0)}: only {number_text(median - black, 0)} L* over this paper's black (L* {number_text(black, 0)})"
    if median < black:
        says = f"Median L* {number_text(median, 0)}, darker than this paper's black (L* {number_text(black, 0)})"
    unused = spare >= limits.headroom
    if unused:
        says += (
            f"; {number_text(spare)} stops are unused at the light end (lights reach only L* {number_text(light, 0)})."
        )
    else:
        says += f"; the lights are lit (L* {number_text(light, 0)}), so this is taken as meant."
    return Finding(
        "brightness",
        limits.dark if unused else limits.lit,
        says,
        measured=round(median, 1),
        limit=round(floor, 1),
        unit="L*",
        why="A print only reflects light: what glows on a bright screen sinks into the paper's black on a wall.",
        do="Try a lift of 1/3 stop (order: lift: 1/3 stop), judged on a test strip in the light where it will hang."
        if unused
        else "Nothing, if the dark is meant.",
    )


CHECK = Check(
    "brightness",
    BrightnessLimits,
    judge,
    Explanation(
        question="Is it too dark for paper?",
        measures="Median L* of the delivered picture after its lift, against the paper's black, and the exposure still unused above "
        "its lights (99.5th percentile). Judged on the delivered picture: black point compensation lightens every proof.",
        matters="The most common fault of prints: edited on a bright screen, they come out dull and dark.",
        source="Limits and the usual +1/3 stop: common practice, no source. L* and luminance: CIE 15:2004.",
        typical="Most pictures L* 40 to 60; fog 75; night 15 with lit lights.",
    ),
)
