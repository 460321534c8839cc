"""Sizes and lengths, pixels, and numbers in prose."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

MM_PER_INCH = 25.4
LENGTH_MM = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "in": MM_PER_INCH}


@dataclass(frozen=True, slots=True)
class Size:
    """Width and height in mm, as named or written by the photographer."""

    name: str
    width_mm: float
    height_mm: float

    @property
    def short_mm(self) -> float:
        """The shorter side in mm."""
        return min(self.width_mm, self.height_mm)

    @property
    def long_mm(self) -> float:
        """The longer side in mm."""
        return max(self.width_mm, self.height_mm)

    def turned(self, *, landscape: bool) -> Size:
        """The same sheet with its long side across (landscape) or upright."""
        across, up = (self.long_mm, self.short_mm) if landscape else (self.short_mm, self.long_mm)
        return Size(self.name, across, up)


def pixels(length_mm: float, ppi: float) -> int:
    """The whole number of pixels in `length_mm` at `ppi`: round(mm / 25.4 × ppi)."""
    return round(length_mm / MM_PER_INCH * ppi)


def stops_text(stops: float) -> str:
    """An exposure as photographers write it: '+1/3 stop', '-1/2 stop', '0 stop', '+0.40 stop'."""
    for below in (1, 2, 3):
        above = stops * below
        if abs(above - round(above)) < 1e-6:
            fraction = Fraction(round(above), below)
            sign = "+" if fraction > 0 else ""
            return f"{sign}{fraction} stop" if abs(fraction) <= 1 else f"{sign}{fraction} stops"
    return f"{stops:+.2f} {'stop' if abs(stops) <= 1 else 'stops'}"


def number_text(value: float, digits: int = 1) -> str:
    """A number for prose: no trailing zeros after the point, never 'nan'."""
    rounded = round(value, digits)
    return str(int(rounded)) if rounded == int(rounded) else f"{rounded:.{digits}f}".rstrip("0")
