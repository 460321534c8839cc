"""Can this paper show the picture's colours, regardless of how light it shows them?"""

from __future__ import annotations

from dataclasses import replace
from typing import Annotated

from pydantic import Field

from printqueue.core.model.finding import Finding, Level, unmeasured
from printqueue.core.model.measures import GAMUT_OVER, Measure, Where, Word
from printqueue.core.model.region import worst_place
from printqueue.core.model.subject import Subject
from printqueue.core.units import number_text
from printqueue.core.yaml.limits import Limits
from printqueue.core.yaml.quantity import DIFFERENCE, Percent
from printqueue.core.yaml.yaml_model import default
from printqueue.judging.contract import Check, Explanation, crossed


class GamutLimits(Limits):
    """Share of the picture's area whose hue and chroma change by more than `over` on this paper."""

    over: Annotated[float, DIFFERENCE.within(1, 15)] = default(
        "6 dE00", "a smaller change of hue and chroma does not count"
    )
    warn_above: Percent | None = Field(None, description="more of the area that changes is warned of")
    note_above: Percent | None = Field(None, description="more of the area that changes is noted")


def judge(subject: Subject, limits: GamutLimits) -> Finding:
    """Compare the area that changes by more than `over` with the limits."""
    share = share_over(subject, limits.over)
    if share is None:
        return unmeasured("gamut", limits.unmeasurable, "%")
    level, limit = crossed(share, warn=limits.warn_above, note=limits.note_above)
    found = Finding(
        "gamut",
        level,
        f"Hue and chroma change by more than ΔE00 {number_text(limits.over)} on {number_text(share)} % of the area.",
        measured=round(share, 1),
        limit=limit,
        unit="%",
    )
    return found if level is Level.PASS else _changed(subject, limits.over, share, found)


def share_over(subject: Subject, difference: float) -> float | None:
    """Share of the area in percent that changes by more than `difference` ΔE00; linear between the measured rungs."""
    known = [(rung, share) for rung, name in GAMUT_OVER.items() if (share := subject.number(name)) is not None]
    if not known:
        return None
    below = max((one for one in known if one[0] <= difference), default=known[0])
    above = min((one for one in known if one[0] >= difference), default=known[-1])
    if above[0] == below[0]:
        return below[1]
    part = (difference - below[0]) / (above[0] - below[0])
    return below[1] + part * (above[1] - below[1])


def _changed(subject: Subject, over: float, share: float, found: Finding) -> Finding:
    hues = subject.text(Word.GAMUT_HUES)
    where = subject.regions(Where.GAMUT)
    mostly = f", mostly {hues}" if hues else ""
    matte = subject.paper.surface.matte
    return replace(
        found,
        says=f"Hue and chroma change by more than ΔE00 {number_text(over)} on {number_text(share, 0)} % of the "
        f"area{mostly}{_weaker(subject)}{worst_place(where, 'most of all')}.",
        why="Matte ink on this surface is less colourful than a screen: what it cannot show becomes the nearest that it can."
        if matte
        else "These colours are stronger than any ink on this paper: neighbouring tones of them can run into one.",
        do="Soft-proof with this paper's profile, and take back the saturation of "
        f"{f'the {hues} tones' if hues else 'the strongest colours'} until their detail returns.",
        instead="A baryta paper shows stronger colours; or let a strip judge the perceptual intent (order: intent: perceptual)."
        if matte
        else "Let a strip judge the perceptual intent (order: intent: perceptual).",
        where=where,
    )


def _weaker(subject: Subject) -> str:
    before, after = subject.number(Measure.GAMUT_CHROMA_BEFORE), subject.number(Measure.GAMUT_CHROMA_AFTER)
    if before is None or after is None:
        return ""
    return f" (their mean chroma goes from {number_text(before, 0)} to {number_text(after, 0)})"


CHECK = Check(
    "gamut",
    GamutLimits,
    judge,
    Explanation(
        question="Can this paper show the picture's colours?",
        measures="CIEDE2000 between the delivered picture and its proof, each relative to its own white, without the lightness term, on a "
        "working copy of a quarter of a megapixel: the share of area that changes by more than `over` (measured at ΔE00 1, 2, 3, 4, 6, 8, "
        "10, 12 and 15, straight lines between). Hues are families of the Munsell system by the hue angle of CIELAB: red from 10°, "
        "orange 45°, yellow 75°, yellow-green 105°, green 130°, blue-green 175°, blue 210°, violet 305°, magenta 325°. Hues, chroma and "
        "places are those of what changes by more than 6, or by more than 3 where less than 1 % does.",
        matters="Strong colours that a paper cannot show turn into flat patches. Lightness is left out: black point compensation lightens "
        "dark tones on purpose, and every dark neutral on matte paper would count.",
        source="CIEDE2000: Sharma, Wu and Dalal (2005). Hue families: ASTM D1535, boundaries rounded to 5°. Limits: common practice, "
        "no source.",
        typical="Over ΔE00 6, median and highest of 20 photographs on the demonstration papers: baryta 0 and 0 %, smooth matte 3 and "
        "50 %, textured 9 and 74 %, washi 19 and 97 %; toned black-and-white 0 %.",
    ),
    headline="has colours that {paper} cannot show",
    called="colours",
    marks="colours out of reach",
)
