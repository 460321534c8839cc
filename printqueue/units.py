"""Quantities with units: read from text, converted, written as text.

A bare number is never accepted where a unit belongs: `25` could be mm or px.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from fractions import Fraction

MM_PER_INCH = 25.4

# unit → factor to the base unit of its kind
LENGTH_MM = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "in": MM_PER_INCH}
RESOLUTION_PPI = {"ppi": 1.0}
SHARE_PERCENT = {"%": 1.0}
EXPOSURE_STOPS = {"stop": 1.0, "stops": 1.0}
LIGHTNESS = {"L*": 1.0}
DELTA_E = {"dE00": 1.0, "ΔE00": 1.0}
DURATION_S = {"s": 1.0, "ms": 0.001, "min": 60.0, "h": 3600.0}
DURATION_H = {"hours": 1.0, "hour": 1.0, "h": 1.0, "min": 1 / 60}
DURATION_DAYS = {"days": 1.0, "day": 1.0, "weeks": 7.0, "week": 7.0}
PIXELS_MP = {"MP": 1.0}
MEMORY_BYTES = {"MB": 1e6, "GB": 1e9}
GRAMMAGE_GSM = {"gsm": 1.0, "g/m2": 1.0}
ILLUMINANCE_LX = {"lx": 1.0}
LUMINANCE_CDM2 = {"cd/m2": 1.0}
BITS = {"bit": 1.0, "bits": 1.0}
COUNT = {"levels": 1.0, "px": 1.0, "edges": 1.0}

_MAX_CHARS = 80
# sign, then a fraction or a decimal number (ASCII digits), then a unit
_QUANTITY = re.compile(
    r"([+−-]?) *(?:([0-9]+) */ *([0-9]+)|([0-9]+(?:\.[0-9]*)?|\.[0-9]+)) *([A-Za-z%Δ][A-Za-z0-9%*/]*)?"
)


_COMMA = re.compile(r"[+−-]? *[0-9]+,[0-9]+ *\S*")


def pattern(units: dict[str, float]) -> str:
    """What `parse` reads with these units, as a regular expression of ECMA 262 (for JSON Schema)."""
    number = r"[+−-]? *(?:[0-9]+ */ *[0-9]+|[0-9]+(?:\.[0-9]*)?|\.[0-9]+)"
    return f"{number} *(?:{'|'.join(re.escape(unit) for unit in units)})"


class UnitError(ValueError):
    """A quantity without its unit, with a foreign one, or no number at all."""


def parse(text: str, units: dict[str, float]) -> float:
    """Return `text` ("25 mm", "1/3 stop", "-0.5 stop") in the base unit of `units`.

    Raises `UnitError` with a sentence that names the unit expected.
    """
    match = _QUANTITY.fullmatch(text.strip()) if len(text) <= _MAX_CHARS else None
    wanted, example = " or ".join(units), f"1 {next(iter(units))}"
    if match is None:
        if _COMMA.fullmatch(text.strip()[:_MAX_CHARS]):
            raise UnitError(f"'{text[:40]}' has a comma; write a point: '{text.strip()[:40].replace(',', '.')}'")
        raise UnitError(
            f"'{text[:40]}' is no quantity; write a number and its unit ({wanted}), for example '{example}'"
        )
    sign, above, below, decimal, unit = match.groups()
    if unit is None:
        raise UnitError(f"'{text.strip()}' has no unit; write '{text.strip()} {next(iter(units))}'")
    if unit not in units:
        raise UnitError(f"'{unit}' is not a unit for this; expected {wanted}")
    if below is not None and int(below) == 0:
        raise UnitError(f"'{text.strip()}' divides by zero")
    number = float(Fraction(int(above), int(below))) if above else float(decimal)
    value = (-number if sign in ("-", "−") else number) * units[unit]
    if not math.isfinite(value):
        raise UnitError(f"'{text[:40]}' is too large")
    return value


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
    """Whole pixels that cover `length_mm` at `ppi`: round(mm / 25.4 × ppi)."""
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
