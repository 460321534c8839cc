"""Pydantic field types for quantities: text with a unit in, a number in base units out."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Annotated, Any

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, WithJsonSchema

from printqueue import units
from printqueue.model.finding import Level


class Strict(BaseModel):
    """Base of every rule and order model: immutable, and an unknown key is an error."""

    model_config = ConfigDict(frozen=True, extra="forbid")


def _quantity(table: dict[str, float], text: Any) -> float:
    if not isinstance(text, str):
        raise ValueError(f"expected a quantity such as '1 {next(iter(table))}'")
    return units.parse(text, table)


def _type(table: dict[str, float], example: str) -> tuple[BeforeValidator, WithJsonSchema]:
    read: Callable[[Any], float] = partial(_quantity, table)
    said = f"a number and its unit: {' | '.join(table)}"
    schema = {"type": "string", "description": said, "examples": [example], "pattern": f"^{units.pattern(table)}$"}
    return BeforeValidator(read), WithJsonSchema(schema)


Mm = Annotated[float, *_type(units.LENGTH_MM, "25 mm")]
Ppi = Annotated[float, *_type(units.RESOLUTION_PPI, "240 ppi")]
Percent = Annotated[float, *_type(units.SHARE_PERCENT, "15 %")]
Stops = Annotated[float, *_type(units.EXPOSURE_STOPS, "1/3 stop")]
Lightness = Annotated[float, *_type(units.LIGHTNESS, "12 L*")]
DeltaE = Annotated[float, *_type(units.DELTA_E, "6 dE00")]
Seconds = Annotated[float, *_type(units.DURATION_S, "5 s")]
Hours = Annotated[float, *_type(units.DURATION_H, "24 hours")]
Days = Annotated[float, *_type(units.DURATION_DAYS, "14 days")]
Megapixels = Annotated[float, *_type(units.PIXELS_MP, "1000 MP")]
Bytes = Annotated[float, *_type(units.MEMORY_BYTES, "3 GB")]
Gsm = Annotated[float, *_type(units.GRAMMAGE_GSM, "300 gsm")]
Lux = Annotated[float, *_type(units.ILLUMINANCE_LX, "200 lx")]
CandelaPerM2 = Annotated[float, *_type(units.LUMINANCE_CDM2, "100 cd/m2")]


def _flag(text: Any) -> bool:
    if text == "true":
        return True
    if text == "false":
        return False
    raise ValueError("write true or false")


Flag = Annotated[bool, BeforeValidator(_flag), WithJsonSchema({"enum": [True, False, "true", "false"]})]


def _whole_number(text: Any) -> int:
    if isinstance(text, str) and text.isascii() and text.isdigit() and len(text) <= 6:
        return int(text)
    raise ValueError("write a whole number, digits only")


# An editor reads digits as a number; here everything is text.
_WHOLE = {
    "anyOf": [{"type": "integer", "minimum": 0, "maximum": 999_999}, {"type": "string", "pattern": "^[0-9]{1,6}$"}]
}
Whole = Annotated[int, BeforeValidator(_whole_number), WithJsonSchema(_WHOLE)]


class Limits(Strict):
    """Base of every check's limits. `unmeasurable` is the level of an honest "cannot tell"."""

    unmeasurable: Annotated[Level, Field(description="where the picture does not let this be measured")] = Level.NOTE
