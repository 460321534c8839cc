"""Builds HTML that no string enters unescaped."""

from __future__ import annotations

from html import escape
from urllib.parse import quote

from printqueue.core.text import shown

_VOID = frozenset({"meta", "img", "br", "link"})
_MAX_CHARS = 4000


class Html(str):
    """Markup of our own making; every other string is text."""

    __slots__ = ()


def text(content: str) -> Html:
    """Text from anywhere, with control characters made visible and markup escaped."""
    return content if isinstance(content, Html) else Html(escape(shown(content, limit=_MAX_CHARS)))


def tag(name: str, /, *content: str | None, **attributes: str | None) -> Html:
    """One element; `class_` becomes `class`, `aria_label` becomes `aria-label`. None leaves an attribute out."""
    named = ((key.rstrip("_").replace("_", "-"), value) for key, value in attributes.items() if value is not None)
    opening = "".join(f' {key}="{text(value)}"' for key, value in named)
    if name in _VOID:
        return Html(f"<{name}{opening}>")
    inner = "".join(text(one) for one in content if one is not None)
    return Html(f"<{name}{opening}>{inner}</{name}>")


def joined(parts: list[Html], between: str = "\n") -> Html:
    """Elements in a row."""
    return Html(between.join(parts))


def address(path: str) -> str:
    """The link from a page in daybook/ to a file in the studio (relative path, any bytes); never has a scheme."""
    return "../" + quote(path.encode("utf-8", "surrogateescape"))
