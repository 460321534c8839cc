"""Field types shared by paper, order and settings files, besides quantities: text in, typed value out."""

from __future__ import annotations

import re
from collections.abc import Callable
from functools import partial
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field, PlainValidator, WithJsonSchema, model_validator

from printqueue.core import sizes
from printqueue.core.model.paper import Intent, Lab, Margins
from printqueue.core.model.request import Border, Sharpening
from printqueue.core.units import LENGTH_MM, Size
from printqueue.core.yaml.quantity import EXPOSURE, LENGTH, SHARE, OffOr
from printqueue.core.yaml.yaml_model import Keyed, YamlModel, default

MAX_TEXT = 500
MAX_LINE = 200

_MARGIN = LENGTH.within(0, 500)
_RADIUS, _AMOUNT = LENGTH.within(0.05, 0.6), SHARE.within(1, 150)

MarginMm = Annotated[float, _MARGIN]
PrintStops = Annotated[float, EXPOSURE.within(-2, 2)]
HairlineMm = Annotated[float, OffOr("mm", LENGTH_MM, 0.2, low=0.05, high=2, what="a width")]
FootLineMm = Annotated[float, OffOr("mm", LENGTH_MM, 2, low=1, high=4, what="the height of its capitals")]
IntentName = Annotated[
    Intent, Field(description="rendering intent (ICC.1): perceptual | relative | saturation | absolute")
]


def reads(read: Callable[[Any], Any], **schema: Any) -> tuple[PlainValidator, WithJsonSchema]:
    """For `Annotated`: `read` turns text into a value or raises `ValueError`; `schema` is what editors see."""
    return PlainValidator(read), WithJsonSchema(schema)


def _line(limit: int, text: Any) -> str:
    if not isinstance(text, str):
        raise ValueError("write one text")
    line = " ".join(text.split())
    if len(line) > limit:
        raise ValueError(f"this text has {len(line)} characters; {limit} at most")
    return line


# Text on one line: runs of whitespace become a single space.
Text = Annotated[str, BeforeValidator(partial(_line, MAX_TEXT))]
Line = Annotated[str, BeforeValidator(partial(_line, MAX_LINE))]


def _flag(text: Any) -> bool:
    if text not in ("true", "false"):
        raise ValueError("write true or false")
    return bool(text == "true")


Flag = Annotated[bool, *reads(_flag, enum=[True, False, "true", "false"])]


def _whole(low: int, high: int, says: str, text: Any) -> int:
    if not (
        isinstance(text, str) and text.isascii() and text.isdigit() and len(text) <= 6 and low <= int(text) <= high
    ):
        raise ValueError(says)
    return int(text)


# To an editor, digits are a number; here everything is text.
Whole = Annotated[
    int,
    *reads(
        partial(_whole, 0, 999_999, "write a whole number, digits only"),
        anyOf=[{"type": "integer", "minimum": 0, "maximum": 999_999}, {"type": "string", "pattern": "^[0-9]{1,6}$"}],
    ),
]


def count(high: int) -> tuple[PlainValidator, WithJsonSchema]:
    """A whole number from 1 to `high`, digits only."""
    read = partial(_whole, 1, high, f"write a whole number, 1 to {high}")
    return reads(read, type="integer", minimum=1, maximum=high, examples=[1])


_PRINT_PPI = re.compile(r"([0-9]{2,4})(?: ?ppi)?")


def _print_ppi(text: Any) -> int:
    match = _PRINT_PPI.fullmatch(text) if isinstance(text, str) else None
    if match is None or not 100 <= int(match[1]) <= 1440:
        raise ValueError("write a whole number of pixels per inch, 100 to 1440, for example 360")
    return int(match[1])


PrintPpi = Annotated[
    int,
    *reads(
        _print_ppi,
        anyOf=[{"type": "integer", "minimum": 100, "maximum": 1440}, {"type": "string"}],
        examples=[360, "360 ppi"],
    ),
]


