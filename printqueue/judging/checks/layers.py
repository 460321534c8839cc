"""Is the file one flat picture?"""

from __future__ import annotations

from dataclasses import replace
from functools import partial

from pydantic import Field

from printqueue.core.model.finding import Finding, Level
from printqueue.core.model.measures import YesNo
from printqueue.core.model.subject import Subject
from printqueue.core.yaml.limits import Limits
from printqueue.judging.contract import Check, Explanation

# EXIF 2.32, tag 274: the turns it can ask for; 2, 4, 5 and 7 mirror as well
_TURNED = {
    3: ", turned upside down as its orientation tag says",
    6: ", turned to the right as its orientation tag says",
    8: ", turned to the left as its orientation tag says",
}
_MIRRORING = (2, 4, 5, 7)


_state = partial(Finding, "layers", Level.PASS, limit="one flat picture", origin="fact")
_TRANSPARENT = _state(
    "Parts of the picture are transparent.",
    measured="transparent",
    why="What lies behind the transparent parts is not in the file; ink needs a decision.",
    do="Flatten the picture onto its background and export it without transparency.",
    headline="is partly transparent",
    allowable=False,
)
_COMPOSITE = _state(
    "Layers are in the file; its saved flat composite is printed.",
    measured="composite",
    why="The flat composite was taken; if it is older than the layers, the print is too.",
    do="Nothing, if the composite was saved with the last edit.",
)
_SELECTION = _state(
    "A saved selection is in the file; it is left out.",
    measured="selection",
    why="It has no ink.",
    do="Nothing; delete the saved selection if it disturbs you.",
)
_MIRRORED = _state(
    "The orientation tag mirrors the picture; it was obeyed.",
    measured="mirrored",
    why="Few programs mean to mirror a picture; writing in it would read backwards.",
    do="Look whether the print should be mirrored; if not, export again without the tag.",
)


class LayersLimits(Limits):
    """Levels for transparency, several pages, a saved composite or selection, and a mirrored orientation."""

    transparency: Level = Field(Level.REJECT, description="pixels that are really transparent")
    pages: Level = Field(Level.REJECT, description="several true pages in one file")
    composite: Level = Field(Level.NOTE, description="a flat composite saved together with its layers")
    selection: Level = Field(Level.NOTE, description="a saved selection in an extra channel")
    mirrored: Level = Field(Level.WARN, description="an orientation tag that mirrors the picture")


def judge(subject: Subject, limits: LayersLimits) -> Finding:
    """Return the worst of the states found; one flat picture passes."""
    picture = subject.picture
    says = f"One flat picture{_TURNED.get(picture.orientation, '')}."
    several = _state(
        f"The file holds {picture.pages} pages.",
        measured=f"{picture.pages} pages",
        why="Only you know which of them is the picture.",
        do="Export the one picture as its own file.",
        allowable=False,
    )
    states = [
        (subject.says_yes(YesNo.LAYERS_TRANSPARENT), limits.transparency, _TRANSPARENT),
        (picture.pages > 1, limits.pages, several),
        (picture.layered, limits.composite, _COMPOSITE),
        (picture.selection, limits.selection, _SELECTION),
        (picture.orientation in _MIRRORING, limits.mirrored, _MIRRORED),
    ]
    found = [replace(state, level=level) for is_so, level, state in states if is_so]
    flat = Finding("layers", Level.PASS, says, measured=1, limit=1, unit="pages")
    return max([flat, *found], key=lambda finding: finding.level.weight)


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
