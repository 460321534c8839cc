"""Do the edges ring? Judged at print scale, on the picture's own clean contours."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from printqueue.core.model.finding import Finding, Level, unmeasured
from printqueue.core.model.measures import Measure, Where
from printqueue.core.model.region import told
from printqueue.core.model.subject import Subject
from printqueue.core.units import number_text
from printqueue.core.yaml.limits import Limits
from printqueue.core.yaml.quantity import Percent
from printqueue.core.yaml.yaml_model import default
from printqueue.judging.contract import Check, Explanation


class OversharpeningLimits(Limits):
    """Halo height in % of the edge's own step, reached by a quarter of the clean edges.

    A reject needs `share` as well: the part of the edges with a visible halo (over 10 %).
    """

    reject_above: Annotated[
        Percent | None, Field(description="a higher halo turns the picture back, where `share` is reached too")
    ] = None
    warn_above: Annotated[Percent | None, Field(description="a higher halo is warned of")] = None
    share: Percent = default("50 %", "part of the edges that must show a halo for a reject")


def judge(subject: Subject, limits: OversharpeningLimits) -> Finding:
    """Compare the two-sided contour overshoot with the limits."""
    score, share = subject.number(Measure.HALO_SCORE_PERCENT), subject.number(Measure.HALO_SHARE_PERCENT)
    if score is None:
        return _not_measurable(subject, limits)
    reject, warn = limits.reject_above, limits.warn_above
    if reject is not None and score > reject and (share or 0.0) >= limits.share:
        return _ringing(subject, Level.REJECT, score, reject)
    if warn is not None and score > warn:
        return _ringing(subject, Level.WARN, score, warn)
    return Finding(
        "oversharpening",
        Level.PASS,
        f"Halo {number_text(max(score, 0.0), 0)} % on {_edges(subject)} clean edges.{_added(subject)}",
        measured=round(score, 1),
        limit=warn if warn is not None else reject,
        unit="%",
    )


def _added(subject: Subject) -> str:
    """What the print's own sharpening has done to the halo."""
    before = subject.number(Measure.HALO_UNSHARPENED_PERCENT)
    if before is None or subject.request.sharpen is None:
        return ""
    return f" Before the sharpening that this paper's rules ask for it was {number_text(max(before, 0.0), 0)} %."


def _edges(subject: Subject) -> int:
    return int(subject.number(Measure.HALO_EDGES) or 0)


def _not_measurable(subject: Subject, limits: OversharpeningLimits) -> Finding:
    if not subject.tried(Measure.HALO_EDGES):
        return unmeasured("oversharpening", limits.unmeasurable, "%")
    edges = f"only {_edges(subject)} clean edges" if _edges(subject) else "no clean edges"
    return Finding(
        "oversharpening",
        limits.unmeasurable,
        f"Sharpening is not measurable here: {edges} (fog, sea, snow and foliage have few).",
        unit="%",
        why="Without clean edges no halo can be measured; look at the picture at 100 % yourself.",
        do=""
        if limits.unmeasurable in (Level.NOTE, Level.PASS)
        else "Check the edges by eye, then allow it: allow: [oversharpening].",
    )


def _ringing(subject: Subject, level: Level, score: float, limit: float) -> Finding:
    width, share = subject.number(Measure.HALO_WIDTH_MM), subject.number(Measure.HALO_SHARE_PERCENT) or 0.0
    where = subject.regions(Where.HALO)
    worst = told(where, "most of all")
    how_wide = f", about {number_text(width, 2)} mm wide" if width else ""
    textured = subject.paper.surface.textured
    return Finding(
        "oversharpening",
        level,
        f"Halo {number_text(score, 0)} %: beside a quarter of {_edges(subject)} clean edges run a light and a dark rim of that part "
        f"of the edge's own step or more{how_wide}; on {number_text(share, 0)} % of the edges rims can be seen{worst}.{_added(subject)}",
        measured=round(score, 1),
        limit=limit,
        unit="%",
        why="Ink spread on this texture softens fine rims, but rims this strong still show as outlines."
        if textured
        else "A smooth sheet shows every rim: bright lines along dark edges look like cut-outs.",
        do="Ask for less in the paper's rules (print: sharpen), or for none."
        if _added(subject)
        else "Go back before the sharpening step and export with about half the amount or a smaller radius.",
        instead="If the edges really are double (frost, rope, mortar), allow it: allow: [oversharpening].",
        where=where,
    )


CHECK = Check(
    "oversharpening",
    OversharpeningLimits,
    judge,
    Explanation(
        question="Do the edges ring from sharpening?",
        measures="Two-sided contour overshoot: along straight clean contours, how far the tone swings past both plateaus, in % of "
        "the edge's step; the value that the worst quarter of the edges reaches, steep edges counting more than soft ones, and rims of "
        "unlike height less than even ones. Measured on L* at the print's own pixel size: whole up to 8 megapixels, else on even "
        "bands of at most 16. Fewer than 12 usable edges: not measurable, never a silent pass.",
        matters="On paper a halo is a permanent bright outline; what looks crisp on a display looks cut out on a wall.",
        source="Our own measure, held by tests to its closed form: (1+a) Φ(x/s) − a Φ(x/√(s²+r²)) − 1 for amount a, radius r, "
        "edge blur s. Limits: common practice, no source.",
        typical="Sharp photographs, medians: unsharpened 1 % (nine in ten under 9 %), unsharp mask of 50 % at 1 px 8 %, 150 % at 1 px 29 %, "
        "300 % at 2 px 73 %.",
    ),
    headline="has edges that ring, too strongly for {paper}",
    called="sharpening",
    marks="edges that ring",
)
