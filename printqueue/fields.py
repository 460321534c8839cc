"""Pydantic field types for quantities: text with a unit in, a number in base units out."""

from __future__ import annotations

import re
from collections.abc import Callable
from functools import partial
from typing import Annotated, Any

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationInfo, WithJsonSchema, field_validator

from printqueue import units
from printqueue.model.finding import Level
from printqueue.typed import ContradictionError


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


_LIMIT = re.compile(r"(?P<measure>.*?)(?P<level>reject|warn|note)_(?P<side>below|above)")
_SAID = {"reject": "turned back", "warn": "warned of", "note": "noted"}


class Limits(Strict):
    """Base of every check's limits. `unmeasurable` is the level of an honest "cannot tell".

    Fields called [MEASURE_]reject|warn|note_below|above are limits on one measure, and must make sense together.
    """

    unmeasurable: Annotated[Level, Field(description="where the picture does not let this be measured")] = Level.NOTE

    @field_validator("*", mode="after")
    @classmethod
    def _makes_sense(cls, value: Any, info: ValidationInfo) -> Any:
        """Field by field, so that another mistake in the same check hides nothing."""
        if value is not None and (this := _LIMIT.fullmatch(info.field_name or "")):
            for name, before in info.data.items():
                that = _LIMIT.fullmatch(name)
                if that and before is not None and that["measure"] == this["measure"]:
                    _compare(this, value, that, before)
        return value


def _compare(this: re.Match[str], value: float, that: re.Match[str], other: float) -> None:
    """Raises `ContradictionError` where one of the two could never take effect. The same value twice only skips the milder."""
    if this["side"] != that["side"]:
        low, high = (value, other) if this["side"] == "below" else (other, value)
        if low >= high:
            raise ContradictionError(that[0], "{this} and {that} leave no room between them: nothing would ever pass")
        return
    milder = min(this, that, key=lambda one: Level(one["level"]).weight)
    strict, mild = (other, value) if milder is this else (value, other)
    if (mild < strict) if this["side"] == "below" else (mild > strict):
        names = ("{this}", "{that}") if milder is this else ("{that}", "{this}")
        lies = "below" if this["side"] == "below" else "above"
        raise ContradictionError(
            that[0], f"{names[0]} lies {lies} {names[1]}: nothing would ever be {_SAID[milder['level']]}"
        )
