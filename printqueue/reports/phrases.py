"""Sentences shared by several notes: how to print one of our files, how it was made, what warns. Pure."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, timedelta

from printqueue.core.model.finding import About, Finding, Level
from printqueue.core.model.request import Request
from printqueue.core.text import shown
from printqueue.core.units import number_text, stops_text
from printqueue.imaging.jobs import Verified
from printqueue.judging.checks import REGISTRY
from printqueue.reports.layout import row
from printqueue.studio.papers.schema import Paper

DEMONSTRATION = "DEMONSTRATION PROFILE: not for a real sheet."
AT_FULL_SIZE = (
    "Print at 100 %, centred, no fitting to the page. If told that the sheet exceeds the printable area: only bare border "
    "is lost."
)
_BLACK = {"matte": "matte black ink", "photo": "photo black ink", "either": "either black ink"}


def media_words(paper: Paper) -> str:
    """The media, quality and black ink to set in the printer."""
    media = paper.printer.media or "the media setting that the profile was made with"
    quality = paper.printer.quality or "the quality setting that the profile was made with"
    return f"media: {shown(media)}; quality: {shown(quality)}; {_BLACK[paper.printer.black_ink]}"


def printer_rows(paper: Paper, profile_name: str) -> list[str]:
    """The printer settings, and that nothing may convert the colours again."""
    name = f"{shown(paper.printer.name)}; " if paper.printer.name else ""
    return [
        row("Printer", f"{name}{media_words(paper)}; feed: {paper.printer.feed}."),
        row(
            "Colour",
            f"The colours are already converted, once, for {shown(profile_name)}. Nothing after this file may convert them "
            "again: in the printer's settings switch colour correction off. The profile holds for this media, quality and ink only.",
        ),
    ]


def conversion_words(request: Request) -> str:
    """How the colours were converted, for provenance and note."""
    black = "with" if request.black_point_compensation else "without"
    sharp = request.sharpen
    mask = f", unsharp mask {sharp.radius_mm:g} mm {sharp.amount_percent:g} %" if sharp else ""
    return f"{request.intent} intent {black} black point compensation, lift {stops_text(request.lift_stops)}, {request.ppi} ppi{mask}"


def checked_words(verified: Verified) -> str:
    """How the file's pixels were verified."""
    return (
        f"{verified.pixels} pixels of the file against the same computed a second, slow way: ΔE76 {verified.mean} in the mean, "
        f"{verified.worst} at most."
    )


def warned_of(findings: Iterable[Finding]) -> str:
    """The checks that warn about any print of a picture; "" if none does."""
    names = (f.check for f in findings if f.counts and f.level is Level.WARN)
    return ", ".join(dict.fromkeys(names))


def glass_words(drying_h: float | None, now: str) -> str:
    """The day from which a sheet may go under glass if it is printed today; nobody knows yet when it will be."""
    if drying_h is None:
        return ""
    ready = datetime.fromisoformat(now).astimezone() + timedelta(hours=drying_h)
    hours = number_text(drying_h)
    return f"Printed today, it may go under glass from {ready.day} {ready:%B %Y} on; printed later, {hours} hours after that."


def name_in_words(check: str) -> str:
    """A check's name as used in a sentence."""
    return REGISTRY[check].in_words if check in REGISTRY else check


def only_demonstration(finding: Finding) -> bool:
    """Whether the finding says no more than `DEMONSTRATION` does."""
    return finding.about is About.DEMONSTRATION
