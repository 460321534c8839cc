"""How to print a file of ours: printer settings, colour, place; the same words beside a print and beside a strip. Pure."""

from __future__ import annotations

from printqueue.core.text import shown
from printqueue.reports.layout import row
from printqueue.studio.papers.schema import Paper

DEMONSTRATION = "DEMONSTRATION PROFILE: not for a real sheet."
AT_FULL_SIZE = (
    "Print at 100 %, centred, no fitting to the page. If told that the sheet exceeds the printable area: only bare border "
    "is lost."
)
_BLACK = {"matte": "matte black ink", "photo": "photo black ink", "either": "either black ink"}


def media_words(paper: Paper) -> str:
    """The printer's media, quality and black ink, as they must be set."""
    media = paper.printer.media or "the media setting that the profile was made with"
    quality = paper.printer.quality or "the quality setting that the profile was made with"
    return f"media: {shown(media)}; quality: {shown(quality)}; {_BLACK[paper.printer.black_ink]}"


def printer_rows(paper: Paper, profile_name: str) -> list[str]:
    """The printer's settings, and that nothing may convert the colours again."""
    name = f"{shown(paper.printer.name)}; " if paper.printer.name else ""
    return [
        row("Printer", f"{name}{media_words(paper)}; feed: {paper.printer.feed}."),
        row(
            "Colour",
            f"The colours are already converted, once, for {shown(profile_name)}. Nothing after this file may convert them "
            "again: in the printer's settings switch colour correction off. The profile holds for this media, quality and ink only.",
        ),
    ]
