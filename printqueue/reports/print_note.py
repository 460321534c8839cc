"""`NAME.print.txt`: how to print the file beside it, and what was done to make it. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from printqueue.core.model.finding import Finding, Level, worst_first
from printqueue.core.model.measures import Measure, Measurements
from printqueue.core.model.picture import PictureFacts
from printqueue.core.model.request import Placement, Request
from printqueue.core.naming import same_stem
from printqueue.core.text import shown
from printqueue.core.units import MM_PER_INCH, number_text
from printqueue.reports.layout import page, row
from printqueue.reports.phrases import AT_FULL_SIZE, DEMONSTRATION, only_demonstration, printer_rows
from printqueue.reports.reason import limit_words
from printqueue.studio.papers.schema import Paper


@dataclass(frozen=True, slots=True)
class PrintMade:
    """What the note needs to know about a print."""

    picture: str
    file: str  # the print file's own name
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
    file_sha256: str
    pixels_sha256: str
    master: str
    master_sha256: str
    converted: str  # which conversion, in words
    measurements: Measurements = field(default_factory=dict)
    checked: str = ""  # how its pixels were verified, in words
    foot_line: str = ""  # its text, as set
    under_glass: str = ""  # from when, in words
    proof: str = ""  # name of its proof picture
    no_proof: str = ""  # why there is none, one sentence


def print_text(made: PrintMade) -> str:
    """The note's full text, warnings first."""
    lines = _demonstration_lines(made)
    size = shown(made.request.size.name)
    lines += [
        f"Ready to print: {_called(made)} on {shown(made.paper.paper)}, {size}.",
        "",
    ]
    warnings = [f for f in worst_first(made.findings) if f.level is not Level.PASS and not _is_first_line(made, f)]
    lines += [row(*_warning(finding, made.request)) for finding in warnings]
    if warnings:
        lines.append("")
    lines += [*_look_rows(made), *_size_rows(made), "", *_printing_rows(made), "", *_record_rows(made)]
    return page(lines)


def _called(made: PrintMade) -> str:
    """The picture's title or name, and the file's name if that differs."""
    name = made.request.title or made.picture
    return f"“{shown(name)}”{'' if same_stem(made.file, name) else f' ({shown(made.file)})'}"


def _demonstration_lines(made: PrintMade) -> list[str]:
    """The note's first lines if the print is only a trial, and what to do about it."""
    if not made.demonstration:
        return []
    remedies = [row("Do", finding.do) for finding in made.findings if _is_first_line(made, finding)]
    return [f"{DEMONSTRATION} Colours are a model's, not your printer's.", *remedies, ""]


def _is_first_line(made: PrintMade, finding: Finding) -> bool:
    """Whether the note's first line already says what the finding does."""
    return made.demonstration and only_demonstration(finding)


def _warning(finding: Finding, request: Request) -> tuple[str, str]:
    """What was found, and what to do unless it was allowed."""
    limit = limit_words(finding) if finding.level is not Level.NOTE else ""
    if finding.allowed:
        why = request.allow.get(finding.check, "")
        return "Allowed", f"{finding.says}{limit} Allowed by you{f' ({shown(why)})' if why else ''}."
    label = {Level.REJECT: "Reject", Level.WARN: "Warning", Level.NOTE: "Note"}[finding.level]
    return label, f"{finding.says}{limit} {finding.do}".strip()


def _look_rows(made: PrintMade) -> list[str]:
    if made.proof:
        return [row("Look", f"{shown(made.proof)} shows it as this paper would.")]
    return [row("Look", f"There is no proof picture. {shown(made.no_proof, limit=400)}")] if made.no_proof else []


def _size_rows(made: PrintMade) -> list[str]:
    place = made.placement
    width, height = place.file_px
    own = number_text(place.source_ppi, 0)
    file = f"the file has {width} × {height} px at {place.ppi} ppi, 16 bit"
    rows = [
        row(
            "Picture",
            f"{_both(place.picture_mm)}, {made.facts.width_px} × {made.facts.height_px} px: {own} ppi of its own.",
        ),
        row("Sheet", f"{_sheet_words(made)}; {file}.{_turned_words(place)}"),
        row("Border", _border_words(made)),
    ]
    if made.request.copies != 1:
        rows.append(row("Copies", f"{made.request.copies}"))
    if made.request.edition_of is not None:
        rows.append(row("Edition", f"of {made.request.edition_of}, counted over all papers and sizes."))
    return rows


def _both(sides_mm: tuple[float, float]) -> str:
    """Width and height in mm and inches."""
    mm, inches = ([number_text(one) for one in sides_mm], [f"{one / MM_PER_INCH:.2f}" for one in sides_mm])
    return f"{mm[0]} × {mm[1]} mm ({inches[0]} × {inches[1]} in)"


