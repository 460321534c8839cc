"""Where in a picture something was found."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

_THIRD = 1 / 3
_ROWS = ("top", "middle", "bottom")
_COLUMNS = ("left", "centre", "right")


@dataclass(frozen=True, slots=True)
class Region:
    """A rectangle of the picture as displayed, in fractions of its width and height (0..1, from top left).

    `value` is how severe the fault is there, in its check's unit; None if only the place matters.
    """

    left: float
    top: float
    width: float
    height: float
    value: float | None = None

    @property
    def centre(self) -> tuple[float, float]:
        """(x, y), in fractions of the picture."""
        return self.left + self.width / 2, self.top + self.height / 2

    def in_words(self) -> str:
        """Which of nine parts of the picture the region's centre is in: "top left", "middle left", "centre"."""
        x, y = self.centre
        row, column = _ROWS[min(2, int(y / _THIRD))], _COLUMNS[min(2, int(x / _THIRD))]
        if row == "middle" and column == "centre":
            return "centre"
        return f"{row} {column}"


def worst_place(places: Sequence[Region], words: str) -> str:
    """The worst of `places` as the end of a clause: ", most top left" for `words` "most"; "" if there are none."""
    return f", {words} {places[0].in_words()}" if places else ""
