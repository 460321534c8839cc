"""How a print was made, in words: its conversion, its proof, its warnings, and when it may be framed. Pure."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, timedelta

from printqueue.core.model.finding import Finding, Level
from printqueue.core.model.request import Request
from printqueue.core.units import number_text, stops_text
from printqueue.imaging.jobs import Verified


def conversion_words(request: Request) -> str:
    """How the colours were converted, for provenance and note."""
    black = "with" if request.black_point_compensation else "without"
    sharp = request.sharpen
    mask = f", unsharp mask {sharp.radius_mm:g} mm {sharp.amount_percent:g} %" if sharp else ""
    return f"{request.intent} intent {black} black point compensation, lift {stops_text(request.lift_stops)}, {request.ppi} ppi{mask}"


def checked_words(verified: Verified) -> str:
    """How the file's pixels were proved."""
    return (
        f"{verified.pixels} pixels of the file against the same computed a second, slow way: ΔE76 {verified.mean} in the mean, "
        f"{verified.worst} at most."
    )


def warned_of(findings: Iterable[Finding]) -> str:
    """The names of the checks that warn, over all prints; "" where none does."""
    names = (f.check for f in findings if f.counts and f.level is Level.WARN)
    return ", ".join(dict.fromkeys(names))


def glass_words(drying_h: float | None, now: str) -> str:
    """From when on a print that is made today may go under glass; when it will be printed nobody knows here."""
    if drying_h is None:
        return ""
    ready = datetime.fromisoformat(now).astimezone() + timedelta(hours=drying_h)
    hours = number_text(drying_h)
    return f"Printed today, it may go under glass from {ready.day} {ready:%B %Y} on; printed later, {hours} hours after that."
