"""Does the picture say what it is called, who made it, and whose it is?"""

from __future__ import annotations

from pydantic import Field

from printqueue.core.model.finding import Finding, Level
from printqueue.core.model.subject import Subject
from printqueue.core.text import enumerated
from printqueue.core.yaml.limits import Limits
from printqueue.judging.contract import Check, Explanation


class LabellingLimits(Limits):
    """The level for each missing part; `pass` for a part you do not want."""

    title: Level = Field(Level.NOTE, description="no title, neither in the file nor in the order")
    maker: Level = Field(Level.NOTE, description="no maker (creator, artist) in the file")
    rights: Level = Field(Level.NOTE, description="no copyright notice in the file")


def judge(subject: Subject, limits: LabellingLimits) -> Finding:
    """Return the most severe of what is missing, naming all of it."""
    said = subject.picture.metadata
    present = {"title": subject.request.title or said.title, "maker": said.creator, "rights": said.rights}
    levels = {"title": limits.title, "maker": limits.maker, "rights": limits.rights}
    wanted = [part for part, level in levels.items() if level is not Level.PASS]
    missing = [part for part in wanted if not (present[part] or "").strip()]
    if not missing:
        are = "is" if wanted in (["title"], ["maker"]) else "are"
        says = f"{enumerated(wanted).capitalize()} {are} there." if wanted else "No label is asked for."
        return Finding(
            "labelling", Level.PASS, says, measured=", ".join(wanted) or "none", limit=", ".join(wanted) or None
        )
    may = " A title may also stand in the order (title: …)." if "title" in missing else ""
    return Finding(
        "labelling",
        max((levels[part] for part in missing), key=lambda level: level.weight),
        f"The file names {enumerated([f'no {part}' for part in missing])}.",
        measured=f"without {', '.join(missing)}",
        limit=", ".join(wanted),
        why="What the file says is carried over into the print file; a print file without it is nobody's.",
        do=f"Fill it in once in your editor's description of the picture, and export again.{may}",
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
