"""Is the delivered picture too dark for this paper, as pictures edited on a bright screen tend to be?"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import takewhile

from pydantic import Field

from printqueue.core.model.finding import Finding, Level, unmeasured
from printqueue.core.model.measures import LIFT_COST, Measure
from printqueue.core.model.subject import Subject
from printqueue.core.units import number_text, stops_text
from printqueue.core.yaml.limits import Limits
from printqueue.core.yaml.quantity import Lightness, Percent, Stops
from printqueue.core.yaml.yaml_model import default
from printqueue.imaging.colour.exposure import headroom_stops, paper_white_cd_m2, stops_asked_by_light
from printqueue.judging.contract import Check, Explanation

_MAX_THIRDS = max(LIFT_COST)  # two stops, the most an order may ask for
_USUAL_THIRDS = 1


class BrightnessLimits(Limits):
    """Dark: the median is less than `above_black` above the paper's black.

    `dark` applies if at least `headroom` is unused at the light end (typical of a bright screen),
    `lit` if the lights are there (low key with bright lights is intentional). A suggested lift sends
    at most `lift_cost` of the area to bare paper.
    """

    above_black: Lightness | None = Field(None, description="a median nearer than this to the paper's black is dark")
    headroom: Stops = default("1/2 stop", "unused at the light end: the habit of a bright screen")
    dark: Level = Field(Level.WARN, description="dark, with that much to spare")
    lit: Level = Field(Level.NOTE, description="dark, but the lights are lit: taken as meant")
    lift_cost: Percent = default("0.5 %", "part of the area that a suggested lift may send to bare paper")


def judge(subject: Subject, limits: BrightnessLimits) -> Finding:
    """Compare the delivered picture's median L*, after its lift, with the paper's black."""
    median, light = subject.number(Measure.TONE_MEDIAN_L), subject.number(Measure.TONE_P99_5_L)
    if median is None or light is None:
        return unmeasured("brightness", limits.unmeasurable, "L*")
    floor = None if limits.above_black is None else subject.paper.black[0] + limits.above_black
    if floor is None or median >= floor:
        spare = headroom_stops(light)
        unused = f"; {number_text(spare)} stops are unused at the light end" if spare >= limits.headroom else ""
        says = f"Median L* {number_text(median, 0)}, lights to L* {number_text(light, 0)}{unused}."
        return Finding("brightness", Level.PASS, says, measured=round(median, 1), limit=floor, unit="L*")
    return _dark(subject, limits, (median, light), floor)


def _dark(subject: Subject, limits: BrightnessLimits, tones: tuple[float, float], floor: float) -> Finding:
    (median, light), spare, black = tones, headroom_stops(tones[1]), subject.paper.black[0]
    says = f"Median L* {_apart(median, black)}: only {number_text(median - black, 0)} L* over this paper's black (L* {_apart(black, median)})"
    if median < black:
        says = f"Median L* {_apart(median, black)}, darker than this paper's black (L* {_apart(black, median)})"
    unused = spare >= limits.headroom
    if unused:
        says += (
            f"; {number_text(spare)} stops are unused at the light end (lights reach only L* {number_text(light, 0)})."
        )
    else:
        says += f"; the lights are lit (L* {number_text(light, 0)}), so this is taken as meant."
    lift = suggested_lift(subject, limits.lift_cost)
    return Finding(
        "brightness",
        limits.dark if unused else limits.lit,
        says,
        measured=round(median, 1),
        limit=round(floor, 1),
        unit="L*",
        why="A print only reflects light: what glows on a bright screen sinks into the paper's black on a wall.",
        do=_remedy(subject, lift) if unused else "Nothing, if the dark is meant.",
        instead=_in_this_light(subject, lift),
    )


@dataclass(frozen=True, slots=True)
class Lift:
    """A lift for the viewing light, in thirds of a stop, on top of the lift that the order already gives.

    The light asks for `asked` (0 or less: no lift), the picture's lights allow `allowed`. The smaller of the two would
    leave `cost_percent` of the area as bare paper, `asked` would leave `asked_cost_percent`. Cost None: not measured.
    """

    asked: int
    allowed: int
    cost_percent: float | None
    asked_cost_percent: float | None

    @property
    def thirds(self) -> int:
        """The lift to suggest."""
        return max(0, min(self.asked, self.allowed))


def suggested_lift(subject: Subject, cost_limit: float) -> Lift:
    """The lift that makes up for paper white being darker than the screen's, as far as at most `cost_limit` % go bare.

    It depends on the light alone. A lift that restored the median in the proof would darken the print, because
    black point compensation lightens the proof's shadows.
    """
    light, given = subject.setting.light, subject.request.lift_stops
    stops = stops_asked_by_light(light.print_lux, subject.paper.white[0], light.screen_cd_m2) - given
    costs = [subject.number(name) for name in LIFT_COST.values()]
    asked = min(round(stops * 3), _MAX_THIRDS)
    room_in_order = int((_MAX_THIRDS / 3 - given) * 3 + 1e-6)
    allowed = max(0, min(_allowed(subject, costs, cost_limit), room_in_order))
    return Lift(asked, allowed, _cost(costs, min(asked, allowed)), _cost(costs, asked))


def _allowed(subject: Subject, costs: list[float | None], cost_limit: float) -> int:
    """Thirds of a stop that cost at most the limit; if no cost was measured, those that fit above the lights."""
    if costs[0] is None:
        return int(headroom_stops(subject.number(Measure.TONE_P99_5_L) or 0.0) * 3)
    return sum(1 for _ in takewhile(lambda cost: cost is not None and cost <= cost_limit, costs))


def _cost(costs: list[float | None], thirds: int) -> float | None:
    return costs[thirds - 1] if 1 <= thirds <= len(costs) else None


def _remedy(subject: Subject, lift: Lift) -> str:
    if lift.allowed == 0:
        return "Open the shadows and middle tones with a curve; the lights leave no room for a lift."
    thirds = lift.thirds or _USUAL_THIRDS
    bare = ""
    if lift.thirds and lift.cost_percent is not None:
        bare = f" Then {number_text(lift.cost_percent)} % of the area is bare paper."
    return (
        f"Try {_more(subject)} {_stops(thirds / 3)} (order: lift: {_stops(subject.request.lift_stops + thirds / 3)}), "
        f"judged on a test strip in the light where it will hang.{bare}"
    )


def _more(subject: Subject) -> str:
    given = subject.request.lift_stops
    return f"more than the {_stops(given)} that it has: another" if given > 0 else "a lift of"


def _stops(stops: float) -> str:
    return stops_text(stops).removeprefix("+")


def _in_this_light(subject: Subject, lift: Lift) -> str:
    """What the viewing light asks for, with the assumptions made, and whether the picture's lights allow it."""
    light = subject.setting.light
    white = paper_white_cd_m2(light.print_lux, subject.paper.white[0])
    assumed = (
        f"Paper white in {number_text(light.print_lux, 0)} lx is {number_text(white, 0)} cd/m², the screen's "
        f"{number_text(light.screen_cd_m2, 0)} (light: in studio.yaml)"
    )
    if lift.asked <= 0:
        return f"{assumed}: that alone asks for no lift; +1/3 stop is the usual order of size."
    asks = f"{assumed}: that asks for {_stops(lift.asked / 3)}"
    if lift.asked <= lift.allowed:
        return f"{asks}; +1/3 stop is the usual order of size."
    cost = lift.asked_cost_percent
    price = f", which would leave {number_text(cost)} % of the area bare" if cost is not None else ""
    allowed = f"only {_stops(lift.allowed / 3)}" if lift.allowed else "none"
    return f"{asks}{price}; the lights allow {allowed}."


