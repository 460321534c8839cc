"""Field types that paper, order and settings files share, beside the plain quantities of `fields`."""

from __future__ import annotations

import re
from functools import partial
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BeforeValidator, Field, PlainValidator, WithJsonSchema, model_validator

from printqueue import sizes, units
from printqueue.fields import Mm, Percent, Stops, Strict
from printqueue.model.paper import Intent, Lab, Margins
from printqueue.model.request import Border, Sharpening
from printqueue.units import Size

MAX_TEXT = 500
MAX_LINE = 200


def _within(low: float, high: float, unit: str, value: float) -> float:
    if not low <= value <= high:
        raise ValueError(f"{_short(value)} {unit} is out of range; {_short(low)} to {_short(high)} {unit}")
    return value


def _short(value: float) -> str:
    return f"{value:.2f}".rstrip("0").rstrip(".")


def within(low: float, high: float, unit: str) -> AfterValidator:
    """A range for a quantity in base units, ends included, refused in the photographer's unit."""
    return AfterValidator(partial(_within, low, high, unit))


def _line(limit: int, text: Any) -> str:
    if not isinstance(text, str):
        raise ValueError("write one text")
    line = " ".join(text.split())
    if len(line) > limit:
        raise ValueError(f"this text has {len(line)} characters; {limit} at most")
    return line


def line(limit: int) -> BeforeValidator:
    """Text on one line: runs of white space become one space."""
    return BeforeValidator(partial(_line, limit))


Text = Annotated[str, line(MAX_TEXT)]
Line = Annotated[str, line(MAX_LINE)]
MarginMm = Annotated[Mm, within(0, 500, "mm")]
PrintStops = Annotated[Stops, within(-2, 2, "stops")]
DistanceMm = Annotated[Mm, within(100, 100_000, "mm")]
SharePercent = Annotated[Percent, within(0, 100, "%")]


def _off_or_mm(what: str, example: str, low: float, high: float, text: Any) -> float:
    if text == "off":
        return 0.0
    if not isinstance(text, str) or not any(char.isdigit() for char in text):
        raise ValueError(f"write off, or {what} such as {example}")
    return _within(low, high, "mm", units.parse(text, units.LENGTH_MM))


def off_or_mm(what: str, example: str, low: float, high: float) -> tuple[BeforeValidator, WithJsonSchema]:
    """`off`, which is 0, or a length between `low` and `high` mm."""
    said = f"off, or {what}, {_short(low)} to {_short(high)} mm"
    pattern = f"^(?:off|{units.pattern(units.LENGTH_MM)})$"
    schema = {"type": "string", "description": said, "examples": ["off", example], "pattern": pattern}
    return BeforeValidator(partial(_off_or_mm, what, example, low, high)), WithJsonSchema(schema)


HairlineMm = Annotated[float, *off_or_mm("a width", "0.2 mm", 0.05, 2)]
FootLineMm = Annotated[float, *off_or_mm("the height of its capitals", "2 mm", 1, 4)]


def _texts(value: Any, names: tuple[str, ...], says: str) -> list[str]:
    """The texts under exactly these keys; "" for what is none, which no quantity is."""
    if not isinstance(value, dict) or value.keys() != set(names):
        raise ValueError(says)
    return [value[name] if isinstance(value[name], str) else "" for name in names]


def _sharpening(value: Any) -> Sharpening | None:
    if value == "none":
        return None
    radius, amount = _texts(value, ("radius", "amount"), "write none, or {radius: 0.2 mm, amount: 50 %}")
    return Sharpening(
        _within(0.05, 0.6, "mm", units.parse(radius, units.LENGTH_MM)),
        _within(1, 150, "%", units.parse(amount, units.SHARE_PERCENT)),
    )


SharpeningRule = Annotated[
    Sharpening | None,
    PlainValidator(_sharpening),
    WithJsonSchema(
        {
            "anyOf": [
                {"const": "none"},
                {
                    "type": "object",
                    "properties": {
                        "radius": {
                            "type": "string",
                            "description": "σ of the mask in mm on paper, 0.05 to 0.6 mm",
                            "examples": ["0.2 mm"],
                        },
                        "amount": {"type": "string", "description": "its strength, 1 to 150 %", "examples": ["50 %"]},
                    },
                    "required": ["radius", "amount"],
                    "additionalProperties": False,
                },
            ]
        }
    ),
]


def _margins(value: Any) -> Margins:
    both = {"ends": value, "sides": value} if isinstance(value, str) else value
    texts = _texts(both, ("ends", "sides"), "write one width such as 3 mm, or {ends: 25 mm, sides: 3 mm}")
    return Margins(*(_within(0, 500, "mm", units.parse(one, units.LENGTH_MM)) for one in texts))


