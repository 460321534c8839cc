"""Does the picture say what it is called, who made it, and whose it is?"""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from printqueue.core.model.finding import Finding, Level
from printqueue.core.model.subject import Subject
from printqueue.core.yaml.limits import Limits
from printqueue.judging.contract import Check, Explanation

_PARTS = ("title", "maker", "rights")


class LabellingLimits(Limits):
    """The level of each part that is missing; `pass` where you do not want it."""

    title: Annotated[Level, Field(description="no title, neither in the file nor in the order")] = Level.NOTE
    maker: Annotated[Level, Field(description="no maker (creator, artist) in the file")] = Level.NOTE
    rights: Annotated[Level, Field(description="no copyright notice in the file")] = Level.NOTE


def judge(subject: Subject, limits: LabellingLimits) -> Finding:
    """The heaviest of what is missing, all of it named."""
    said = subject.picture.metadata
    present = {"title": subject.request.title or said.title, "maker": said.creator, "rights": said.rights}
    levels = {"title": limits.title, "maker": limits.maker, "rights": limits.rights}
    wanted = [part for part in _PARTS if levels[part] is not Level.PASS]
    missing = [part for part in wanted if not (present[part] or "").strip()]
    if not missing:
        says = f"{_listed(wanted).capitalize()} {_are(wanted)} there." if wanted else "No label is asked for."
        return _finding(Level.PASS, says, wanted, [])
    level = max((levels[part] for part in missing), key=lambda one: one.weight)
    says = f"The file names {_listed([f'no {part}' for part in missing])}."
    return _finding(level, says, wanted, missing)


def _listed(parts: list[str]) -> str:
    return " and ".join([", ".join(parts[:-1]), parts[-1]] if len(parts) > 1 else parts)


def _are(parts: list[str]) -> str:
    return "is" if parts in (["title"], ["maker"]) else "are"


def _finding(level: Level, says: str, wanted: list[str], missing: list[str]) -> Finding:
    do = ""
    if missing:
        do = "Fill it in once in your editor's description of the picture, and export again."
        if "title" in missing:
            do += " A title may also stand in the order (title: …)."
    return Finding(
        "labelling",
        level,
        says,
        measured=f"without {', '.join(missing)}" if missing else ", ".join(wanted) or "none",
        limit=", ".join(wanted) or None,
        why="What the file says is carried over into the print file; a print file without it is nobody's."
        if do
        else "",
        do=do,
    )


CHECK = Check(
    "labelling",
    LabellingLimits,
    judge,
    Explanation(
        question="Does it name title, maker and rights?",
        measures="Whether the file's metadata (XMP, IPTC or EXIF, in this order) hold a title, a maker and a copyright notice. A title in "
        "the order counts too. What they say is not judged.",
        matters="The print file carries them over: years later it still says what it is and whose. The place where it was taken is left out.",
        source="Dublin Core dc:title, dc:creator, dc:rights in XMP (ISO 16684-1); IPTC-IIM 2:05, 2:80, 2:116; EXIF 2.32 tags 315, "
        "33432. That all three are wanted: common practice, no source.",
        typical="Maker and rights present where the camera or the import writes them; the title is what lacks most.",
    ),
    headline="is not labelled",
)
