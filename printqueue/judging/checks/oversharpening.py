"""Do the edges ring? Measured at print scale, on the picture's own clean contours."""

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
from printqueue.core.yaml.yaml_model import default
from printqueue.judging.contract import Check, Explanation, crossed


class OversharpeningLimits(Limits):
    """Halo height, in % of the edge's own step, that a quarter of the clean edges reach.

    A reject also requires `share`: the part of the edges with a visible halo (over 10 %).
    """

    reject_above: Percent | None = Field(
        None, description="a higher halo turns the picture back, where `share` is reached too"
    )
    warn_above: Percent | None = Field(None, description="a higher halo is warned of")
    share: Percent = default("50 %", "part of the edges that must show a halo for a reject")


def judge(subject: Subject, limits: OversharpeningLimits) -> Finding:
    """Compare the two-sided contour overshoot with the limits."""
    score, share = subject.number(Measure.HALO_SCORE_PERCENT), subject.number(Measure.HALO_SHARE_PERCENT)
    if score is None:
        return _not_measurable(subject, limits)
    reject = limits.reject_above if (share or 0.0) >= limits.share else None
    level, limit = crossed(score, reject=reject, warn=limits.warn_above)
    found = Finding(
        "oversharpening",
        level,
        f"Halo {number_text(max(score, 0.0), 0)} % on {_edges(subject)} clean edges.{_added(subject)}",
        measured=round(score, 1),
        limit=limits.reject_above if limit is None else limit,
        unit="%",
    )
    return found if level is Level.PASS else _ringing(subject, score, found)


def _added(subject: Subject) -> str:
    """How the print's own sharpening has changed the halo."""
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


def _ringing(subject: Subject, score: float, found: Finding) -> Finding:
    width, share = subject.number(Measure.HALO_WIDTH_MM), subject.number(Measure.HALO_SHARE_PERCENT) or 0.0
    where, added = subject.regions(Where.HALO), _added(subject)
    how_wide = f", about {number_text(width, 2)} mm wide" if width else ""
    return replace(
        found,
        says=f"Halo {number_text(score, 0)} %: beside a quarter of {_edges(subject)} clean edges run a light and a dark rim of that part "
        f"of the edge's own step or more{how_wide}; on {number_text(share, 0)} % of the edges rims can be seen"
        f"{worst_place(where, 'most of all')}.{added}",
        why="Ink spread on this texture softens fine rims, but rims this strong still show as outlines."
        if subject.paper.surface.textured
        else "A smooth sheet shows every rim: bright lines along dark edges look like cut-outs.",
        do="Ask for less in the paper's rules (print: sharpen), or for none."
        if added
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
