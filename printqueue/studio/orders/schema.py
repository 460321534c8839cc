"""What an order file may say, and how it is read. All keys are optional: folders and paper defaults supply the rest."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field, WithJsonSchema

from printqueue.core.errors import PictureError
from printqueue.core.nearest import suggestion
from printqueue.core.yaml.fields import (
    BorderRule,
    FootLineMm,
    HairlineMm,
    IntentName,
    Line,
    PrintStops,
    SheetSize,
    Text,
    count,
)
from printqueue.core.yaml.plain_yaml import RulesError, read
from printqueue.core.yaml.quantity import LENGTH
from printqueue.core.yaml.yaml_model import YamlModel
from printqueue.judging.checks import REGISTRY

MAX_PRINTS = 40
MAX_COPIES = 999
MAX_EDITION = 9999
_MAX_SAID = 5
AssumedProfile = Literal["srgb", "adobe-rgb", "display-p3", "romm"]


def _allowances(value: Any) -> dict[str, str]:
    """A list of check names, or check → why, as one mapping."""
    if isinstance(value, list) and all(isinstance(name, str) for name in value):
        value = dict.fromkeys(value, "")
    if not isinstance(value, dict) or not all(isinstance(why, str) for why in value.values()):
        raise ValueError("write a list of checks, [resolution], or each with its reason, {resolution: seen from afar}")
    for name in value:
        if name not in REGISTRY:
            raise ValueError(f"there is no check '{name[:40]}'. {suggestion(name, REGISTRY)}")
    return value


Allowances = Annotated[
    dict[str, Text],
    BeforeValidator(_allowances),
    WithJsonSchema(
        {
            "anyOf": [
                {"type": "array", "items": {"enum": sorted(REGISTRY)}},
                {
                    "type": "object",
                    "propertyNames": {"enum": sorted(REGISTRY)},
                    "additionalProperties": {"type": "string"},
                },
            ],
            "examples": [["resolution"], {"resolution": "seen from four metres"}],
        }
    ),
]


class Edition(YamlModel):
    """A limited edition, counted over all prints of this picture."""

    of: Annotated[int, *count(MAX_EDITION)] = Field(description="the number of prints in the edition, 1 to 9999")


class PrintOrder(YamlModel):
    """One print: the keys of an order, and of each entry in its `prints`."""

    paper: Line | None = Field(
        None, description="a paper's key (its file in rules/ without .yaml); goes before the folder"
    )
    size: SheetSize | None = Field(
        None, description="the sheet; goes before the folder. Left out: the paper's default size"
    )
    picture: SheetSize | None = Field(
        None, description="an exact picture size; the border follows from it, or adds up with it to the sheet"
    )
    copies: Annotated[int, *count(MAX_COPIES)] | None = Field(
        None, description="how many prints, 1 to 999; one file is made"
    )
    border: BorderRule | None = Field(None, description="in mm, instead of the paper's border")
    lift: PrintStops | None = Field(None, description="exposure in stops (-2 to +2), instead of the paper's lift")
    fit: Literal["whole", "crop"] | None = Field(None, description="crop: fill the sheet less its border")
    sheet: Literal["full", "picture-only"] | None = Field(None, description="picture-only: no border in the print file")
    hairline: HairlineMm | None = Field(None, description="a line around the picture: off, or its width in mm")
    foot_line: FootLineMm | None = Field(
        None, description="a line of text at the sheet's foot: off, or its height in mm"
    )
    intent: IntentName | None = None
    title: Text | None = Field(None, description="the picture's title, for notes and foot line")
    distance: Annotated[float, LENGTH.within(100, 100_000)] | None = Field(
        None, description="how far away people will stand, in mm, cm or m"
    )
    edition: Edition | None = Field(None, description="a limited edition: {of: 25}")
    allow: Allowances | None = Field(None, description="checks that may fail for this picture, on the record")
    assume_profile: AssumedProfile | None = Field(None, description="the colour space of a picture that has no profile")
    note: Text | None = Field(None, description="for the record and the note beside the print")


class Order(PrintOrder):
    """An order file. Its own keys hold for every entry of `prints` that does not say otherwise."""

    prints: list[PrintOrder] = Field(
        default_factory=list, max_length=MAX_PRINTS, description="several prints from one picture; same keys as above"
    )

    def each(self) -> list[PrintOrder]:
        """One `PrintOrder` per print, the order's own keys filled in; allowances add up."""
        common = {name: getattr(self, name) for name in self.model_fields_set - {"prints"}}
        if not self.prints:
            return [PrintOrder.model_construct(**common)]
        return [_filled(common, entry) for entry in self.prints]


def _filled(common: dict[str, Any], entry: PrintOrder) -> PrintOrder:
    own = {name: getattr(entry, name) for name in entry.model_fields_set}
    allow = {**(common.get("allow") or {}), **(own.get("allow") or {})}
    return PrintOrder.model_construct(**{**common, **own, "allow": allow})


def load(data: bytes, file: str) -> Order:
    """Read an order file named `file`. Raises `RulesError` with all its problems."""
    return Order.from_tree(read(data, file))


def load_for_picture(data: bytes, file: str) -> Order:
    """The same, but a broken order turns its picture back: raises `PictureError` for the check `order`, one line with
    the first problems, caused by the `RulesError`.
    """
    try:
        return load(data, file)
    except RulesError as error:
        said = " ".join(str(problem) for problem in error.problems[:_MAX_SAID])
        more = len(error.problems) - _MAX_SAID
        says = f"The order cannot be followed: {said}{f' And {more} more.' if more > 0 else ''}"
        do = "Correct the order file and put picture and order back."
        raise PictureError(says, do=do, check="order") from error
