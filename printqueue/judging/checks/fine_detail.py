"""Is the picture's detail so fine that this paper's own texture swallows it?"""

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
from printqueue.judging.contract import Check, Explanation, crossed


class FineDetailLimits(Limits):
    """The part of the print's local contrast that lies in half-periods under 0.15 mm."""

    warn_above: Percent | None = Field(
        None, description="a larger part of the detail than this in under 0.15 mm is warned of"
    )
    note_above: Percent | None = Field(None, description="a larger part than this is noted")
    unmeasurable: Level = Field(Level.PASS, description="hardly any detail, or nothing but grain: nothing to lose")


def judge(subject: Subject, limits: FineDetailLimits) -> Finding:
    """Compare the fine share at print scale with the paper's limits."""
    share = subject.number(Measure.DETAIL_FINE_PERCENT)
    if share is None:
        return _not_measurable(subject, limits)
    level, limit = crossed(share, warn=limits.warn_above, note=limits.note_above)
    says = f"{number_text(share, 0)} % of the detail is finer than 0.15 mm."
    found = Finding("fine-detail", level, says, measured=round(share, 1), limit=limit, unit="%")
    return found if level is Level.PASS else _too_fine(subject, share, found)


def _not_measurable(subject: Subject, limits: FineDetailLimits) -> Finding:
    if not subject.tried(Measure.DETAIL_FINE_PERCENT):
        return unmeasured("fine-detail", limits.unmeasurable, "%")
    return Finding(
        "fine-detail",
        limits.unmeasurable,
        "Hardly any detail here beside grain: not measurable.",
        unit="%",
        why="What has no detail, the texture cannot take any from.",
        do="" if limits.unmeasurable is Level.PASS else "Nothing; look at it beside a print on this paper if in doubt.",
    )


def _too_fine(subject: Subject, share: float, found: Finding) -> Finding:
    places = subject.regions(Where.DETAIL)
    return replace(
        found,
        says=f"{number_text(share, 0)} % of the detail is finer than 0.15 mm at this size{worst_place(places, 'most of it')}.",
        why="The weave or fibre of this sheet is as coarse as that: reeds, rigging and hair sink into it."
        if subject.paper.surface.textured
        else "Detail this fine stands at the edge of what a print can hold.",
        do="Try a smoother paper for this picture.",
        instead="Larger: the same detail grows coarser with the print.",
        where=places,
    )


CHECK = Check(
    "fine-detail",
    FineDetailLimits,
    judge,
    Explanation(
        question="Is the detail too fine for this paper's texture?",
        measures="On L* at print scale: the part of the local contrast (all octaves with half-periods under 1.2 mm) that lies in "
        "half-periods under 0.15 mm, over 3.3 cycles/mm; it counts less and less up to 0.3 mm. What the calmest places hold is "
        "taken for grain and left out.",
        matters="Weave and fibre are as coarse as that: they break up reeds, rigging and hair, and leave bold forms alone.",
        source="Our own measure, held by tests to closed forms for lines and for noise. Limits and the advice: common practice, no source.",
        typical="At 360 ppi: soft flowers 7 to 10 %, people and streets 15 to 25, foliage and buildings 30 to 45, grass 45.",
    ),
    headline="has detail that is too fine for {paper}",
    called="fine detail",
    marks="detail that the texture hides",
)