def _size(text: Any) -> Size:
    if not isinstance(text, str):
        raise ValueError("write one size, for example A3 or 300x400 mm")
    return sizes.parse(text)


_A_SHEET = "a sheet: A3, Letter, or WIDTHxHEIGHT mm, cm or in"
SheetSize = Annotated[Size, *reads(_size, type="string", description=_A_SHEET, examples=["A3", "300x400 mm"])]

_COORDINATE = re.compile(r"[+-]?[0-9]{1,3}(?:\.[0-9]{1,4})?")


def _lab(values: Any) -> Lab:
    if not (isinstance(values, list) and len(values) == 3 and all(_is_coordinate(value) for value in values)):
        raise ValueError("write three numbers, [L*, a*, b*], for example [96.5, 0.4, -1.8]")
    lightness, a, b = (float(value) for value in values)
    if not (0 <= lightness <= 100 and -128 <= a <= 127 and -128 <= b <= 127):
        raise ValueError("L* is 0 to 100, a* and b* are -128 to 127")
    return lightness, a, b


def _is_coordinate(value: Any) -> bool:
    return isinstance(value, str) and _COORDINATE.fullmatch(value) is not None


LabColour = Annotated[
    Lab,
    *reads(_lab, type="array", items={"type": "number"}, minItems=3, maxItems=3, examples=[[96.5, 0.4, -1.8]]),
]


def _texts(value: Any, keys: tuple[str, str], says: str) -> list[str]:
    """The texts under exactly these keys; "" for anything that is not text, which no quantity accepts."""
    if not isinstance(value, dict) or value.keys() != set(keys):
        raise ValueError(says)
    return [value[key] if isinstance(value[key], str) else "" for key in keys]


def _sharpening(value: Any) -> Sharpening | None:
    if value == "none":
        return None
    radius, amount = _texts(value, ("radius", "amount"), "write none, or {radius: 0.2 mm, amount: 50 %}")
    return Sharpening(_RADIUS.read(radius), _AMOUNT.read(amount))


def _margins(value: Any) -> Margins:
    both = {"ends": value, "sides": value} if isinstance(value, str) else value
    ends, sides = _texts(both, ("ends", "sides"), "write one width such as 3 mm, or {ends: 25 mm, sides: 3 mm}")
    return Margins(_MARGIN.read(ends), _MARGIN.read(sides))


def _keys(read: Callable[[Any], Any], otherwise: dict[str, Any], **keys: tuple[str, str]) -> tuple[Any, ...]:
    """For `Annotated`: texts under all of `keys` (each: description, example), or else what `otherwise` describes."""
    texts = {key: {"type": "string", "description": said, "examples": [one]} for key, (said, one) in keys.items()}
    mapping = {"type": "object", "properties": texts, "required": list(keys), "additionalProperties": False}
    return *reads(read, anyOf=[otherwise, mapping]), Keyed(dict.fromkeys(keys))


SharpeningRule = Annotated[
    Sharpening | None,
    *_keys(
        _sharpening,
        {"const": "none"},
        radius=("σ of the mask in mm on paper, 0.05 to 0.6 mm", "0.2 mm"),
        amount=("its strength, 1 to 150 %", "50 %"),
    ),
]
MarginsRule = Annotated[
    Margins,
    *_keys(
        _margins,
        {**_MARGIN.json_schema(), "description": "one width for all edges, in mm", "examples": ["3 mm"]},
        ends=("along the edge that goes in first and the one that comes last", "25 mm"),
        sides=("along the other two", "3 mm"),
    ),
]


class BorderRule(YamlModel):
    """The unprinted margin of the sheet: `style` and `width`, or all four sides (as the picture is looked at)."""

    style: Literal["even", "weighted"] = default(
        "even", "even: the same on the tight sides; weighted: heavier at the picture's foot"
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
        """As the plain value used by layout."""
        if self.top is None or self.right is None or self.bottom is None or self.left is None:
            return Border(self.style, self.width)
        return Border("given", None, (self.top, self.right, self.bottom, self.left))


SIDES = frozenset({"top", "right", "bottom", "left"})
