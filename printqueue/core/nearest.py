"""Guesses what a mistyped word was meant to be."""

from __future__ import annotations

from collections.abc import Iterable
from difflib import get_close_matches

_MAX_WORD = 60  # difflib's cost grows with the square of the length
_MAX_LISTED = 20


def nearest(word: str, known: Iterable[str], *, cutoff: float = 0.6) -> str | None:
    """The known word most like `word`, ignoring case; None if none reaches difflib's `cutoff`, 0..1."""
    by_lower = {name.lower(): name for name in known}
    close = get_close_matches(word[:_MAX_WORD].lower(), by_lower, n=1, cutoff=cutoff)
    return by_lower[close[0]] if close else None


def suggestion(word: str, known: Iterable[str]) -> str:
    """A sentence: "Did you mean 'x'?", otherwise "Known: a, b, c."; empty if nothing is known."""
    names = sorted(known)
    close = nearest(word, names)
    if close is not None:
        return f"Did you mean '{close}'?"
    more = " …" if len(names) > _MAX_LISTED else ""
    return f"Known: {', '.join(names[:_MAX_LISTED])}{more}." if names else ""
