"""Plain text in two columns: a short label, then lines that fit a desktop editor."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable

WIDTH = 100
_LABEL = 10


def row(label: str, text: str) -> str:
    """One labelled paragraph; continuation lines are indented."""
    body = textwrap.wrap(text, WIDTH - _LABEL, break_long_words=False, break_on_hyphens=False) or [""]
    indent = " " * _LABEL
    return "\n".join([f"{label:<{_LABEL}}{body[0]}".rstrip(), *(indent + line for line in body[1:])])


def page(parts: Iterable[str]) -> str:
    """The paragraphs as one text with a final newline."""
    return "\n".join(parts) + "\n"
