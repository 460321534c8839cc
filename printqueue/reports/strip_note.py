"""`NAME.strip.txt`: how to print a test strip, what each piece shows, and the line to paste. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from printqueue.core.model.paper import Intent, PaperFacts
from printqueue.core.text import shown
from printqueue.core.units import number_text, stops_text
from printqueue.imaging.jobs import Piece, StripMade, StripWish
from printqueue.reports.layout import page, row
from printqueue.reports.phrases import AT_FULL_SIZE, DEMONSTRATION, checked_words, media_words, printer_rows
from printqueue.studio.papers.schema import Paper

_DRY = "dry, in the light it will hang in."


@dataclass(frozen=True, slots=True)
class StripShown:
    """What the note needs to know; `size` is that of the print the strip is for."""

    picture: str
    paper: Paper
    facts: PaperFacts
    size: str
    wish: StripWish
    made: StripMade
    order_name: str


def labels(pieces: Sequence[Piece], usual: Intent) -> tuple[tuple[str, ...], ...]:
    """For each piece, the order lines that print a picture like it; they include the intent if any piece needs it."""
    said = any(piece.intent is not usual for piece in pieces)
    return tuple(
        (f"lift: {stops_text(piece.lift_stops).lstrip('+')}", *([f"intent: {piece.intent}"] if said else []))
        for piece in pieces
    )


def head_words(picture: str, paper: Paper, facts: PaperFacts, size: str) -> tuple[str, ...]:
    """The lines above the pieces."""
    first = (DEMONSTRATION,) if facts.profile_is_demonstration else ()
    return (
        *first,
        f"Test strip  ·  {shown(picture)}  ·  {shown(paper.paper)}",
        f"Profile: {shown(facts.profile_name)}",
        media_words(paper).capitalize(),
        f"At the very scale of the print on {shown(size)}, {paper.print.ppi} ppi",
    )


def foot_words() -> tuple[str, ...]:
    """The lines below the pieces."""
    return (f"Judge it {_DRY}", "Paste the line under the piece that you choose into the picture's order.")


def strip_text(strip: StripShown) -> str:
    """The note's full text."""
    made, demonstration = strip.made, strip.facts.profile_is_demonstration
    demo = [f"{DEMONSTRATION} Its tones are a model's, not your printer's.", ""] if demonstration else []
    lines = [*demo, f"Test strip: “{shown(strip.picture)}” on {shown(strip.paper.paper)}, {made.sheet}.", ""]
    lines += [row(f"Piece {number}", ", ".join(said)) for number, said in enumerate(strip.wish.labels, 1)]
    lines += [
        "",
        row("Judge", f"{_DRY.capitalize()} Look at the deepest shadows and the lights."),
        row(
            "Then",
            f"Put the line of the piece that you choose into {shown(strip.order_name)} beside the picture in ready/.",
        ),
        row("Part", _part_words(strip)),
        row("Sheet", f"{made.sheet}: {' × '.join(number_text(mm) for mm in made.sheet_mm)} mm."),
        "",
        *printer_rows(strip.paper, strip.facts.profile_name),
        row("Place", AT_FULL_SIZE),
        row("Checked", checked_words(made.verified)),
    ]
    return page(lines)


def _part_words(strip: StripShown) -> str:
    left, top, width, height = (number_text(value, 0) for value in strip.made.part_px)
    across, up = (number_text(mm, 0) for mm in strip.made.part_mm)
    whole = " × ".join(number_text(mm, 0) for mm in strip.made.picture_mm)
    why = " It was chosen for its range of tones; ask for another with --crop." if strip.wish.crop is None else ""
    return (
        f"{across} × {up} mm out of the print of {whole} mm on {shown(strip.size)}: {width} × {height} px of the picture, from "
        f"{left}, {top} (--crop={left},{top},{width},{height}).{why}"
    )
