"""HTML that is put together so that no string gets in unescaped."""

from __future__ import annotations

from html import escape
from urllib.parse import quote

from printqueue.core.text import shown

_VOID = frozenset({"meta", "img", "br", "link"})
_LONGEST = 4000


class Html(str):
    """Markup of our own making; everything else is text."""

    __slots__ = ()


def text(content: str) -> Html:
    """Text from anywhere: what a page or a reader could act on is visible, what markup could act on is escaped."""
    return content if isinstance(content, Html) else Html(escape(shown(content, limit=_LONGEST)))


def tag(name: str, /, *content: str | None, **attributes: str | None) -> Html:
    """One element; `class_` is `class`, `aria_label` is `aria-label`. None is left out."""
    named = ((key.rstrip("_").replace("_", "-"), value) for key, value in attributes.items() if value is not None)
    opening = "".join(f' {key}="{text(value)}"' for key, value in named)
    if name in _VOID:
        return Html(f"<{name}{opening}>")
    inner = "".join(text(one) for one in content if one is not None)
    return Html(f"<{name}{opening}>{inner}</{name}>")


def joined(parts: list[Html], between: str = "\n") -> Html:
    """Elements one after the other."""
    return Html(between.join(parts))


def address(path: str) -> str:
    """A file of the studio (relative to it, any bytes) as seen from a page in daybook/; never a scheme of its own."""
    return "../" + quote(path.encode("utf-8", "surrogateescape"))