MarginsRule = Annotated[
    Margins,
    PlainValidator(_margins),
    WithJsonSchema(
        {
            "anyOf": [
                {
                    "type": "string",
                    "description": "one width for all edges, in mm",
                    "examples": ["3 mm"],
                    "pattern": f"^{units.pattern(units.LENGTH_MM)}$",
                },
                {
                    "type": "object",
                    "properties": {
                        "ends": {
                            "type": "string",
                            "description": "along the edge that goes in first and the one that comes last",
                            "examples": ["25 mm"],
                        },
                        "sides": {"type": "string", "description": "along the other two", "examples": ["3 mm"]},
                    },
                    "required": ["ends", "sides"],
                    "additionalProperties": False,
                },
            ]
        }
    ),
]


def _size(text: Any) -> Size:
    if not isinstance(text, str):
        raise ValueError("write one size, for example A3 or 300x400 mm")
    return sizes.parse(text)


SheetSize = Annotated[
    Size,
    PlainValidator(_size),
    WithJsonSchema(
        {
            "type": "string",
            "description": "a sheet: A3, Letter, or WIDTHxHEIGHT mm, cm or in",
            "examples": ["A3", "300x400 mm"],
        }
    ),
]

_PRINT_PPI = re.compile(r"([0-9]{2,4})(?: ?ppi)?")


def _print_ppi(text: Any) -> int:
    match = _PRINT_PPI.fullmatch(text) if isinstance(text, str) else None
    if match is None or not 100 <= int(match[1]) <= 1440:
        raise ValueError("write a whole number of pixels per inch, 100 to 1440, for example 360")
    return int(match[1])


PrintPpi = Annotated[
    int,
    BeforeValidator(_print_ppi),
    WithJsonSchema(
        {
            "anyOf": [{"type": "integer", "minimum": 100, "maximum": 1440}, {"type": "string"}],
            "examples": [360, "360 ppi"],
        }
    ),
]


def _count(high: int, text: Any) -> int:
    if not (isinstance(text, str) and text.isascii() and text.isdigit() and len(text) <= 6 and 1 <= int(text) <= high):
        raise ValueError(f"write a whole number, 1 to {high}")
    return int(text)


def count(high: int) -> tuple[BeforeValidator, WithJsonSchema]:
    """A whole number from 1 to `high`, digits only."""
    schema = {"type": "integer", "minimum": 1, "maximum": high, "examples": [1]}
    return BeforeValidator(partial(_count, high)), WithJsonSchema(schema)


_NUMBER = re.compile(r"[+-]?[0-9]{1,3}(?:\.[0-9]{1,4})?")


def _lab(values: Any) -> Lab:
    if not (isinstance(values, list) and len(values) == 3 and all(_is_number(value) for value in values)):
        raise ValueError("write three numbers, [L*, a*, b*], for example [96.5, 0.4, -1.8]")
    lightness, a, b = (float(value) for value in values)
    if not (0 <= lightness <= 100 and -128 <= a <= 127 and -128 <= b <= 127):
        raise ValueError("L* is 0 to 100, a* and b* are -128 to 127")
    return lightness, a, b


def _is_number(value: Any) -> bool:
    return isinstance(value, str) and _NUMBER.fullmatch(value) is not None


LabColour = Annotated[
    Lab,
    PlainValidator(_lab),
    WithJsonSchema(
        {"type": "array", "items": {"type": "number"}, "minItems": 3, "maxItems": 3, "examples": [[96.5, 0.4, -1.8]]}
    ),
]
IntentName = Annotated[
    Intent, Field(description="rendering intent (ICC.1): perceptual | relative | saturation | absolute")
]


class BorderRule(Strict):
    """The unprinted margin of the sheet: `style` and `width`, or all four sides (as the picture is looked at)."""

    style: Literal["even", "weighted"] = Field(
        "even", description="even: the same on the tight sides; weighted: heavier at the picture's foot"
    )
    width: MarginMm | None = Field(
        None, description="mm on the tight sides; left out: 8 % of the sheet's short side, at least 15 mm"
    )
    top: MarginMm | None = Field(None, description="mm at the picture's head; needs the other three too")
    right: MarginMm | None = Field(None, description="mm at the picture's right")
    bottom: MarginMm | None = Field(None, description="mm at the picture's foot")
    left: MarginMm | None = Field(None, description="mm at the picture's left")

    @model_validator(mode="after")
    def _one_way(self) -> BorderRule:
        sides = self.model_fields_set & SIDES
        if sides and sides != SIDES:
            raise ValueError(f"a border of four values needs {', '.join(sorted(SIDES - sides))} too")
        if sides and self.model_fields_set - SIDES:
            raise ValueError("give either style and width, or the four sides, not both")
        return self

    def border(self) -> Border:
        """The same as the plain value that layout works with."""
        if self.top is None or self.right is None or self.bottom is None or self.left is None:
            return Border(self.style, self.width)
        return Border("given", None, (self.top, self.right, self.bottom, self.left))


SIDES = frozenset({"top", "right", "bottom", "left"})
