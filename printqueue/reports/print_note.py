"""`NAME.print.txt`: how to print the file beside it, and what was done to make it. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from printqueue.model.finding import Finding, Level, worst_first
from printqueue.model.picture import PictureFacts
from printqueue.model.request import Placement, Request
from printqueue.papers.schema import Paper
from printqueue.reports.layout import page, row
from printqueue.reports.reason import limit_words
from printqueue.text import shown
from printqueue.units import MM_PER_INCH, number_text

DEMONSTRATION = "DEMONSTRATION PROFILE: not for a real sheet."


@dataclass(frozen=True, slots=True)
class PrintMade:
    """What the note needs to know about one print."""

    picture: str
    job: int
    when: str
    paper: Paper
    profile_name: str
    demonstration: bool
    request: Request
    placement: Placement
    facts: PictureFacts
    findings: Sequence[Finding]
    recipe: str
    master: str
    master_sha256: str
    converted: str  # which conversion, in words


def print_text(made: PrintMade) -> str:
    """The whole text, warnings first."""
    lines = _demonstration_lines(made)
    size = shown(made.request.size.name)
    lines += [
        f"Ready to print: “{shown(made.request.title or made.picture)}” on {shown(made.paper.paper)}, {size}.",
        "",
    ]
    warnings = [f for f in worst_first(made.findings) if f.level is not Level.PASS and not _is_first_line(made, f)]
    lines += [row(*_warning(finding, made.request)) for finding in warnings]
    if warnings:
        lines.append("")
    lines += [*_size_rows(made), "", *_printer_rows(made), "", *_record_rows(made)]
    return page(lines)


def _demonstration_lines(made: PrintMade) -> list[str]:
    """The first line of a note that is for trying out only, and what to do about it."""
    if not made.demonstration:
        return []
    remedies = [row("Do", finding.do) for finding in made.findings if _is_first_line(made, finding)]
    return [f"{DEMONSTRATION} Colours are a model's, not your printer's.", *remedies, ""]


def _is_first_line(made: PrintMade, finding: Finding) -> bool:
    """Whether the note's first line says it already."""
    return made.demonstration and (finding.check, finding.measured) == ("profile", "demonstration paper profile")


def _warning(finding: Finding, request: Request) -> tuple[str, str]:
    """What was found, and what to do; where it was allowed there is nothing left to do."""
    limit = limit_words(finding) if finding.level is not Level.NOTE else ""
    if finding.allowed:
        why = request.allow.get(finding.check, "")
        return "Allowed", f"{finding.says}{limit} Allowed by you{f' ({shown(why)})' if why else ''}."
    label = {Level.REJECT: "Reject", Level.WARN: "Warning", Level.NOTE: "Note"}[finding.level]
    return label, f"{finding.says}{limit} {finding.do}".strip()


def _size_rows(made: PrintMade) -> list[str]:
    place = made.placement
    width, height = place.picture_mm
    sheet = " × ".join(number_text(mm) for mm in place.sheet_mm)
    picture = (
        f"{number_text(width)} × {number_text(height)} mm ({width / MM_PER_INCH:.2f} × {height / MM_PER_INCH:.2f} in)"
    )
    sides = ", ".join(
        f"{name} {number_text(mm)}" for name, mm in zip(("top", "right", "foot", "left"), place.borders_mm, strict=True)
    )
    rows = [
        row(
            "Picture",
            f"{picture}, {made.facts.width_px} × {made.facts.height_px} px: {number_text(place.source_ppi, 0)} ppi of its own.",
        ),
        row(
            "Sheet",
            f"{sheet} mm; the file has {place.sheet_px[0]} × {place.sheet_px[1]} px at {place.ppi} ppi, 16 bit.",
        ),
        row("Border", f"{sides} mm, bare paper."),
    ]
    if made.request.copies != 1:
        rows.append(row("Copies", f"{made.request.copies}"))
    return rows


def _printer_rows(made: PrintMade) -> list[str]:
    printer = made.paper.printer
    black = {"matte": "matte black ink", "photo": "photo black ink", "either": "either black ink"}[printer.black_ink]
    media = printer.media or "the media setting that the profile was made with"
    quality = printer.quality or "the quality setting that the profile was made with"
    rows = [
        row(
            "Printer",
            f"{printer.name + '; ' if printer.name else ''}media: {media}; quality: {quality}; {black}; feed: {printer.feed}.",
        ),
        row(
            "Colour",
            f"The colours are already converted, once, for {shown(made.profile_name)}. Nothing after this file may convert them "
            "again: in the printer's settings switch colour correction off. The profile holds for this media, quality and ink only.",
        ),
        row(
            "Place",
            "Print at 100 %, centred, no fitting to the page. If told that the sheet exceeds the printable area: only bare border is lost.",
        ),
    ]
    rows += [row("Handling" if i == 0 else "", shown(line)) for i, line in enumerate(made.paper.handling)]
    return rows


def _record_rows(made: PrintMade) -> list[str]:
    request = made.request
    rows = [row("Made", f"{made.converted[0].upper()}{made.converted[1:]}; nothing sharpened.")]
    used = {finding.check for finding in made.findings if finding.allowed}
    spare = [check for check in request.allow if check not in used]
    if spare:
        rows.append(row("Allowed", f"{', '.join(spare)}: nothing was found that needed it."))
    if request.note:
        rows.append(row("Order", shown(request.note)))
    rows += [
        row("Master", f"{shown(made.master)} (SHA-256 {made.master_sha256})"),
        row("Recipe", made.recipe),
        row("Job", f"{made.job}, {made.when}."),
    ]
    return rows
