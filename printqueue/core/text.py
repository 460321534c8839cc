"""The one function all text from outside passes through before it is shown.

File names, metadata, profile descriptions and order notes may contain terminal escapes, line breaks, bidirectional
controls or bytes that are not UTF-8.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Sequence

MAX_SHOWN = 200
# Cc control, Cf format (bidi, zero width), Cs surrogate, Zl/Zp separators, Co private, Cn unassigned
_HIDDEN = {"Cc", "Cf", "Cs", "Zl", "Zp", "Co", "Cn"}


def shown(text: str | bytes, *, limit: int = MAX_SHOWN) -> str:
    r"""Return `text` as harmless single-line text of at most `limit` characters.

    Anything a terminal, a log or a page could act on becomes a visible escape (`\x1b`, `\u202e`), undecodable bytes of a
    file name become `\xff`. HTML and rich markup is *not* touched: escaping that is up to the code that inserts
    the text (`html.escape`, `rich.markup.escape`).
    """
    if isinstance(text, bytes):
        text = text.decode("utf-8", "surrogateescape")
    safe = text[: limit + 1]
    if not (safe.isascii() and safe.isprintable()):
        safe = "".join(map(_visible, safe))
    return safe if len(safe) <= limit else safe[: limit - 1] + "…"


def enumerated(words: Sequence[str]) -> str:
    """ "a", "a and b", "a, b and c"; "" for nothing."""
    return " and ".join([", ".join(words[:-1]), words[-1]] if len(words) > 1 else words)


def _visible(char: str) -> str:
    if unicodedata.category(char) not in _HIDDEN:
        return char
    code = ord(char)
    if 0xDC80 <= code <= 0xDCFF:  # a surrogate-escaped byte (PEP 383)
        return f"\\x{code - 0xDC00:02x}"
    if code < 0x100:
        return f"\\x{code:02x}"
    return f"\\u{code:04x}" if code < 0x10000 else f"\\U{code:08x}"
