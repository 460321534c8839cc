"""Numbers with a unit: one object defines how a quantity is read from text, written, bounded and described to editors.

The unit is never optional: a bare `25` could be mm or px.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from fractions import Fraction
from math import inf
from typing import Annotated, Any

from pydantic import GetCoreSchemaHandler, GetJsonSchemaHandler
from pydantic.fields import FieldInfo
from pydantic_core import CoreSchema, core_schema

from printqueue.core.units import LENGTH_MM, number_text, stops_text
from printqueue.core.yaml.yaml_model import taken_apart

_MAX_CHARS = 80
_SIGN = "[+−-]"
_NUMBER = r"[0-9]+ */ *[0-9]+|[0-9]+(?:\.[0-9]*)?|\.[0-9]+"  # a fraction or a decimal, in ASCII digits
_QUANTITY = re.compile(rf"({_SIGN}?) *({_NUMBER}) *([A-Za-z%Δ][A-Za-z0-9%*/]*)?")
_COMMA = re.compile(rf"{_SIGN}? *[0-9]+,[0-9]+ *\S*")


class UnitError(ValueError):
    """A quantity with a missing or wrong unit, out of range, or without a number."""


@dataclass(frozen=True, eq=False)  # hashable, as `Annotated` requires
class Quantity:
    """A kind of quantity, for `Annotated[float, ...]`: text with a unit in the file, a number in `base` here.

    base      the number's unit, as named in messages
    units     every accepted unit, with its factor to `base`; messages suggest the first
    example   a typical value
    unit      the one used for writing; default: the first of `units`
    low, high the range, inclusive
    """

    base: str
    units: Mapping[str, float]
    example: float
    unit: str = ""
    low: float = -inf
    high: float = inf

    @property
    def _first(self) -> str:
        return next(iter(self.units))

    def within(self, low: float, high: float) -> Quantity:
        """The same quantity, limited to a range."""
        return replace(self, low=low, high=high)

    def read(self, text: Any) -> float:
        """`text` ("25 mm", "1/3 stop", "-0.5 stop") in `base`. Raises `UnitError` with a sentence that says what to write."""
        value = self._value(text)
        if not self.low <= value <= self.high:
            raise UnitError(f"{_short(value)} {self.base} is out of range; {self._range}")
        return value

    def _value(self, text: Any) -> float:
        if not isinstance(text, str):
            raise UnitError(f"expected a quantity such as '1 {self._first}'")
        word = text.strip()
        match = _QUANTITY.fullmatch(word) if len(text) <= _MAX_CHARS else None
        if match is None:
            raise UnitError(self._no_quantity(text))
        sign, number, unit = match.groups()
        if unit is None:
            raise UnitError(f"'{word}' has no unit; write '{word} {self._first}'")
        if unit not in self.units:
            raise UnitError(f"'{unit}' is not a unit for this; expected {' or '.join(self.units)}")
        try:
            value = float(Fraction(number.replace(" ", ""))) * self.units[unit]
        except ZeroDivisionError:
            raise UnitError(f"'{word}' divides by zero") from None
        return -value if sign in ("-", "−") else value

    def _no_quantity(self, text: str) -> str:
        if _COMMA.fullmatch(text.strip()[:_MAX_CHARS]):
            return f"'{text[:40]}' has a comma; write a point: '{text.strip()[:40].replace(',', '.')}'"
        wanted = " or ".join(self.units)
        return f"'{text[:40]}' is no quantity; write a number and its unit ({wanted}), for example '1 {self._first}'"

    @property
    def _range(self) -> str:
        return f"{_short(self.low)} to {_short(self.high)} {self.base}"

    def write(self, value: float) -> str:
        """`value` (in `base`) as written in a file."""
        unit = self.unit or self._first
        return f"{number_text(value / self.units[unit], 3)} {unit}"

    @property
    def pattern(self) -> str:
        """What `read` accepts, as an ECMA 262 regular expression (for JSON Schema)."""
        return f"{_SIGN}? *(?:{_NUMBER}) *(?:{'|'.join(map(re.escape, self.units))})"

    def json_schema(self) -> dict[str, Any]:
        """The schema shown to editors."""
        said = f"a number and its unit: {' | '.join(self.units)}"
        example = self.write(self.example)
        return {"type": "string", "description": said, "examples": [example], "pattern": f"^{self.pattern}$"}

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        return core_schema.no_info_plain_validator_function(self.read)

    def __get_pydantic_json_schema__(self, schema: CoreSchema, handler: GetJsonSchemaHandler) -> dict[str, Any]:
        return self.json_schema()


class _Exposure(Quantity):
    """Stops: thirds and halves stay fractions."""

    def write(self, value: float) -> str:
        return stops_text(value).lstrip("+")


@dataclass(frozen=True, eq=False)  # hashable, as `Annotated` requires
class OffOr(Quantity):
    """`off`, which is 0, or a quantity; `what` says what it is: "a width"."""

    what: str = ""

    def read(self, text: Any) -> float:
        """0 for `off`; otherwise like any quantity."""
        if text == "off":
            return 0.0
        if not isinstance(text, str) or not any(char.isdigit() for char in text):
            raise UnitError(f"write off, or {self.what} such as {self.write(self.example)}")
        return super().read(text)

    def write(self, value: float) -> str:
        """`off` for 0; otherwise like any quantity."""
        return super().write(value) if value else "off"

    def json_schema(self) -> dict[str, Any]:
        """The schema shown to editors."""
        said = f"off, or {self.what}, {self._range}"
        examples = ["off", self.write(self.example)]
        return {"type": "string", "description": said, "examples": examples, "pattern": f"^(?:off|{self.pattern})$"}


def quantity_of(field: FieldInfo) -> Quantity | None:
    """The kind of quantity in a model's field; None if the field holds something else."""
    return next((part for part in taken_apart(field) if isinstance(part, Quantity)), None)


def _short(value: float) -> str:
    return f"{value:.2f}".rstrip("0").rstrip(".")


LENGTH = Quantity("mm", LENGTH_MM, 25)
RESOLUTION = Quantity("ppi", {"ppi": 1.0}, 240)
SHARE = Quantity("%", {"%": 1.0}, 15)
EXPOSURE = _Exposure("stops", {"stop": 1.0, "stops": 1.0}, 1 / 3)
LIGHTNESS = Quantity("L*", {"L*": 1.0}, 12)
DIFFERENCE = Quantity("dE00", {"dE00": 1.0, "ΔE00": 1.0}, 6)
SECONDS = Quantity("s", {"s": 1.0, "ms": 0.001, "min": 60.0, "h": 3600.0}, 5)
HOURS = Quantity("hours", {"hours": 1.0, "hour": 1.0, "h": 1.0, "min": 1 / 60}, 24)
DAYS = Quantity("days", {"days": 1.0, "day": 1.0, "weeks": 7.0, "week": 7.0}, 14)
PIXELS = Quantity("MP", {"MP": 1.0}, 1000)
MEMORY = Quantity("bytes", {"MB": 1e6, "GB": 1e9}, 3e9, unit="GB")
GRAMMAGE = Quantity("gsm", {"gsm": 1.0, "g/m2": 1.0}, 300)
ILLUMINANCE = Quantity("lx", {"lx": 1.0}, 200)
LUMINANCE = Quantity("cd/m2", {"cd/m2": 1.0}, 100)

Ppi = Annotated[float, RESOLUTION]
Percent = Annotated[float, SHARE]
Stops = Annotated[float, EXPOSURE]
Lightness = Annotated[float, LIGHTNESS]
Hours = Annotated[float, HOURS]
Days = Annotated[float, DAYS]
