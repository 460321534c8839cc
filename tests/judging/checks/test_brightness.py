"""The brightness check: darkness of the delivered picture, and the lift that the light asks for and the lights allow."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from printqueue.core.model.finding import Level, Value
from printqueue.core.model.measures import LIFT_COST, Key, Measure
from printqueue.judging.checks.brightness import BrightnessLimits, judge, suggested_lift
from tests.judging.checks.tone_support import subject

LIMITS = BrightnessLimits.model_validate({"above_black": "12 L*"})
FREE = (0.0, 0.0, 0.0, 0.0, 0.0, 0.0)


def dark(light: float = 60.0, cost: tuple[float, ...] = FREE, median: float = 20.0) -> dict[Key, Value]:
    """Numbers of a dark picture; `cost` in percent for 1/3 to 2 stops."""
    costs: dict[Key, Value] = dict(zip(LIFT_COST.values(), cost, strict=True))
    return {Measure.TONE_MEDIAN_L: median, Measure.TONE_P99_5_L: light} | costs


@pytest.mark.parametrize(
    ("median", "light", "level"),
    [(29.0, 60.0, Level.PASS), (28.9, 60.0, Level.WARN), (28.9, 87.3, Level.WARN), (28.9, 87.4, Level.NOTE)],
)
def test_on_and_around_the_limits(median: float, light: float, level: Level) -> None:
    """Black 17 + 12 is bright enough; half a stop of headroom (L* 87.34) parts a warning from a note."""
    assert judge(subject(dark(light, median=median)), LIMITS).level is level


@pytest.mark.parametrize(
    ("lux", "screen", "lift", "thirds"),
    [
        (200, 100, 0.0, 2),
        (500, 100, 0.0, -2),
        (100, 100, 0.0, 5),
        (200, 200, 0.0, 5),
        (200, 100, 1 / 3, 1),
        (20, 100, 0.0, 6),
    ],
)
def test_what_the_light_asks_for(lux: float, screen: float, lift: float, thirds: int) -> None:
    """log2 of screen white over paper white (E/π × 91 %), in thirds of a stop, less the lift that is given already.

    By hand: 200 lx 58 cd/m², log2(100/58.2) = 0.78; 500 lx −0.54; 100 lx 1.78; a lift of 1/3 leaves 0.45.
    """
    assert suggested_lift(subject(dark(), lux=lux, screen=screen, lift=lift), 0.5).asked == thirds


def test_a_darker_paper_asks_for_more() -> None:
    """Cream washi (L* 91.5) reflects 0.16 stop less than cool rag (L* 96.5): with 170 lx that is a third more."""
    cool, cream = (suggested_lift(subject(dark(), white=white, lux=190), 0.5).asked for white in (96.5, 91.5))
    assert (cool, cream) == (3, 3)
    cool, cream = (suggested_lift(subject(dark(), white=white, lux=205), 0.5).asked for white in (96.5, 91.5))
    assert (cool, cream) == (2, 3)


@pytest.mark.parametrize(
    ("cost", "allowed", "suggested"),
    [(FREE, 6, 2), ((0.5, 0.51, 1, 2, 3, 4), 1, 1), ((0.6, 1, 2, 3, 4, 5), 0, 0), ((0.1, 0.2, 0.9, 2, 3, 4), 2, 2)],
)
def test_limited_by_what_it_would_clip(cost: tuple[float, ...], allowed: int, suggested: int) -> None:
    """No more than what sends half a percent of the area to bare paper; the limit itself is allowed."""
    lift = suggested_lift(subject(dark(cost=cost)), LIMITS.lift_cost)
    assert (lift.allowed, lift.thirds) == (allowed, suggested)


def test_without_costs_the_lights_decide() -> None:
    """Where no cost was measured, what fits above the 99.5th percentile is allowed: L* 60 leaves 1.8 stops."""
    numbers: dict[Key, Value] = {Measure.TONE_MEDIAN_L: 20.0, Measure.TONE_P99_5_L: 60.0}
    assert suggested_lift(subject(numbers), 0.5).allowed == 5


def test_never_beyond_what_an_order_may_ask() -> None:
    """Two stops in all are the most, whatever the light."""
    lift = suggested_lift(subject(dark(), lux=10, lift=5 / 3), 0.5)
    assert (lift.asked, lift.allowed, lift.thirds) == (6, 1, 1)


@settings(max_examples=100, deadline=None, derandomize=True, database=None)
@given(
    st.lists(st.floats(0, 3), min_size=6, max_size=6).map(sorted),
    st.floats(5, 10_000),
    st.floats(40, 500),
    st.floats(-2, 2),
)
def test_a_suggestion_keeps_its_promise(cost: list[float], lux: float, screen: float, lift: float) -> None:
    """Whatever the light, the suggested lift costs no more than its limit and stays within the order's range."""
    found = suggested_lift(subject(dark(cost=tuple(cost)), lux=lux, screen=screen, lift=lift), 0.5)
    assert 0 <= found.thirds <= 6
    assert lift + found.thirds / 3 <= 2 + 1e-6
    if found.thirds:
        assert cost[found.thirds - 1] <= 0.5


def test_says_its_assumptions() -> None:
    """The remedy names the order line, the cost, the two whites, and the usual order of size."""
    found = judge(subject(dark(cost=(0.0, 0.2, 1, 2, 3, 4))), LIMITS)
    assert "lift of 2/3 stop (order: lift: 2/3 stop)" in found.do
    assert "Then 0.2 % of the area is bare paper." in found.do
    assert found.instead == (
        "Paper white in 200 lx is 58 cd/m², the screen's 100 (light: in studio.yaml): that asks for 2/3 stop; "
        "+1/3 stop is the usual order of size."
    )


def test_says_when_the_lights_do_not_allow_it() -> None:
    """More asked for than the lights allow: both are said, with the price."""
    found = judge(subject(dark(cost=(0.3, 4.0, 5, 6, 7, 8))), LIMITS)
    assert "lift of 1/3 stop" in found.do
    assert found.instead.endswith(
        "asks for 2/3 stop, which would leave 4 % of the area bare; the lights allow only 1/3 stop."
    )
    none = judge(subject(dark(cost=(3.0, 4.0, 5, 6, 7, 8))), LIMITS)
    assert "curve" in none.do
    assert none.instead.endswith("the lights allow none.")


def test_an_order_that_lifts_already() -> None:
    """The order line names the whole lift, not the rest."""
    found = judge(subject(dark(), lift=1 / 3), LIMITS)
    assert "Try more than the 1/3 stop that it has: another 1/3 stop (order: lift: 2/3 stop)" in found.do


def test_bright_light_asks_for_nothing() -> None:
    """In 1,000 lx paper is lighter than the screen: only the usual third is offered, and it is said why."""
    found = judge(subject(dark(), lux=1000), LIMITS)
    assert "order: lift: 1/3 stop" in found.do
    assert "asks for no lift" in found.instead


def test_low_key_with_lit_lights_is_meant() -> None:
    """No remedy is pressed on a night picture whose lights are lit."""
    found = judge(subject(dark(light=97)), LIMITS)
    assert (found.level, found.do) == (Level.NOTE, "Nothing, if the dark is meant.")


def test_unused_headroom_of_a_bright_picture_is_said() -> None:
    """Fog up to L* 80 passes, and the room above it (0.8 stops) is told."""
    found = judge(subject(dark(light=80, median=70)), LIMITS)
    assert found.level is Level.PASS
    assert "0.8 stops are unused at the light end" in found.says
