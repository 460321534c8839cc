"""Letters on a sheet: one bundled open font, drawn as coverage at any size.

The font is EB Garamond's cut for small sizes (SIL Open Font License 1.1, `OFL.txt`): Latin, Greek, Cyrillic. Heights
are cap heights (the height of an H). Figures are lining, so that a `1` in a hash never looks like an `I`.

FreeType, which ships with Pillow, draws single characters; this module places them, so that a line is the same on every
machine. Pillow's own layout either needs a system library (libfribidi) or does not kern.
`examples/make_lettering.py` makes the font file and its kerning.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files
from io import BytesIO
from unicodedata import combining, normalize

import numpy as np
from numpy.typing import NDArray
from PIL import ImageFont

FILE, KERNING = "EBGaramond08-Lining.otf", "kerning.txt"
MISSING = "?"  # replaces a character that the font lacks
_EM = 1000  # units per em, and the size in px at which a unit is one pixel
_LIGATURES = (("ffi", "\ufb03"), ("ffl", "\ufb04"), ("ff", "\ufb00"), ("fi", "\ufb01"), ("fl", "\ufb02"))
_LOOK_PX = 32
_NO_CHARACTER = "\U0010ffff"


@dataclass(frozen=True, slots=True)
class Lettering:
    """One line of text: `coverage` (H, W) uint8, 255 where the ink is full; the baseline is below row `baseline_px` - 1."""

    coverage: NDArray[np.uint8]
    baseline_px: int


def lettering(text: str, height_px: float) -> Lettering:
    """Draw `text` so that its capitals are `height_px` px high (at least 1)."""
    size = _size(height_px)
    letters = _placed(text, size)
    ascent, descent = _font(size).getmetrics()
    above = max(ascent, *(-top for _, top, _ in letters), 1)
    below = max(descent, *(top + drawn.shape[0] for _, top, drawn in letters), 0)
    before = max([0, *(-left for left, _, _ in letters)])  # a j sticks out to the left
    width = max(math.ceil(width_px(text, height_px)), *(left + drawn.shape[1] for left, _, drawn in letters), 1)
    found = np.zeros((above + below, before + width), np.uint8)
    for left, top, drawn in letters:
        rows, columns = above + top, before + left
        place = found[rows : rows + drawn.shape[0], columns : columns + drawn.shape[1]]
        np.maximum(place, drawn, out=place)
    return Lettering(found, above)


def width_px(text: str, height_px: float) -> float:
    """Length of the line at that cap height."""
    return sum(advance for _, advance in _spaced(text)) * _size(height_px) / _EM


def settable(text: str) -> str:
    """The text in characters that can be set: `MISSING` replaces controls and what the font lacks.

    A letter and its accent become one character where one exists (NFC). All other functions expect such text.
    """
    composed = normalize("NFC", text)
    return "".join(
        " " if char.isspace() else char if char.isprintable() and _has(char) else MISSING for char in composed
    )


def fitted(text: str, height_px: float, max_px: float) -> str:
    """The text, or as much of its beginning as fits `max_px` with an ellipsis; "" if not even that fits."""
    if width_px(text, height_px) <= max_px:
        return text
    for length in range(len(text) - 1, 0, -1):
        shorter = text[:length].rstrip() + "…"
        if width_px(shorter, height_px) <= max_px:
            return shorter
    return ""


def wrapped(text: str, height_px: float, room_px: float, max_lines: int) -> list[str]:
    """Break the text at spaces into at most `max_lines` lines of `room_px`; an ellipsis replaces what does not fit."""
    words, lines = text.split(), list[str]()
    while words and len(lines) < max_lines - 1:
        count = _that_fit(words, height_px, room_px)
        lines.append(" ".join(words[:count]))
        words = words[count:]
    rest = " ".join(words)
    return [
        one for one in (*(fitted(line, height_px, room_px) for line in lines), fitted(rest, height_px, room_px)) if one
    ]


def _that_fit(words: Sequence[str], height_px: float, room_px: float) -> int:
    """How many of the first words fit on one line, at least one."""
    for count in range(1, len(words)):
        if width_px(" ".join(words[: count + 1]), height_px) > room_px:
            return count
    return len(words)


def load() -> None:
    """Read the font now, so that a bounded child need not open a file."""
    _data(FILE)
    _kerning()


def _placed(text: str, size_px: int) -> list[tuple[int, int, NDArray[np.uint8]]]:
    """Column, row from the baseline and coverage of each letter. A separate accent sits above the letter before it."""
    found, start, end = [], 0.0, 0.0
    for char, advance in _spaced(text):
        left, top, drawn = _letter(size_px, char)
        if not combining(char):
            start, end = end, end + advance * size_px / _EM
        found.append((round((start + end - drawn.shape[1]) / 2 if combining(char) else start + left), top, drawn))
    return found


def _spaced(text: str) -> Iterator[tuple[str, int]]:
    """Yield each character to set, ligatures joined, and its distance to the next one in units of `_EM`."""
    for letters, ligature in _LIGATURES:
        text = text.replace(letters, ligature)
    kerning = _kerning()
    return (
        (char, _advance(char) + kerning.get(char + after, 0))
        for char, after in zip(text, (text + " ")[1:], strict=True)
    )


def _size(height_px: float) -> int:
    return max(1, round(max(1.0, height_px) / _caps()))


@lru_cache(maxsize=1)
def _caps() -> float:
    """Cap height as a fraction of the font size."""
    _, top, _, foot = _font(_EM).getbbox("H", anchor="ls")
    return float(foot - top) / _EM


@lru_cache(maxsize=4096)
def _has(char: str) -> bool:
    font = _font(_LOOK_PX)
    return bytes(font.getmask(char)) != bytes(font.getmask(_NO_CHARACTER))


@lru_cache(maxsize=4096)
def _advance(char: str) -> int:
    """Distance to the next character in units of `_EM`, as designed; FreeType would round it to pixels at each size."""
    return round(_font(_EM).getlength(char))


@lru_cache(maxsize=256)
def _letter(size_px: int, char: str) -> tuple[int, int, NDArray[np.uint8]]:
    """Column and row of the letter's corner from its point on the baseline, and its coverage."""
    mask, (left, top) = _font(size_px).getmask2(char, mode="L", anchor="ls")
    width, height = mask.size
    return int(left), int(top), np.asarray(mask, np.uint8).reshape(height, width)


@lru_cache(maxsize=16)
def _font(size_px: int) -> ImageFont.FreeTypeFont:
    return ImageFont.truetype(BytesIO(_data(FILE)), size_px, layout_engine=ImageFont.Layout.BASIC)


@lru_cache(maxsize=1)
def _kerning() -> dict[str, int]:
    """Pair of characters → the space between them."""
    lines = (line.split("\t") for line in _data(KERNING).decode("utf-8").splitlines())
    return {first + second: int(space) for first, space, seconds in lines for second in seconds}


@lru_cache(maxsize=2)
def _data(name: str) -> bytes:
    return files(__package__).joinpath(name).read_bytes()
