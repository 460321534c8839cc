"""How many tone levels does the file hold, and how many does it really use?"""

from __future__ import annotations

from pydantic import Field

from printqueue.core.model.finding import Finding, Level, unmeasured
from printqueue.core.model.measures import Measure, Word, YesNo
from printqueue.core.model.subject import Subject
from printqueue.core.units import number_text
from printqueue.core.yaml.limits import Limits
from printqueue.core.yaml.quantity import Percent
from printqueue.core.yaml.yaml_model import default
from printqueue.judging.contract import Check, Explanation

_POSTERISED_PERCENT = 50.0  # of the tone range is empty: more than a curve alone can do, so a picture of few levels
_MORE_THAN_8_BITS = "more than 256"
_RESERVE = "Smooth gradients have less in reserve."
_IN_SIXTEEN = "16-bit file, but it holds an 8-bit picture."
_ONLY_A_CONTAINER = "The 16 bits are only a container: edits after the conversion may band."


class BitDepthLimits(Limits):
    """Levels for 8-bit files, 8 bits in a wide space, 8 bits hidden in 16, and a combed histogram."""

    eight_bit: Level = Field(Level.NOTE, description="8 bits a channel")
    eight_bit_wide: Level = Field(Level.WARN, description="8 bits in a very wide space")
    eight_in_sixteen: Level = Field(Level.NOTE, description="16-bit file that holds an 8-bit picture")
    combed: Level = Field(Level.NOTE, description="gaps in the tones, as a strong curve on 8 bits leaves")
    combed_above: Percent = default("8 %", "more of the tone range than this is empty")


def judge(subject: Subject, limits: BitDepthLimits) -> Finding:
    """Return the worst of the four states; levels used come from the histogram of all pixels."""
    used, bits = subject.number(Measure.LEVELS_USED), subject.picture.bits
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
        (subject.says_yes(YesNo.LEVELS_EIGHT_IN_SIXTEEN), limits.eight_in_sixteen, _IN_SIXTEEN, _ONLY_A_CONTAINER),
    ]
    if subject.picture.bits == 8 and subject.text(Word.PROFILE_SPACE) == "romm":
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
    combed = subject.number(Measure.LEVELS_COMBED_PERCENT) or 0.0
    if combed <= limits.combed_above:
        return []
    from_what = "a strong curve on 8 bits leaves such gaps"
    if combed > _POSTERISED_PERCENT:
        from_what = "posterised, or a drawing of few tones"
    return [
        Finding(
            "bit-depth",
            limits.combed,
            f"{number_text(combed)} % of the tone range is empty: {from_what}.",
            measured=round(combed, 1),
            limit=limits.combed_above,
            unit="%",
            why="Gaps can show as steps in smooth areas.",
            do="Apply the curve to the 16-bit original.",
            origin="your rule; found by trial on photographs",
        )
    ]


CHECK = Check(
    "bit-depth",
    BitDepthLimits,
    judge,
    Explanation(
        question="How fine are the tones, in the container and in truth?",
        measures="Bits of the file; distinct levels used in the busiest channel, of every pixel; whether 99 % of the pixels between black "
        "and white lie on an 8-bit grid, or on 256 levels that were one before a curve; and the share of the tone range left empty. "
        "Toned and black-and-white pictures are judged alike.",
        matters="Prints show steps in smooth gradients that a display may hide; 8 bits print well unless pushed.",
        source="Common practice, no source. Our own grid rule: over 99 % of values divisible by 257 or 256, or over 95 % within 2 of a "
        "multiple of 257, or at most 256 levels as evenly spaced as a curve leaves them. An 8-bit picture that was resized, or "
        "converted between colour spaces with a matrix, in 16 bit cannot be told apart, and need not be.",
        typical="16-bit originals: tens of thousands of levels; 8-bit: 256 or fewer.",
    ),
    headline="has too few tones for {paper}",
    called="bit depth",
)
