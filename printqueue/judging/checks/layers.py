"""Is the file one flat picture?"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated

from pydantic import Field

from printqueue.core.model.finding import Finding, Level
from printqueue.core.model.measures import YesNo
from printqueue.core.model.subject import Subject
from printqueue.core.yaml.limits import Limits
from printqueue.judging.contract import Check, Explanation

# EXIF 2.32, tag 274: the turns that it may ask for; 2, 4, 5 and 7 mirror as well
_TURNED = {
    3: ", turned upside down as its orientation tag says",
    6: ", turned to the right as its orientation tag says",
    8: ", turned to the left as its orientation tag says",
}
_MIRRORING = (2, 4, 5, 7)


@dataclass(frozen=True, slots=True)
class _State:
    """What a file may be beside one flat picture."""

    says: str
    measured: str
    why: str
    do: str
    headline: str = ""
    allowable: bool = True


_TRANSPARENT = _State(
    "Parts of the picture are transparent.",
    "transparent",
    why="What lies behind the transparent parts is not in the file; ink needs a decision.",
    do="Flatten the picture onto its background and export it without transparency.",
    headline="is partly transparent",
    allowable=False,
)
_COMPOSITE = _State(
    "Layers are in the file; its saved flat composite is printed.",
    "composite",
    why="The flat composite was taken; if it is older than the layers, the print is too.",
    do="Nothing, if the composite was saved with the last edit.",
)
_SELECTION = _State(
    "A saved selection is in the file; it is left out.",
    "selection",
    why="It has no ink.",
    do="Nothing; delete the saved selection if it disturbs you.",
)
_MIRRORED = _State(
    "The orientation tag mirrors the picture; it was obeyed.",
    "mirrored",
    why="Few programs mean to mirror a picture; writing in it would read backwards.",
    do="Look whether the print should be mirrored; if not, export again without the tag.",
)


def _pages(count: int) -> _State:
    return _State(
        f"The file holds {count} pages.",
        f"{count} pages",
        why="Only you know which of them is the picture.",
        do="Export the one picture as its own file.",
        allowable=False,
    )


class LayersLimits(Limits):
    """Levels for transparency, several pages, a saved composite or selection, a mirrored orientation."""

    transparency: Annotated[Level, Field(description="pixels that are really transparent")] = Level.REJECT
    pages: Annotated[Level, Field(description="several true pages in one file")] = Level.REJECT
    composite: Annotated[Level, Field(description="a flat composite saved together with its layers")] = Level.NOTE
    selection: Annotated[Level, Field(description="a saved selection in an extra channel")] = Level.NOTE
    mirrored: Annotated[Level, Field(description="an orientation tag that mirrors the picture")] = Level.WARN


def judge(subject: Subject, limits: LayersLimits) -> Finding:
    """The worst of the states found; one flat picture passes."""
    return max(_states(subject, limits), key=lambda finding: finding.level.weight)


def _states(subject: Subject, limits: LayersLimits) -> list[Finding]:
    picture = subject.picture
    says = f"One flat picture{_TURNED.get(picture.orientation, '')}."
    found = [
        (subject.says_yes(YesNo.LAYERS_TRANSPARENT), limits.transparency, _TRANSPARENT),
        (picture.pages > 1, limits.pages, _pages(picture.pages)),
        (picture.layered, limits.composite, _COMPOSITE),
        (picture.selection, limits.selection, _SELECTION),
        (picture.orientation in _MIRRORING, limits.mirrored, _MIRRORED),
    ]
    flat = Finding("layers", Level.PASS, says, measured=1, limit=1, unit="pages")
    return [flat, *(_finding(level, state) for is_so, level, state in found if is_so)]


def _finding(level: Level, state: _State) -> Finding:
    return Finding(
        "layers",
        level,
        state.says,
        measured=state.measured,
        limit="one flat picture",
        why=state.why,
        do=state.do,
        origin="fact",
        headline=state.headline,
        allowable=state.allowable,
    )


CHECK = Check(
    "layers",
    LayersLimits,
    judge,
    Explanation(
        question="Is it one flat picture?",
        measures="Transparency really used, true pages (thumbnails and masks do not count), layers beside a saved composite, "
        "saved selections, orientation tags. An orientation tag is obeyed; one that mirrors is warned of.",
        matters="The printer gets one flat picture; anything else has to be decided by you, before.",
        source="TIFF 6.0: ExtraSamples (338), NewSubfileType (254), Orientation (274).",
        typical="Passes; masters with layers get a note.",
    ),
    headline="is not one flat picture",
)
