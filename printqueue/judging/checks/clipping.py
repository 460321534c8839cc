"""What turns into bare paper or solid ink, after the lift?"""

from __future__ import annotations

from pydantic import Field

from printqueue.core.model.finding import Finding, Level, unmeasured
from printqueue.core.model.measures import Measure, Where, Word
from printqueue.core.model.region import Region
from printqueue.core.model.subject import Subject
from printqueue.core.units import number_text, stops_text
from printqueue.core.yaml.limits import Limits
from printqueue.core.yaml.quantity import Percent
from printqueue.imaging.colour.exposure import headroom_stops
from printqueue.judging.contract import Check, Explanation, crossed

_HEADROOM_SAID = 1 / 3  # stops; anything less leaves no room for a lift


class ClippingLimits(Limits):
    """Shares of area: the largest bare piece inside the picture, solid black; and how much of the edge is bare."""

    paper_warn_above: Percent | None = Field(None, description="a larger piece without ink is warned of")
    paper_note_above: Percent | None = Field(None, description="a larger piece without ink is noted")
    edge_note_above: Percent | None = Field(
        None, description="more of the picture's edge without ink: it melts into the border"
    )
    black_warn_above: Percent | None = Field(None, description="more solid black is warned of")
    black_note_above: Percent | None = Field(None, description="more solid black is noted")


def judge(subject: Subject, limits: ClippingLimits) -> Finding:
    """Return the worst of bare paper, melting edge and solid black."""
    bare = subject.number(Measure.TONE_BARE_LARGEST_PERCENT)
    edge = subject.number(Measure.TONE_BARE_EDGE_PERCENT)
    solid = subject.number(Measure.TONE_SOLID_PERCENT)
    if bare is None or edge is None or solid is None:
        return unmeasured("clipping", limits.unmeasurable, "%")
    nearest = limits.paper_warn_above if limits.paper_warn_above is not None else limits.paper_note_above
    level, limit = crossed(bare, warn=limits.paper_warn_above, note=limits.paper_note_above)
    says = (
        f"Largest bare piece {number_text(bare)} %, solid black {number_text(solid)} % of the area{_unused(subject)}."
    )
    found = [
        Finding("clipping", Level.PASS, says, measured=round(bare, 2), limit=nearest, unit="%"),
        _paper(subject, bare, level, limit),
        _solid(subject, solid, *crossed(solid, warn=limits.black_warn_above, note=limits.black_note_above)),
        _edge(subject, edge, limits.edge_note_above),
    ]
    return max(found, key=lambda finding: finding.level.weight)  # the first of equals


def _unused(subject: Subject) -> str:
    """The room above the lights, if there is enough for a lift."""
    light = subject.number(Measure.TONE_P99_5_L)
    room = 0.0 if light is None else headroom_stops(light)
    return f"; {number_text(room)} stops are unused at the light end" if room >= _HEADROOM_SAID else ""


def _paper(subject: Subject, bare: float, level: Level, limit: float | None) -> Finding:
    glossy = not subject.paper.surface.matte
    lift = subject.request.lift_stops
    lifted = f" after the lift of {stops_text(lift).removeprefix('+')}" if lift > 0 else ""
    where = subject.regions(Where.BARE)
    return Finding(
        "clipping",
        level,
        f"One piece of {number_text(bare)} % of the picture is bare paper{lifted}{_in(where)}.",
        measured=round(bare, 2),
        limit=limit,
        unit="%",
        why="On this surface bare paper beside ink shows as a difference in gloss."
        if glossy
        else "Bare paper has no tone to hold the light.",
        do="Bring the lightest tones down to about L* 97, or lower the lift."
        if lift > 0
        else "Bring the lightest tones down to about L* 97.",
        where=where,
    )


def _in(where: tuple[Region, ...]) -> str:
    return f" ({where[0].in_words()})" if where else ""


def _edge(subject: Subject, edge: float, limit: float | None) -> Finding:
    sides = subject.text(Word.TONE_BARE_SIDES)
    at = f" (at the {sides})" if sides else ""
    return Finding(
        "clipping",
        Level.NOTE if limit is not None and edge >= limit else Level.PASS,
        f"{number_text(edge, 0)} % of the picture's edge is bare paper{at}: it melts into the border.",
        measured=round(edge, 1),
        limit=limit,
        unit="%",
        why="Where no ink marks it, the picture has no edge.",
        do="If that is not meant, darken the lights at the edge slightly.",
        instead="A hairline around the picture, drawn in the editor, holds it together.",
    )


def _solid(subject: Subject, solid: float, level: Level, limit: float | None) -> Finding:
    where = subject.regions(Where.SOLID)
    return Finding(
        "clipping",
        level,
        f"{number_text(solid, 0)} % of the picture is solid black{_in(where)}.",
        measured=round(solid, 1),
        limit=limit,
        unit="%",
        why="Large solid areas scuff, mottle and make thin paper cockle."
        if subject.paper.surface.matte
        else "Large solid areas show fingerprints, scratches and bronzing.",
        do="Lift the deepest shadows just off black, or let the sheet dry flat.",
        where=where,
    )


CHECK = Check(
    "clipping",
    ClippingLimits,
    judge,
    Explanation(
        question="What becomes bare paper, and what solid ink?",
        measures="After lift and conversion, on a working copy of about 1 megapixel: the largest connected piece without ink (every channel "
        "within half a percent of none), the bare part of the picture's edge, and the share within half an L* of the deepest black "
        "that the print can show. The room that is left above the lights (99.5th percentile of L*) is said.",
        matters="On glossy and baryta surfaces bare paper shows as a gloss difference; heavy solids scuff on matte.",
        source="Limits: common practice, no source. At +1/3 stop everything above L* 91.4 becomes bare paper (arithmetic, CIE 15).",
        typical="Under 0.5 % in a well-made file.",
    ),
    headline="has parts without ink on {paper}",
    marks="bare paper or solid black",
)
