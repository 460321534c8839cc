"""How much darker are the corners than the centre? Descriptive; a limit applies only if the photographer sets one."""

from __future__ import annotations

from dataclasses import replace
from math import log2

from pydantic import Field

from printqueue.core.model.finding import Finding, Level, unmeasured
from printqueue.core.model.measures import Measure
from printqueue.core.model.subject import Subject
from printqueue.core.units import number_text
from printqueue.core.yaml.limits import Limits
from printqueue.core.yaml.quantity import Lightness
from printqueue.imaging.colour.exposure import luminance
from printqueue.judging.contract import Check, Explanation, crossed

_MAX_STOPS = 3.0  # beyond this the corner is as good as black, and no exposure brings it back


class VignetteLimits(Limits):
    """How much darker than the centre all four corners may be."""

    note_above: Lightness | None = Field(None, description="corners darker than the centre by more are noted")
    warn_above: Lightness | None = Field(
        None, description="corners darker by more are warned of; not set, because a vignette may be meant"
    )


def judge(subject: Subject, limits: VignetteLimits) -> Finding:
    """Describe the corners; they count as dark only if all four are."""
    corners, lightest = subject.number(Measure.VIGNETTE_CORNERS_L), subject.number(Measure.VIGNETTE_LIGHTEST_CORNER_L)
    if corners is None or lightest is None:
        return _not_measurable(subject, limits)
    darker, says = -corners, f"The corners are {number_text(-corners, 0)} L* darker than the centre."
    if lightest >= 0:
        darker, says = -lightest, _one_light_corner(corners, lightest)
    level, limit = crossed(darker, warn=limits.warn_above, note=limits.note_above)
    found = Finding("vignette", level, says, measured=round(darker, 1), limit=limit, unit="L*")
    if level is Level.PASS:
        return found
    return replace(
        found,
        why="Dark corners show more against white paper than on a screen: the border lies right beside them.",
        do=f"Nothing, if the dark corners are meant; else lighten them in the lens correction{_by(subject, darker)}.",
        origin="a description; your rule" if level is Level.NOTE else "your rule",
    )


def _not_measurable(subject: Subject, limits: VignetteLimits) -> Finding:
    if not subject.tried(Measure.VIGNETTE_CORNERS_L):
        return unmeasured("vignette", limits.unmeasurable, "L*")
    do = "" if limits.unmeasurable is Level.PASS else "Nothing; look at the corners yourself."
    says = "The picture is too small for corners and a centre: not measurable."
    return Finding("vignette", limits.unmeasurable, says, unit="L*", do=do)


def _one_light_corner(corners: float, lightest: float) -> str:
    if corners > 0.5:
        return f"The corners are {number_text(corners, 0)} L* lighter than the centre."
    if lightest < 0.5:
        return "The corners are as light as the centre."
    return f"No dark corners all round: one is {number_text(lightest, 0)} L* lighter than the centre."


def _by(subject: Subject, darker: float) -> str:
    """', by about 0.7 stop' in the corners, if exposure can do it."""
    centre = subject.number(Measure.VIGNETTE_CENTRE_L)
    if centre is None or not 0 <= centre - darker <= 100:
        return ""
    stops = log2(max(luminance(centre), 1e-6) / max(luminance(centre - darker), 1e-6))
    words = number_text(stops)
    return f", by about {words} stop{'s' if round(stops, 1) > 1 else ''}" if 0.05 < stops <= _MAX_STOPS else ""


CHECK = Check(
    "vignette",
    VignetteLimits,
    judge,
    Explanation(
        question="How dark are the corners against the centre?",
        measures="Corners against centre in L* of the delivered picture, on a working copy: a smooth surface (even tilt plus the "
        "cos⁴ shape of a lens's fall-off) fitted so that objects are left out. They count as dark only where all four are: a "
        "picture that is lighter on one side has no vignette. Lighter corners are no fault.",
        matters="On a screen the surround is dark; on a wall the white border lies beside each corner and shows it.",
        source="Our own measure, held by tests to the closed form of the cos⁴ law: (L* + 16)(cos^(4/3) θ − 1), within 1 L* up to 40° "
        "in the corner. Limits: a description, no source; a subject lit in its middle reads like a lens's fall-off.",
        typical="Even light −3 to 3 L*; the cos⁴ law at 20 to 30° in the corner 5 to 16; a flower before black 30 and more, as it is meant.",
    ),
    headline="has corners that are too dark for {paper}",
)
