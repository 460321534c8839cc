"""Is the file one flat picture?"""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from printqueue.contract import Check, Explanation
from printqueue.fields import Limits
from printqueue.model.finding import Finding, Level
from printqueue.model.subject import Subject

# EXIF 2.32, tag 274: the turns that it may ask for; 2, 4, 5 and 7 mirror as well
_TURNED = {
    3: ", turned upside down as its orientation tag says",
    6: ", turned to the right as its orientation tag says",
    8: ", turned to the left as its orientation tag says",
}
_FLATTEN = "Flatten the picture onto its background and export it without transparency."


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
    found = [Finding("layers", Level.PASS, says, measured=1, limit=1, unit="pages")]
    if subject.text("layers.transparent") == "yes":
        why = "What lies behind the transparent parts is not in the file; ink needs a decision."
        found.append(
            _finding(
                limits.transparency,
                "Parts of the picture are transparent.",
                "transparent",
                why,
                _FLATTEN,
                headline="is partly transparent",
                allowable=False,
            )
        )
    if picture.pages > 1:
        says, why = f"The file holds {picture.pages} pages.", "Only you know which of them is the picture."
        found.append(
            _finding(
                limits.pages,
                says,
                f"{picture.pages} pages",
                why,
                "Export the one picture as its own file.",
                allowable=False,
            )
        )
    if picture.layered:
        why = "The flat composite was taken; if it is older than the layers, the print is too."
        do = "Nothing, if the composite was saved with the last edit."
        found.append(
            _finding(
                limits.composite, "Layers are in the file; its saved flat composite is printed.", "composite", why, do
            )
        )
    if picture.selection:
        do = "Nothing; delete the saved selection if it disturbs you."
        found.append(
            _finding(
                limits.selection, "A saved selection is in the file; it is left out.", "selection", "It has no ink.", do
            )
        )
    if picture.orientation in (2, 4, 5, 7):
        why = "Few programs mean to mirror a picture; writing in it would read backwards."
        do = "Look whether the print should be mirrored; if not, export again without the tag."
        found.append(
            _finding(limits.mirrored, "The orientation tag mirrors the picture; it was obeyed.", "mirrored", why, do)
        )
    return found


def _finding(
    level: Level, says: str, measured: str, why: str, do: str, *, headline: str = "", allowable: bool = True
) -> Finding:
    return Finding(
        "layers",
        level,
        says,
        measured=measured,
        limit="one flat picture",
        why=why,
        do=do,
        origin="fact",
        headline=headline,
        allowable=allowable,
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
