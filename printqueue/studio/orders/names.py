"""Order file names: which order belongs to which picture, and which names were meant as an order. Pure.

What counts as meant as an order is common practice, without a source: what editors and file managers turn
'Fog.order.yaml' into. Another extension ('Fog.order.txt'), none, two ('Fog.order.yaml.txt', if extensions are hidden),
different case, a copy ('Fog.order (2).yaml', 'Copy of …'), another separator ('Fog order.yaml'), no “order” at all
('Fog.yaml'), letters composed differently or full-width.
"""

from __future__ import annotations

import re
import unicodedata

FOLDER_ORDERS = ("order.yaml", "order.yml")
SUFFIXES = (".order.yaml", ".order.yml")
_PICTURES = (
    r"tiff?|jpe?g|jpe|jfif|png|gif|bmp|webp|hei[cf]|avif|jxl|jp2|ps[db]|pdf|eps|svg|exr|hdr|xcf|dng|raw|cr[23w]|ne[fw]|nrw|"
    r"arw|sr[f2w]|orf|rw[2l]|raf|pef|3fr|fff|iiq|x3f|mos|erf|kdc|dcr|mrw"
)
_PICTURE = re.compile(rf"(?P<stem>.+)\.(?:{_PICTURES})")
_BACKUP = re.compile(r".*(?:\.(?:bak|old|orig|save)|~\d*~?)")
_AT_WORK = ("~", ".swp", ".lock")  # an editor's working files beside an open order
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


def candidates(name: str) -> tuple[tuple[str, ...], ...]:
    """Order file names for the picture `name`, strongest first; all in the picture's own folder.

    'Fog.tif' → ('Fog.tif.order.yaml', …), ('Fog.order.yaml', …), ('order.yaml', …), each with its `.yml`. Names in one
    tuple rank equally, so only one of them may exist; the first tuple with an existing file counts.
    """
    stem = name.rpartition(".")[0] or name
    own = tuple(stem + suffix for suffix in SUFFIXES) if stem != name else ()
    return tuple(name + suffix for suffix in SUFFIXES), own, FOLDER_ORDERS


def split(name: str) -> tuple[str, str]:
    """'Fog.order.yml' → ('Fog', '.order.yml'); the suffix is empty unless `name` is a single picture's order."""
    for suffix in SUFFIXES:
        if name.endswith(suffix) and name != suffix:
            return name.removesuffix(suffix), suffix
    return name, ""


def is_order(name: str) -> bool:
    """Whether a file with this name is an order, not a picture."""
    return name in FOLDER_ORDERS or split(name)[1] != ""


def is_misnamed(name: str) -> bool:
    """Whether `name` looks like an order's but is not valid: no picture is printed from such a file."""
    return not is_order(name) and target(name) is not None


def is_meant_as_order(name: str) -> bool:
    """Whether a file with this name is an order, or was meant as one."""
    return target(name) is not None


def is_backup(name: str) -> bool:
    """Whether `name` is an editor's backup, which does not compete with the order itself."""
    return _BACKUP.fullmatch(canonical(name)) is not None


def target(name: str) -> str | None:
    """The picture an order with this name is for, in `canonical` spelling; "": a whole folder; None: not an order."""
    if name.isascii() and "order" not in (low := name.lower()) and ".y" not in low:
        return None  # fast path for nearly every name
    if is_order(name):
        return "" if name in FOLDER_ORDERS else canonical(split(name)[0])
    key = canonical(name)
    if key.endswith(_AT_WORK) or key.startswith(("~$", "#")) or _PICTURE.fullmatch(key):
        return None
    if _FOLDER.fullmatch(key):
        return ""
    return next((canonical(match["stem"]) for pattern in _NAMED if (match := pattern.fullmatch(key))), None)


def nearly(key: str) -> tuple[str, ...]:
    """What the target `key` may have been called before it was copied or saved in another format, nearest first."""
    stem = _COPY_OF.sub("", key, count=1) if _COPY_OF.match(key) else key
    bare = re.sub(rf"(?:{_COPY.pattern})$", "", stem)
    picture = _PICTURE.fullmatch(bare)
    return tuple(one for one in dict.fromkeys((stem, bare, picture["stem"] if picture else "")) if one not in ("", key))


def canonical(name: str) -> str:
    """One spelling for all names a person would read as the same (NFKC, case-folded, invisible characters removed)."""
    if name.isascii():  # the usual case, many times faster
        return " ".join(name.lower().split()).strip(" .")
    plain = unicodedata.normalize("NFKC", unicodedata.normalize("NFKC", name).casefold())
    return " ".join("".join(c for c in plain if unicodedata.category(c) != "Cf").split()).strip(" .")
