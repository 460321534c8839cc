"""`NAME.strip.txt`: how to print a test strip, what each piece shows, and the line to paste. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from printqueue.core.model.paper import Intent
from printqueue.core.text import shown
from printqueue.core.units import number_text, stops_text
from printqueue.reports.layout import page, row
from printqueue.reports.printing import AT_FULL_SIZE, DEMONSTRATION, media_words, printer_rows
from printqueue.studio.papers.schema import Paper

_DRY = "dry, in the light it will hang in."


@dataclass(frozen=True, slots=True)
class StripShown:
    """What the note needs to know. `part_px`: left, top, width, height of the part in source pixels."""

    picture: str
    paper: Paper
    profile_name: str
    demonstration: bool
    size: str
    picture_mm: tuple[float, float]
    sheet: str
    sheet_mm: tuple[float, float]
    part_px: tuple[float, float, float, float]
    part_mm: tuple[float, float]
    chosen: bool  # the part was chosen as the most telling one, not asked for
    labels: Sequence[Sequence[str]]  # of each piece, the lines to paste
    order_name: str
    checked: str


def labels(pieces: Sequence[tuple[float, Intent]], usual: Intent) -> tuple[tuple[str, ...], ...]:
    """Under each piece the lines of an order that make a print like it; the intent where any piece needs it said."""
    said = any(intent is not usual for _, intent in pieces)
    return tuple(
        (f"lift: {stops_text(lift).lstrip('+')}", *([f"intent: {intent}"] if said else [])) for lift, intent in pieces
    )


def head_words(picture: str, paper: Paper, profile_name: str, size: str, *, demonstration: bool) -> tuple[str, ...]:
    """The lines above the pieces."""
    first = (DEMONSTRATION,) if demonstration else ()
    return (
        *first,
        f"Test strip  ·  {shown(picture)}  ·  {shown(paper.paper)}",
        f"Profile: {shown(profile_name)}",
        media_words(paper).capitalize(),
        f"At the very scale of the print on {shown(size)}, {paper.print.ppi} ppi",
    )


def foot_words() -> tuple[str, ...]:
    """The lines below them."""
    return (f"Judge it {_DRY}", "Paste the line under the piece that you choose into the picture's order.")


def strip_text(strip: StripShown) -> str:
    """The whole text."""
    demo = [f"{DEMONSTRATION} Its tones are a model's, not your printer's.", ""] if strip.demonstration else []
    lines = [*demo, f"Test strip: “{shown(strip.picture)}” on {shown(strip.paper.paper)}, {strip.sheet}.", ""]
    lines += [row(f"Piece {number}", ", ".join(said)) for number, said in enumerate(strip.labels, 1)]
    lines += [
        "",
        row("Judge", f"{_DRY.capitalize()} Look at the deepest shadows and the lights."),
        row(
            "Then",
            f"Put the line of the piece that you choose into {shown(strip.order_name)} beside the picture in ready/.",
        ),
        row("Part", _part_words(strip)),
        row("Sheet", f"{strip.sheet}: {' × '.join(number_text(mm) for mm in strip.sheet_mm)} mm."),
        "",
        *printer_rows(strip.paper, strip.profile_name),
        row("Place", AT_FULL_SIZE),
        row("Checked", strip.checked),
    ]
    return page(lines)


def _part_words(strip: StripShown) -> str:
    left, top, width, height = (number_text(value, 0) for value in strip.part_px)
    across, up = (number_text(mm, 0) for mm in strip.part_mm)
    whole = " × ".join(number_text(mm, 0) for mm in strip.picture_mm)
    why = " It was chosen for its range of tones; ask for another with --crop." if strip.chosen else ""
    return (
        f"{across} × {up} mm out of the print of {whole} mm on {shown(strip.size)}: {width} × {height} px of the picture, from "
        f"{left}, {top} (--crop={left},{top},{width},{height}).{why}"
    )
