"""Sheet sizes: standard names, and `WIDTHxHEIGHT mm|cm|in`. A size's name is also a folder name.

ISO 216 (A and B series); ANSI/ASME Y14.1 in inches of exactly 25.4 mm; the metric sheet of 329 x 483 mm, which is 1.2 mm
narrower than 13 x 19 inches. Orientation does not matter: the sheet turns with the picture.
"""

from __future__ import annotations

import re
from collections.abc import Iterable

from printqueue.core.nearest import nearest, suggestion
from printqueue.core.units import LENGTH_MM, MM_PER_INCH, Size

MIN_MM = 20.0
MAX_MM = 10_000.0  # a length of roll
SAME_MM = 0.1  # sizes that differ by less are the same sheet

# ISO 216: width × height in mm, upright
_ISO = {
    "A0": (841, 1189), "A1": (594, 841), "A2": (420, 594), "A3": (297, 420), "A4": (210, 297), "A5": (148, 210),
    "A6": (105, 148), "A7": (74, 105), "A8": (52, 74), "A9": (37, 52), "A10": (26, 37),
    "B0": (1000, 1414), "B1": (707, 1000), "B2": (500, 707), "B3": (353, 500), "B4": (250, 353), "B5": (176, 250),
    "B6": (125, 176), "B7": (88, 125), "B8": (62, 88), "B9": (44, 62), "B10": (31, 44),
}  # fmt: skip
# ANSI/ASME Y14.1, in inches (from memory)
_ANSI = {"Letter": (8.5, 11), "Tabloid": (11, 17), "ANSI C": (17, 22), "ANSI D": (22, 34), "ANSI E": (34, 44)}
_METRIC = {"A3+": (329, 483)}  # a trade label (from memory)
_ALIASES = {"ansi a": "Letter", "ansi b": "Tabloid", "super b": "A3+"}

NAMED: dict[str, Size] = {
    **{name: Size(name, float(w), float(h)) for name, (w, h) in {**_ISO, **_METRIC}.items()},
    **{name: Size(name, w * MM_PER_INCH, h * MM_PER_INCH) for name, (w, h) in _ANSI.items()},
}
_BY_LOWER = {name.lower(): size for name, size in NAMED.items()} | {
    alias: NAMED[name] for alias, name in _ALIASES.items()
}
_WORDS = [name for name in _BY_LOWER if name.isalpha()]
_CLOSE = 0.85  # difflib's ratio: one letter in six
_NUMBER = r"([0-9]{1,5}(?:\.[0-9]{1,3})?)"
_WRITTEN = re.compile(rf"{_NUMBER} ?[x×] ?{_NUMBER} ?(mm|cm|in)")
_LOOSE = r"[0-9]+(?:[.,][0-9]+)? ?(?:mm|cm|m|inches|inch|in|px|\")?"
_TWO_SIDES = re.compile(rf"{_LOOSE} ?[x×] ?{_LOOSE}", re.IGNORECASE)
_LIKE_A_NAME = re.compile(
    r"[A-C]\d{1,3}\+?|[AB][ _-]?\d{1,2}[ _+-]?[a-z]?", re.IGNORECASE
)  # 'A33', 'A 2', 'A2b', 'a3_'
_MAX_CHARS = 40


class SizeError(ValueError):
    """The text is not a size; the message says what would be."""


def parse(text: str) -> Size:
    """Read 'A3', 'letter', '300x400 mm', '30×40 cm', '8x10 in'; the result's name has the usual spelling.

    Sides of 20 mm to 10 m. Raises `SizeError` with a sentence that names the nearest known size.
    """
    word = " ".join(text.split())
    if word.lower() in _BY_LOWER:
        return _BY_LOWER[word.lower()]
    match = _WRITTEN.fullmatch(word)
    if match is None:
        raise SizeError(_why_not(word))
    width, height, unit = match[1], match[2], match[3]
    size = Size(f"{width}x{height} {unit}", float(width) * LENGTH_MM[unit], float(height) * LENGTH_MM[unit])
    if size.short_mm < MIN_MM or size.long_mm > MAX_MM:
        raise SizeError(f"'{size.name}' is out of range; each side is {MIN_MM:.0f} mm to {MAX_MM / 1000:.0f} m")
    return size


def is_size(text: str) -> bool:
    """Whether `text` can be read as a size."""
    try:
        parse(text)
    except SizeError:
        return False
    return True


def looks_like_size(text: str) -> bool:
    """Whether `text` is a size or was probably meant as one: '30x40' lacks a unit, ISO has no 'A33', and 'A 2', 'A2b' and
    'Leter' are typos. A folder meant as a size must not silently become a different sheet.
    """
    word = text.strip()
    if is_size(text):
        return True
    if len(text) > _MAX_CHARS:
        return False
    if _TWO_SIDES.fullmatch(word) or _LIKE_A_NAME.fullmatch(word):
        return True
    return word.isalpha() and nearest(word, _WORDS, cutoff=_CLOSE) is not None


def same(one: Size, other: Size) -> bool:
    """Whether both are the same sheet, regardless of name and orientation."""
    return abs(one.short_mm - other.short_mm) < SAME_MM and abs(one.long_mm - other.long_mm) < SAME_MM


def listed(size: Size, stocked: Iterable[Size]) -> bool:
    """Whether the same sheet as `size` is among `stocked`."""
    return any(same(size, one) for one in stocked)


def _why_not(word: str) -> str:
    said = word[:_MAX_CHARS]
    if len(word) > _MAX_CHARS or not _TWO_SIDES.fullmatch(word):
        return f"'{said}' is no size; write a name such as A3, or WIDTHxHEIGHT mm, cm or in. {suggestion(said, NAMED)}"
    if "," in word:
        return f"'{said}': write the decimals with a point, for example '{said.replace(',', '.')}'"
    if word[-1].isdigit():
        return f"'{said}' has no unit; write '{said} mm', '{said} cm' or '{said} in'"
    return f"'{said}' is no size; write WIDTHxHEIGHT and one unit at the end (mm, cm, in), for example 300x400 mm"
