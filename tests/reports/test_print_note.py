"""The note beside a print: what was allowed reads as allowed, and nothing is said twice."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

from printqueue.core.model.finding import About, Finding, Level, Value
from printqueue.core.model.measures import Key, Measure, Word
from printqueue.core.model.paper import PaperFacts
from printqueue.core.model.picture import PictureFacts
from printqueue.core.model.request import Request
from printqueue.core.model.subject import Subject
from printqueue.core.units import Size
from printqueue.imaging.render.plan import place
from printqueue.judging.checks.profile import CHECK, ProfileLimits
from printqueue.reports.print_note import PrintMade, print_text
from printqueue.studio.papers.loader import Shelf
from printqueue.studio.papers.schema import Paper

PAPER = Shelf.load(Path(__file__).parents[2] / "printqueue/rules").papers["smooth-rag"]
KOZO = Shelf.load(Path(__file__).parents[2] / "printqueue/rules").papers["kozo"]
PICTURE = PictureFacts("TIFF", 6000, 4000, 16, "rgb")
TOO_FEW = Finding(
    "resolution",
    Level.REJECT,
    "138 ppi: too few pixels for this size.",
    measured=138,
    limit=150,
    unit="ppi",
    do="Export again at full size.",
)


def text(
    *findings: Finding,
    demonstration: bool = False,
    paper: Paper = PAPER,
    measurements: dict[Key, Value] | None = None,
    file: str = "Fog.tif",
    **asked: Any,
) -> str:
    """The note on one line."""
    request = Request("smooth-rag", Size("A3", 297, 420), **asked)
    made = PrintMade(
        picture="Fog.tif",
        file=file,
        job=12,
        when="2026-11-25T06:00:00Z",
        paper=paper,
        profile_name="A profile",
        demonstration=demonstration,
        request=request,
        placement=place(request, 6000, 4000),
        facts=PICTURE,
        findings=findings,
        file_sha256="d" * 64,
        pixels_sha256="e" * 64,
        recipe="0" * 64,
        master="masters/Fog.tif",
        master_sha256="1" * 64,
        converted="relative intent",
        measurements=measurements or {},
    )
    return " ".join(print_text(made).split())


def test_what_was_allowed_reads_as_allowed() -> None:
    """With its reason and its numbers; no level, and no remedy: the print stands as it is."""
    said = text(TOO_FEW.allow(), allow={"resolution": "seen from four metres"})
    assert "Allowed 138 ppi: too few pixels for this size. Limit 150 ppi" in said
    assert "Allowed by you (seen from four metres)." in said
    assert "Reject" not in said
    assert "Export again" not in said
    assert "Allowed by you." in text(TOO_FEW.allow(), allow={"resolution": ""})


def test_the_file_is_named_where_its_name_is_another() -> None:
    """A second print of the same name has a number; a title hides the name: both are said."""
    assert "Ready to print: “Fog.tif” on " in text()
    assert "Ready to print: “Fog.tif” (Fog (2).tif) on " in text(file="Fog (2).tif")
    assert "Ready to print: “Low water” (Fog.tif) on " in text(title="Low water")


def test_the_edition_is_said() -> None:
    """So is an edition that was promised."""
    assert "Edition of 25, counted over all papers and sizes." in text(edition_of=25)
    assert "Edition" not in text()


def test_an_allowance_that_nothing_needed() -> None:
    """It is on the record, and said to have had no effect."""
    assert "Allowed resolution, softness: nothing was found that needed it." in text(
        allow={"resolution": "", "softness": "shallow focus"}
    )
    assert "needed it" not in text(TOO_FEW.allow(), allow={"resolution": ""})


def test_what_an_order_wrote_is_shown_harmless() -> None:
    """Escapes in the reason are visible, as everywhere."""
    said = text(TOO_FEW.allow(), allow={"resolution": "\x1b[31mred"})
    assert "\x1b" not in said
    assert "\\x1b[31mred" in said


def test_a_warning_keeps_limit_and_remedy() -> None:
    """What was not allowed is still to be acted on."""
    warned = Finding("banding", Level.WARN, "Steps in the sky.", measured=3, limit=2, unit="L*", do="Add grain.")
    assert "Warning Steps in the sky. Limit 2 L* (your rule; common practice). Add grain." in text(warned)


def test_the_demonstration_profile_is_said_once() -> None:
    """The first line says it, with the remedy of the check `profile`; its finding is not repeated below."""
    facts = PaperFacts(
        "smooth-rag", PAPER.paper, PAPER.surface, (96, 0, 0), (17, 0, 0), (), "demo", profile_is_demonstration=True
    )
    request = Request("smooth-rag", Size("A3", 297, 420))
    subject = Subject(
        PICTURE, facts, request, None, {Word.PROFILE_STATE: "fine", Word.PROFILE_NAME: "Adobe RGB (1998)"}
    )
    finding = CHECK.judge(subject, ProfileLimits())
    assert finding.level is Level.WARN
    said = text(finding, demonstration=True)
    assert said.startswith("DEMONSTRATION PROFILE: not for a real sheet.")
    assert said.lower().count("demonstration profile") == 1
    # What the finding is about decides that, not how it is worded.
    assert said == text(replace(finding, says="Otherwise.", measured=None), demonstration=True)
    assert "Warning Otherwise." in text(replace(finding, says="Otherwise.", about=About.PICTURE), demonstration=True)
    assert said.count(finding.do) == 1
    assert finding.says in text(finding)  # where the first line is silent, the finding speaks


def test_sizes_are_said_in_mm_and_inches() -> None:
    """A3 across with the default border of 24 mm: 372 × 248 mm of picture."""
    said = text()
    assert "Picture 372 × 248 mm (14.65 × 9.76 in), 6000 × 4000 px: 410 ppi of its own." in said
    assert "Sheet 420 × 297 mm (16.54 × 11.69 in); the file has 5953 × 4209 px at 360 ppi, 16 bit." in said


def test_a_roll_says_its_length_and_where_to_cut() -> None:
    """248 mm of picture, 24 mm above and below, 10 mm of trim at each end: 316 mm of roll."""
    said = text(feed="roll", roll_mm=610.0)
    assert "Sheet 316 mm of a roll 610 mm wide; cut away 10 mm at each end; the file has 8646 × 4479 px" in said


def test_a_turned_file_says_so() -> None:
    """With the pixels as they lie in it."""
    said = text(feed="short-edge", turn_to_feed=True)
    assert (
        "the file has 4209 × 5953 px at 360 ppi, 16 bit. The picture lies turned in it, its left side at the head"
        in said
    )
    assert "turned" not in text(feed="short-edge")


def test_a_picture_alone_leaves_the_border_to_the_photographer() -> None:
    """No border is promised, and none can be lost in the printer."""
    said = text(sheet="picture-only")
    assert "Sheet none: the file holds the picture alone, as you asked (sheet: picture-only)." in said
    assert "Border yours to lay out" in said
    assert "only bare border is lost" not in said
    assert "only bare border is lost" in text()


def test_hairline_and_deckled_edge_are_said() -> None:
    """Where there are any."""
    assert "bare paper. A hairline of 0.2 mm runs around the picture." in text(hairline_mm=0.2)
    assert "Good to about ± 3 mm: the edge is deckled." in text(paper=KOZO)
    assert "hairline" not in text()
    assert "deckled" not in text()


def test_what_a_lift_turned_into_bare_paper_is_said() -> None:
    """Only where there was a lift."""
    words = "After the lift the largest piece of bare paper inside the picture is 1.25 % of it."
    measured: dict[Key, Value] = {Measure.TONE_BARE_LARGEST_PERCENT: 1.25}
    assert words in text(measurements=measured, lift_stops=1 / 3)
    assert "After the lift" not in text(measurements=measured)
