"""Bit depth: the container, what it holds, gaps, and a toned black-and-white that passes unremarked."""

from __future__ import annotations

from dataclasses import replace
from typing import Literal

import pytest

from printqueue.core.model.finding import Finding, Level, Value
from printqueue.core.model.measures import Key, Measure, Word, YesNo
from printqueue.core.model.paper import PaperFacts, Surface
from printqueue.core.model.picture import PictureFacts
from printqueue.core.model.request import Request
from printqueue.core.model.subject import Subject
from printqueue.core.units import Size
from printqueue.judging.checks.bit_depth import BitDepthLimits, judge

PAPER = PaperFacts("p", "P", Surface.BARYTA, (96, 0, 0), (5, 0, 0), (), "p.icc", profile_is_demonstration=False)


def subject(
    bits: Literal[8, 16] = 16,
    *,
    used: int | None = None,
    old: str = "no",
    combed: float = 0.0,
    space: str = "adobe-rgb",
) -> Subject:
    """A picture with these levels; `space` and the names after "levels."."""
    measured: dict[Key, Value] = {
        Measure.LEVELS_USED: used or (40_000 if bits == 16 else 250),
        YesNo.LEVELS_EIGHT_IN_SIXTEEN: old,
        Measure.LEVELS_COMBED_PERCENT: combed,
        Word.PROFILE_SPACE: space,
    }
    picture = PictureFacts("TIFF", 6000, 4000, bits, "rgb")
    return Subject(picture, PAPER, Request("p", Size("A3", 297, 420)), None, measured)


def found(case: Subject, **limits: str) -> Finding:
    """The finding; `limits` as written in a paper."""
    return judge(case, BitDepthLimits.model_validate(limits))


@pytest.mark.parametrize(
    ("case", "level", "says"),
    [
        (subject(16), Level.PASS, "16 bit, 40000 levels used."),
        (subject(16, space="romm"), Level.PASS, "16 bit, 40000 levels used."),
        (subject(8), Level.NOTE, "8 bit: good enough"),
        (subject(8, space="romm"), Level.WARN, "very wide colour space"),
        (subject(16, used=256, old="yes"), Level.NOTE, "holds an 8-bit picture"),
        (subject(16, combed=8.0), Level.PASS, "16 bit"),
        (subject(16, combed=8.1), Level.NOTE, "8.1 % of the tone range is empty: a strong curve"),
        (subject(16, combed=88.0), Level.NOTE, "posterised"),
    ],
)
def test_each_state(case: Subject, level: Level, says: str) -> None:
    """Container, content and gaps, each at its level; nothing here turns a picture back."""
    finding = found(case)
    assert finding.level is level
    assert says in finding.says
    assert level is Level.PASS or (finding.why and finding.do)


def test_toned_black_and_white_passes_unremarked() -> None:
    """One curve per channel on 16 bits: many levels, no grid, no gap, no word."""
    assert found(subject(16, used=6_000)).level is Level.PASS


def test_the_worst_of_several_is_said() -> None:
    """8 bits in a wide space with gaps: the warning, not the note."""
    assert found(subject(8, space="romm", combed=30.0)).level is Level.WARN


def test_the_photographer_s_own_levels() -> None:
    """Each state has its level, and the gaps their limit."""
    assert found(subject(8), eight_bit="pass").level is Level.PASS
    assert found(subject(16, old="yes"), eight_in_sixteen="reject").level is Level.REJECT
    combed = found(subject(16, combed=10.0), combed="warn", combed_above="12 %")
    assert combed.level is Level.PASS
    assert found(subject(16, combed=12.1), combed="warn", combed_above="12 %").limit == 12


def test_without_numbers() -> None:
    """Not measured is said."""
    assert "other findings" in judge(replace(subject(), measured={}), BitDepthLimits()).says