def _sheet_words(made: PrintMade) -> str:
    place, request = made.placement, made.request
    if request.sheet == "picture-only":
        return f"none: the file holds the picture alone, as you asked (sheet: picture-only). You asked for {shown(request.size.name)}"
    if request.feed == "roll":
        length = place.sheet_mm[0 if place.turned else 1]
        return (
            f"{number_text(length)} mm of a roll {number_text(place.sheet_mm[1 if place.turned else 0])} mm wide; cut away "
            f"{number_text(place.trim_mm)} mm at each end"
        )
    return _both(place.sheet_mm)


def _turned_words(place: Placement) -> str:
    if not place.turned:
        return ""
    return " The picture lies turned in it, its left side at the head, for the way the sheet is fed (printer: turn: to-feed)."


def _border_words(made: PrintMade) -> str:
    place = made.placement
    if made.request.sheet == "picture-only":
        return "yours to lay out, where you place the picture."
    names = ("top", "right", "foot", "left")
    sides = ", ".join(f"{name} {number_text(mm)}" for name, mm in zip(names, place.borders_mm, strict=True))
    line = (
        f" A hairline of {number_text(made.request.hairline_mm, 2)} mm runs around the picture."
        if place.hairline_px
        else ""
    )
    line += _foot_line_words(made)
    torn = " Good to about ± 3 mm: the edge is deckled." if made.paper.edge == "deckled" else ""
    return f"{sides} mm, bare paper.{line}{torn}"


def _foot_line_words(made: PrintMade) -> str:
    if made.placement.foot_line is None:
        return ""
    if not made.foot_line:
        return " The foot line has no words that could be set; it was left out."
    missing = " A ? stands for a letter that the font does not have." if "?" in made.foot_line else ""
    return f" Foot line: “{shown(made.foot_line)}”.{missing}"


def _printing_rows(made: PrintMade) -> list[str]:
    rows = [*printer_rows(made.paper, made.profile_name), row("Place", _place_words(made))]
    rows += [row("Handling" if i == 0 else "", shown(line)) for i, line in enumerate(made.paper.handling)]
    if made.under_glass:
        rows.append(row("Glass", made.under_glass))
    return rows


def _place_words(made: PrintMade) -> str:
    if made.request.sheet == "picture-only":
        return "Place it at 100 % and print the page at 100 %: at any other scale its pixels would be made anew."
    return AT_FULL_SIZE


def _bare_words(made: PrintMade) -> str:
    """How large the largest patch of bare paper is after the lift."""
    bare = made.measurements.get(Measure.TONE_BARE_LARGEST_PERCENT)
    if not made.request.lift_stops or not isinstance(bare, int | float):
        return ""
    return f" After the lift the largest piece of bare paper inside the picture is {number_text(bare, 2)} % of it."


def _sharpened_words(made: PrintMade) -> str:
    asked = made.request.sharpen
    if asked is None:
        return "nothing sharpened"
    said = f"sharpened for print as its rules ask, radius {number_text(asked.radius_mm, 2)} mm, amount {number_text(asked.amount_percent)} %"
    before = made.measurements.get(Measure.HALO_UNSHARPENED_PERCENT)
    after = made.measurements.get(Measure.HALO_SCORE_PERCENT)
    if not isinstance(before, int | float) or not isinstance(after, int | float):
        return f"{said}; what that did to edges could not be measured, it has too few clean ones"
    return f"{said}: halo {number_text(max(before, 0.0), 0)} % before, {number_text(max(after, 0.0), 0)} % after"


def _record_rows(made: PrintMade) -> list[str]:
    request = made.request
    rows = [
        row("Made", f"{made.converted[0].upper()}{made.converted[1:]}; {_sharpened_words(made)}.{_bare_words(made)}")
    ]
    if made.checked:
        rows.append(row("Checked", made.checked))
    used = {finding.check for finding in made.findings if finding.allowed}
    spare = [check for check in request.allow if check not in used]
    if spare:
        rows.append(row("Allowed", f"{', '.join(spare)}: nothing was found that needed it."))
    if request.note:
        rows.append(row("Order", shown(request.note)))
    rows += [
        row("Master", f"{shown(made.master)} (SHA-256 {made.master_sha256})"),
        row("Recipe", made.recipe),
        row("File", f"SHA-256 {made.file_sha256}"),
        row(
            "Pixels", f"SHA-256 {made.pixels_sha256}: the picture alone. A reprint with this number is the same print."
        ),
        row("Job", f"{made.job}, {made.when}."),
    ]
    return rows
