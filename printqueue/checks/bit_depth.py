"""How many tone levels does the file hold, and how many are really used?"""

from __future__ import annotations

from printqueue.contract import Check, Explanation
from printqueue.fields import Limits
from printqueue.model.finding import Finding, Level, unmeasured
from printqueue.model.subject import Subject
from printqueue.units import number_text

_COMBED_PERCENT = 8.0  # of the tone range is empty; measured on photographs, strong curves on 8 bits
_MORE_THAN_8_BITS = "more than 256"
_RESERVE = "Smooth gradients have less in reserve."
_IN_SIXTEEN = "16-bit file, but it holds an 8-bit picture."
_ONLY_A_CONTAINER = "The 16 bits are only a container: edits after the conversion may band."


class BitDepthLimits(Limits):
    """Levels for 8-bit files, 8 bits in a wide space, 8 bits hidden in 16, and a combed histogram."""

    eight_bit: Level = Level.NOTE
    eight_bit_wide: Level = Level.WARN
    eight_in_sixteen: Level = Level.NOTE
    combed: Level = Level.NOTE


def judge(subject: Subject, limits: BitDepthLimits) -> Finding:
    """The worst of the four states; levels used come from the histogram of all pixels."""
    used, bits = subject.number("levels.used"), subject.picture.bits
    if used is None:
        return unmeasured("bit-depth", limits.unmeasurable, "levels")
    says = f"{bits} bit, {int(used)} levels used."
    fine = Finding("bit-depth", Level.PASS, says, measured=int(used), unit="levels", limit=_MORE_THAN_8_BITS)
    found = [*_container(subject, limits, int(used)), *_combed(subject, limits)]
    return max((fine, *(f for f in found if f.level is not Level.PASS)), key=lambda finding: finding.level.weight)


def _container(subject: Subject, limits: BitDepthLimits, used: int) -> list[Finding]:
    wide = "In so wide a space the steps between neighbouring levels can show as bands in skies and fog."
    states = [
        (subject.picture.bits == 8, limits.eight_bit, "8 bit: good enough for most prints.", _RESERVE),
        (subject.text("levels.eight_in_sixteen") == "yes", limits.eight_in_sixteen, _IN_SIXTEEN, _ONLY_A_CONTAINER),
    ]
    if subject.picture.bits == 8 and subject.text("profile.space") == "romm":
        states[0] = (True, limits.eight_bit_wide, "8 bit in a very wide colour space.", wide)
    return [
        Finding(
            "bit-depth",
            level,
            says,
            measured=used,
            limit=_MORE_THAN_8_BITS,
            unit="levels",
            why=why,
            do="Edit and export in 16 bit when there is a next version.",
            origin="common practice, no source",
        )
        for is_so, level, says, why in states
        if is_so
    ]


def _combed(subject: Subject, limits: BitDepthLimits) -> list[Finding]:
    combed = subject.number("levels.combed_percent") or 0.0
    if combed <= _COMBED_PERCENT:
        return []
    return [
        Finding(
            "bit-depth",
            limits.combed,
            f"{number_text(combed)} % of the tone range is empty (combed by a strong curve).",
            measured=round(combed, 1),
            limit=_COMBED_PERCENT,
            unit="%",
            why="Gaps can show as steps in smooth areas.",
            do="Apply the curve to the 16-bit original.",
            origin="common practice, no source",
        )
    ]


CHECK = Check(
    "bit-depth",
    BitDepthLimits,
    judge,
    Explanation(
        question="How fine are the tones, in the container and in truth?",
        measures="Bits of the file, distinct levels used in the busiest channel, whether nearly all values lie on an 8-bit grid, "
        "and the share of the range left empty. Toned and black-and-white pictures are judged alike.",
        matters="Prints show steps in smooth gradients that a display may hide; 8 bits print well unless pushed.",
        source="Common practice, no source. Grid rule: over 99 % of values divisible by 257 or 256, or over 95 % within 2 of a "
        "multiple of 257. An 8-bit picture that was resized in 16 bit cannot be told apart, and need not be.",
        typical="16-bit originals: tens of thousands of levels; 8-bit: 256 or fewer.",
    ),
)
