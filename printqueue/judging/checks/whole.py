"""Is the file readable to its end?

Reading itself refuses damaged files (`PictureError`); this check confirms that everything was read,
and gives a refusal its place among the findings.
"""

from __future__ import annotations

from pydantic import Field

from printqueue.core.model.finding import Finding, Level
from printqueue.core.model.measures import Measure
from printqueue.core.model.subject import Subject
from printqueue.core.yaml.limits import Limits
from printqueue.judging.contract import Check, Explanation


class WholeLimits(Limits):
    """No settings: a picture that cannot be read cannot be printed."""

    unmeasurable: Level = Field(Level.REJECT, description="rows that could not be read")


def judge(subject: Subject, limits: WholeLimits) -> Finding:
    """Pass if every row was read; `read.rows` counts them."""
    rows, height = subject.number(Measure.READ_ROWS), subject.picture.height_px
    if rows == height:
        return Finding(
            "whole", Level.PASS, f"All {height} rows were read to the end.", measured=height, limit=height, unit="rows"
        )
    return Finding(
        "whole",
        limits.unmeasurable,
        "The picture could not be read to its end.",
        measured=rows,
        limit=height,
        unit="rows",
        do="Export it again, and wait until the copy has finished.",
        why="The missing part would come out of the printer as a bare or black strip.",
        origin="fact",
        allowable=False,
    )


CHECK = Check(
    "whole",
    WholeLimits,
    judge,
    Explanation(
        question="Did the file arrive whole, and can it be read to its end?",
        measures="The structure of the file (every strip, tile or scan inside it, none empty), then every row of pixels. "
        "A suspiciously empty tail waits for a while, because a copy may still be under way.",
        matters="A picture that is half there decodes without an error in many programs, and prints with a black foot.",
        source="TIFF 6.0, ISO/IEC 10918-1 (JPEG), ISO/IEC 15948 (PNG): the structure each of them demands.",
        typical="Passes, or the copy was cut short.",
    ),
    headline="cannot be used as it is",
    called="file",
)
