"""Does shadow detail survive this paper's blacks?"""

from __future__ import annotations

from printqueue.contract import Check, Explanation
from printqueue.fields import Limits, Percent
from printqueue.model.finding import Finding, Level, unmeasured
from printqueue.model.subject import Subject
from printqueue.units import number_text


class ContrastLimits(Limits):
    """Share of the picture's area whose shadow detail keeps less than half its separation in the proof."""

    lost_above: Percent | None = None
    level: Level = Level.WARN


def judge(subject: Subject, limits: ContrastLimits) -> Finding:
    """Compare the area of flattened shadow detail with the limit."""
    lost = subject.number("tone.shadow_lost_percent")
    if lost is None:
        return unmeasured("contrast", limits.unmeasurable, "%")
    shown = f"{number_text(lost)} % of the area"
    if limits.lost_above is None or lost <= limits.lost_above:
        return Finding(
            "contrast",
            Level.PASS,
            f"Shadow detail flattened on {shown}.",
            measured=round(lost, 1),
            limit=limits.lost_above,
            unit="%",
        )
    black = number_text(subject.paper.black[0], 0)
    return Finding(
        "contrast",
        limits.level,
        f"Shadow detail on {shown} keeps less than half of its separation.",
        measured=round(lost, 1),
        limit=limits.lost_above,
        unit="%",
        why=f"This paper's black is L* {black}: the deepest tones are squeezed together above it.",
        do="Open the shadows a little with a curve, or try a lift of 1/3 stop on a test strip.",
        instead="A paper with a deeper black (baryta) keeps them apart.",
    )


CHECK = Check(
    "contrast",
    ContrastLimits,
    judge,
    Explanation(
        question="Does shadow detail survive on this paper?",
        measures="In small blocks darker than L* 40 that hold detail: the spread of L* in the proof against the delivered picture. "
        "The share of the whole area where less than half is left.",
        matters="Matte blacks lie around L* 17 to 24: separation that a display shows can vanish in one grey.",
        source="Black point compensation maps luminance linearly (ISO 18619), so L* just above black is flattened. Slope over "
        "L* 0 to 8, measured on the demonstration profiles: baryta 0.87, smooth matte 0.37, textured 0.35, washi 0.21. "
        "Limits: common practice, no source.",
        typical="Daylight pictures 0 to 3 %; night on matte paper 10 to 40 %.",
    ),
)