def _apart(value: float, other: float) -> str:
    """Whole L*, or to a tenth if the two would otherwise read the same."""
    return number_text(value, 0 if round(value) != round(other) else 1)


CHECK = Check(
    "brightness",
    BrightnessLimits,
    judge,
    Explanation(
        question="Is it too dark for paper?",
        measures="Median L* of the delivered picture after its lift, against the paper's black, and the exposure still unused above "
        "its lights (99.5th percentile). Judged on the delivered picture: nothing in a proof is darker than the paper's black, and black "
        "point compensation lightens every proof. The lift that it suggests is log2 of the screen's white over paper white (illuminance "
        "/ π × reflectance) in thirds of a stop, cut where more than `lift_cost` of the area would become bare paper.",
        matters="The most common fault of prints: edited on a bright screen, they come out dull and dark.",
        source="Limits and the usual +1/3 stop: common practice, no source. L* and luminance: CIE 15:2004. Paper white: a matt surface "
        "(Lambert's law); 200 lx and a screen of 100 cd/m² unless studio.yaml says otherwise.",
        typical="Most pictures L* 40 to 60; fog 75; night 15 with lit lights. "
        "A lift of +1/3 stop turns 0.5 % of the area into bare paper (median of 20 photographs).",
    ),
    headline="is too dark for {paper}",
)
