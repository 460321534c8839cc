"""Do the 8 × 8 blocks of JPEG compression show, and how coarsely did it round the picture?"""

from __future__ import annotations

from dataclasses import replace

from pydantic import Field

from printqueue.core.model.finding import Finding, Level, unmeasured
from printqueue.core.model.measures import Measure, Where
from printqueue.core.model.region import worst_place
from printqueue.core.model.subject import Subject
from printqueue.core.units import MM_PER_INCH, number_text
from printqueue.core.yaml.fields import Whole
from printqueue.core.yaml.limits import Limits
from printqueue.core.yaml.quantity import Percent
from printqueue.judging.contract import Check, Explanation, crossed

_BLOCK_PX = 8  # ITU-T T.81, A.1.1


class CompressionLimits(Limits):
    """Steps at block edges, in % of the activity in calm places; and the quality that the picture was saved with."""

    warn_above: Percent | None = Field(None, description="blocks that stand out more are warned of")
    note_above: Percent | None = Field(None, description="blocks that stand out more are noted")
    coarse_quality: Whole | None = Field(
        None, description="a picture last saved as JPEG at this quality (1 to 100) or less is noted, blocks or none"
    )
    unmeasurable: Level = Field(Level.PASS, description="no calm place, so none where a block could be seen")


def judge(subject: Subject, limits: CompressionLimits) -> Finding:
    """Visible blocks first; then coarse rounding, where detail hides them."""
    score, quality = subject.number(Measure.COMPRESSION_SCORE_PERCENT), subject.number(Measure.COMPRESSION_QUALITY)
    if not subject.tried(Measure.COMPRESSION_SCORE_PERCENT):
        return unmeasured("compression", limits.unmeasurable, "%")
    if score is None:
        says = "No calm place here where blocks of compression could be seen."
        found = Finding("compression", limits.unmeasurable, says, unit="%")
    else:
        level, limit = crossed(score, warn=limits.warn_above, note=limits.note_above)
        says = f"No visible blocks of compression{_last_saved(quality)}."
        found = Finding("compression", level, says, measured=round(score, 1), limit=limit, unit="%")
        if level is not Level.PASS:
            return _blocks(subject, score, quality, found)
    if quality is not None and limits.coarse_quality is not None and quality <= limits.coarse_quality:
        return _coarse(quality, limits.coarse_quality)
    return found


def _last_saved(quality: float | None) -> str:
    return "" if quality is None else f" (last saved as JPEG at quality {number_text(quality, 0)} or so)"


def _blocks(subject: Subject, score: float, quality: float | None, found: Finding) -> Finding:
    places = subject.regions(Where.COMPRESSION)
    size = ""
    if subject.placement is not None and subject.placement.source_ppi > 0:
        block_mm = _BLOCK_PX * MM_PER_INCH / subject.placement.source_ppi
        size = f"; at this size a block is {number_text(block_mm, 2)} mm"
    return replace(
        found,
        says=f"JPEG blocks show in calm places{worst_place(places, 'most')}: the steps at their edges are {number_text(score, 0)} % of "
        f"what else goes on there{size}{_last_saved(quality)}.",
        why="Only wide or strong blocks show through this texture; these may, in skies and other calm places."
        if subject.paper.surface.textured
        else "A smooth sheet shows a faint chequer in skies and other calm places.",
        do="Export again from the original as 16-bit TIFF, or as JPEG at quality 90 or more; saving this file again "
        "at a higher quality brings nothing back.",
        instead="Without the original: a little grain over the calm places hides the blocks.",
        where=places,
    )


def _coarse(quality: float, limit: int) -> Finding:
    return Finding(
        "compression",
        Level.NOTE,
        f"Last saved as JPEG at quality {number_text(quality, 0)} or so: coarsely rounded, though detail hides the blocks.",
        measured=round(quality),
        limit=limit,
        unit="of 100",
        why="Fine tones are lost and edges may be fringed; a lift or sharpening brings the blocks out.",
        do="Export again from the original as 16-bit TIFF, or as JPEG at quality 90 or more.",
    )


CHECK = Check(
    "compression",
    CompressionLimits,
    judge,
    Explanation(
        question="Do the blocks of JPEG compression show?",
        measures="In calm places (neighbouring steps under 3 % of the tone scale) of up to 128 tiles at the file's own pixels: how much "
        "larger the step at the strongest of eight positions of an 8-px grid is than at the second strongest, in % of the mean "
        "step there plus one 8-bit count; the smaller of both directions. A pattern that repeats every 8 px does not count. "
        "Beside it the rounding of the blocks' cosine coefficients, which gives the quality of the last saving while no "
        "pixel was changed since; it survives another file format, a crop and 16 bits.",
        matters="A block is 0.56 mm wide at 360 ppi: too small to see across a room, plain at reading distance in a clear sky.",
        source="Our own measure. Blocks, transform and tables: ITU-T T.81 (ISO/IEC 10918-1), A.3.3, A.3.4, K.1; luma: ITU-T T.871; "
        "the scale 1 to 100 is that of the format's reference library. Limits: found by trial on photographs; that JPEG "
        "is no fault in itself is common practice, no source.",
        typical="Untouched 0 to 7 %; quality 95: 3; 85: 18; 70: 36; 50: 55. Enlargement, noise and blur stay under 6 %. A JPEG that was "
        "enlarged by other than whole factors is not recognised.",
    ),
    marks="blocks of compression",
)
