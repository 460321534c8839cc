"""Does shadow detail survive this paper's blacks?"""

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


class ContrastLimits(Limits):
    """Share of the picture's area whose shadow detail keeps less than half its separation in the proof."""

    lost_above: Percent | None = Field(
        None, description="part of the area whose shadow detail keeps less than half of its separation"
    )
    level: Level = Field(Level.WARN, description="what more than that weighs")


def judge(subject: Subject, limits: ContrastLimits) -> Finding:
    """Compare the area of flattened shadow detail with the limit."""
    lost = subject.number(Measure.TONE_SHADOW_LOST_PERCENT)
    if lost is None:
        return unmeasured("contrast", limits.unmeasurable, "%")
    says = f"Shadow detail flattened on {number_text(lost)} % of the area."
    found = Finding("contrast", Level.PASS, says, measured=round(lost, 1), limit=limits.lost_above, unit="%")
    if limits.lost_above is None or lost <= limits.lost_above:
        return found
    where = subject.regions(Where.SHADOWS)
    return replace(
        found,
        level=limits.level,
        says=f"Shadow detail on {number_text(lost)} % of the area keeps less than half of its separation"
        f"{worst_place(where, 'most of all')}{_kept(subject)}.",
        why=f"This paper's black is L* {number_text(subject.paper.black[0], 0)}: the deepest tones are squeezed together above it.",
        do="Open the shadows a little with a curve, or try a lift of 1/3 stop on a test strip.",
        instead="A paper with a deeper black (baryta) keeps them apart." if subject.paper.surface.matte else "",
        where=where,
    )


def _kept(subject: Subject) -> str:
    median, worst = subject.number(Measure.TONE_SHADOW_KEPT_PERCENT), subject.number(Measure.TONE_SHADOW_WORST_PERCENT)
    if median is None or worst is None:
        return ""
    return f"; half of all shadow detail keeps {number_text(median, 0)} % or less, the worst twentieth {number_text(worst, 0)} %"


CHECK = Check(
    "contrast",
    ContrastLimits,
    judge,
    Explanation(
        question="Does shadow detail survive on this paper?",
        measures="Separation is the standard deviation of L* among 7 × 7 pixels of a working copy of about 1 megapixel, after a mean over "
        "3 × 3. Where it is darker than L* 40 and the delivered picture's separation is over 0.5 L*, the proof's is compared with it: "
        "the share of the whole area where less than half is left.",
        matters="Matte blacks lie around L* 17 to 24: separation that a display shows can vanish in one grey.",
        source="Black point compensation maps luminance linearly (ISO 18619), so L* just above black is flattened. Slope over "
        "L* 0 to 8, measured on the demonstration profiles: baryta 0.87, smooth matte 0.37, textured 0.35, washi 0.21. "
        "Limits: common practice, no source.",
        typical="On smooth matte, of 20 photographs as they were: median 1.4 %, one (a sky full of stars) over 15 %; made 2 stops darker: "
        "median 7 %, three over 15 %. Noise of 2 codes in 255 moves it by 1 point, rarely by 4.",
    ),
    headline="loses its shadows on {paper}",
    marks="shadows that close",
)
