"""Names that were meant for an order and are none: what editors and file managers make of 'Fog.order.yaml'. Pure.

What is taken for such a name is common practice, no source: another ending ('Fog.order.txt'), none, two
('Fog.order.yaml.txt', where endings are hidden), another case, a copy ('Fog.order (2).yaml', 'Copy of …'), another mark
between the words ('Fog order.yaml'), no mark at all ('Fog.yaml'), letters composed or as wide as elsewhere.
"""

from __future__ import annotations

import re
import unicodedata

from printqueue.studio.orders.names import FOLDER_ORDERS, is_order, split

_PICTURES = (
    r"tiff?|jpe?g|jpe|jfif|png|gif|bmp|webp|hei[cf]|avif|jxl|jp2|ps[db]|pdf|eps|svg|exr|hdr|xcf|dng|raw|cr[23w]|ne[fw]|nrw|"
    r"arw|sr[f2w]|orf|rw[2l]|raf|pef|3fr|fff|iiq|x3f|mos|erf|kdc|dcr|mrw"
)
_PICTURE = re.compile(rf"(?P<stem>.+)\.(?:{_PICTURES})")
_BACKUP = re.compile(r".*(?:\.(?:bak|old|orig|save)|~\d*~?)")
_AT_WORK = ("~", ".swp", ".lock")  # an editor's own, beside the order that it has open
_TEXT = r"(?:ya?ml|te?xt|rtf|md|json|toml|ini|docx?|odt|bak|old|orig|save|part|partial|tmp|crdownload|filepart|lnk)"
_WORD = r"orders?(?![^\W_])"
_FOLDER = re.compile(rf"{_WORD}[^.]*(?:\.{_TEXT})*")
_NAMED = (
    re.compile(rf"(?P<stem>.+)\.{_WORD}.*"),
    re.compile(rf"(?P<stem>.+)[ _-]{_WORD}[^.]*(?:\.{_TEXT})+"),
    re.compile(r"(?P<stem>.+)\.ya?ml(?![^\W_]).*"),
)
_COPY_OF, _COPY = (
    re.compile(r"copy (?:\(\d+\) )?of "),
    re.compile(r" ?\((?:\d+|(?:\d+\w* )?copy(?: \d+)?)\)| -? ?copy(?: \d+)?"),
)


def is_misnamed(name: str) -> bool:
    """Whether `name` looks like an order's and is not: no picture goes by such a file."""
    return not is_order(name) and target(name) is not None


def is_backup(name: str) -> bool:
    """Whether `name` is that of an earlier version which an editor kept; it does not stand against the order itself."""
    return _BACKUP.fullmatch(canonical(name)) is not None


def target(name: str) -> str | None:
    """The picture that an order of this name is meant for, in `canonical` letters; "" for a whole folder, None for no order."""
    if name.isascii() and "order" not in (low := name.lower()) and ".y" not in low:
        return None  # nearly all names, and they are many
    if is_order(name):
        return "" if name in FOLDER_ORDERS else canonical(split(name)[0])
    key = canonical(name)
    if key.endswith(_AT_WORK) or key.startswith(("~$", "#")) or _PICTURE.fullmatch(key):
        return None
    if _FOLDER.fullmatch(key):
        return ""
    return next((canonical(match["stem"]) for pattern in _NAMED if (match := pattern.fullmatch(key))), None)


def nearly(key: str) -> tuple[str, ...]:
    """What `key`, a target, may have been before it was copied or saved in another format: nearest first."""
    stem = _COPY_OF.sub("", key, count=1) if _COPY_OF.match(key) else key
    bare = re.sub(rf"(?:{_COPY.pattern})$", "", stem)
    picture = _PICTURE.fullmatch(bare)
    return tuple(one for one in dict.fromkeys((stem, bare, picture["stem"] if picture else "")) if one not in ("", key))


def canonical(name: str) -> str:
    """One spelling for all names that a person would read as the same (NFKC, case folded, without invisible letters)."""
    if name.isascii():  # the usual case, and many times faster
        return " ".join(name.lower().split()).strip(" .")
    plain = unicodedata.normalize("NFKC", unicodedata.normalize("NFKC", name).casefold())
    return " ".join("".join(c for c in plain if unicodedata.category(c) != "Cf").split()).strip(" .")
