"""The note beside a print: what was allowed reads as allowed, and nothing is said twice."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from printqueue.checks.profile import CHECK, ProfileLimits
from printqueue.model.finding import Finding, Level
from printqueue.model.paper import PaperFacts
from printqueue.model.picture import PictureFacts
from printqueue.model.request import Request
from printqueue.model.subject import Subject
from printqueue.papers.loader import Shelf
from printqueue.render.plan import place
from printqueue.reports.print_note import PrintMade, print_text
from printqueue.units import Size

PAPER = Shelf.load(Path(__file__).parents[2] / "printqueue/rules").papers["smooth-rag"]
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


def text(*findings: Finding, demonstration: bool = False, **asked: Any) -> str:
    """The note on one line."""
    request = Request("smooth-rag", Size("A3", 297, 420), **asked)
    made = PrintMade(
        picture="Fog.tif",
        job=12,
        when="2026-11-25T06:00:00Z",
        paper=PAPER,
        profile_name="A profile",
        demonstration=demonstration,
        request=request,
        placement=place(request, 6000, 4000),
        facts=PICTURE,
        findings=findings,
        recipe="0" * 64,
        master="masters/Fog.tif",
        master_sha256="1" * 64,
        converted="relative intent",
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
    subject = Subject(PICTURE, facts, request, None, {"profile.state": "fine", "profile.name": "Adobe RGB (1998)"})
    finding = CHECK.judge(subject, ProfileLimits())
    assert finding.level is Level.WARN
    said = text(finding, demonstration=True)
    assert said.startswith("DEMONSTRATION PROFILE: not for a real sheet.")
    assert said.lower().count("demonstration profile") == 1
    assert said.count(finding.do) == 1
    assert finding.says in text(finding)  # where the first line is silent, the finding speaks
