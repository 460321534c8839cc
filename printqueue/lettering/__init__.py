"""Letters on a sheet: one bundled open font, drawn as coverage at any size.

The font is EB Garamond's cut for small sizes (SIL Open Font License 1.1, `OFL.txt`): Latin, Greek, Cyrillic. Heights
are cap heights, the height of an H. Lining figures, so that a `1` in a hash is no `I`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files
from io import BytesIO

import numpy as np
from numpy.typing import NDArray
from PIL import ImageFont

FILE = "EBGaramond08-Regular.otf"
MISSING = "?"  # set in place of a character that the font does not have
_FEATURES = ["lnum"]
_TRIAL_PX = 1000
_LOOK_PX = 32
_NO_CHARACTER = "\U0010ffff"


@dataclass(frozen=True, slots=True)
class Lettering:
    """One line of text: `coverage` (H, W) uint8, 255 where the ink is full; the baseline is below row `baseline_px` - 1."""

    coverage: NDArray[np.uint8]
    baseline_px: int


def lettering(text: str, height_px: float) -> Lettering:
    """`text`, drawn so that its capitals are `height_px` px high (at least 1)."""
    font = _font(_size(height_px))
    ascent, descent = font.getmetrics()
    width = max(1, int(np.ceil(font.getlength(text, features=_FEATURES))))
    mask, (left, top) = font.getmask2(text, mode="L", features=_FEATURES)
    left, top = max(0, left), max(0, top)
    found = np.zeros((max(ascent + descent, top + mask.size[1]), max(width, left + mask.size[0])), np.uint8)
    if mask.size[0] and mask.size[1]:
        drawn = np.asarray(mask, np.uint8).reshape(mask.size[1], mask.size[0])
        found[top : top + mask.size[1], left : left + mask.size[0]] = drawn
    return Lettering(found, ascent)


def width_px(text: str, height_px: float) -> float:
    """How far the line runs at that cap height."""
    return float(_font(_size(height_px)).getlength(text, features=_FEATURES))


def settable(text: str) -> str:
    """The same text in characters that can be set: `MISSING` for what the font does not have and for controls.

    All other functions want such text: the layout engine fails on control characters.
    """
    return "".join(" " if char.isspace() else char if char.isprintable() and _has(char) else MISSING for char in text)


def fitted(text: str, height_px: float, most_px: float) -> str:
    """The text, or as much of its beginning as fits into `most_px` with an ellipsis; "" where not even that does."""
    if width_px(text, height_px) <= most_px:
        return text
    for length in range(len(text) - 1, 0, -1):
        shorter = text[:length].rstrip() + "…"
        if width_px(shorter, height_px) <= most_px:
            return shorter
    return ""


def wrapped(text: str, height_px: float, room_px: float, most: int) -> list[str]:
    """The text in at most `most` lines of `room_px`, broken at spaces; what does not fit is cut with an ellipsis."""
    words, lines = text.split(), list[str]()
    while words and len(lines) < most - 1:
        count = _that_fit(words, height_px, room_px)
        lines.append(" ".join(words[:count]))
        words = words[count:]
    rest = " ".join(words)
    return [
        one for one in (*(fitted(line, height_px, room_px) for line in lines), fitted(rest, height_px, room_px)) if one
    ]


def _that_fit(words: Sequence[str], height_px: float, room_px: float) -> int:
    """How many of the first words stand on one line, at least one."""
    for count in range(1, len(words)):
        if width_px(" ".join(words[: count + 1]), height_px) > room_px:
            return count
    return len(words)


def load() -> None:
    """Read the font now, so that a bounded child need not open a file."""
    _data()


def _size(height_px: float) -> int:
    return max(1, round(max(1.0, height_px) / _caps()))


@lru_cache(maxsize=1)
def _caps() -> float:
    """Cap height in parts of the font's size."""
    _, top, _, foot = _font(_TRIAL_PX).getbbox("H", anchor="ls", features=_FEATURES)
    return float(foot - top) / _TRIAL_PX


@lru_cache(maxsize=4096)
def _has(char: str) -> bool:
    font = _font(_LOOK_PX)
    return bytes(font.getmask(char)) != bytes(font.getmask(_NO_CHARACTER))


@lru_cache(maxsize=16)
def _font(size_px: int) -> ImageFont.FreeTypeFont:
    return ImageFont.truetype(BytesIO(_data()), size_px, layout_engine=ImageFont.Layout.RAQM)


@lru_cache(maxsize=1)
def _data() -> bytes:
    return files(__package__).joinpath(FILE).read_bytes()
