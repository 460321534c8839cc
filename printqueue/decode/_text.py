"""Descriptive text from foreign bytes: decoded, trimmed, bounded; it is escaped where it is shown."""

from __future__ import annotations

import re

MAX_CHARACTERS = 2_000
_EXIF_TIME = re.compile(r"(?!0000)\d{4}:\d\d:\d\d \d\d:\d\d:\d\d")
_ISO_TIME = re.compile(r"(?!0000)(\d{4})-(\d\d)-(\d\d)T(\d\d:\d\d(?::\d\d)?)")


def clean(data: bytes | None) -> str | None:
    """Return the bytes as text: UTF-8, else Latin-1; parts after a NUL are joined; None if nothing is left."""
    if not data:
        return None
    kept = data[: 4 * MAX_CHARACTERS]
    try:
        text = kept.decode("utf-8")
    except UnicodeDecodeError:
        cut = len(data) > len(kept)
        text = kept.decode("utf-8", "ignore") if cut else kept.decode("latin-1")
    return bounded(", ".join(part.strip() for part in text.split("\0") if part.strip()))


def bounded(text: str | None) -> str | None:
    """Trim, and cut to 2,000 characters; None if nothing is left."""
    return (text or "").strip()[:MAX_CHARACTERS].strip() or None


def exif_time(text: str | None) -> str | None:
    """Return an EXIF time 'YYYY:MM:DD HH:MM:SS' if it is one, else None."""
    found = _EXIF_TIME.match(text or "")
    return found.group() if found else None


def iso_time(text: str | None) -> str | None:
    """Return an ISO 8601 time as EXIF writes it (its zone left out), else None."""
    found = _ISO_TIME.match((text or "").strip())
    if not found:
        return None
    year, month, day, clock = found.groups()
    return f"{year}:{month}:{day} {clock if len(clock) == 8 else clock + ':00'}"
