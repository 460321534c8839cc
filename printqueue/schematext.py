"""JSON Schemas for editors: a file as a YAML editor sees it, defaults written with their units.

The models read text only and give numbers; an editor reads YAML, where `true` is a
boolean and `360` a number, and shows defaults as a person would write them.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from printqueue import units

_TABLES: tuple[dict[str, float], ...] = tuple(
    table for name, table in vars(units).items() if name.isupper() and isinstance(table, dict)
)
_NULL = {"type": "null"}


def schema_text(schema: Mapping[str, Any]) -> dict[str, Any]:
    """A model's JSON Schema, fit for editors."""
    done = {key: _deeper(value) for key, value in schema.items()}
    _without_null(done)
    if done.get("enum") == ["true", "false"]:
        return {**done, "enum": [True, False], "type": "boolean"}
    default = done.get("default")
    if default is None:
        done.pop("default", None)
    elif done.get("type") == "string" and isinstance(default, int | float):
        done["default"] = _written(default, str(next(iter(done.get("examples", ())), "")))
    return done


def _deeper(value: Any) -> Any:
    if isinstance(value, Mapping):
        return schema_text(value)
    return [_deeper(item) for item in value] if isinstance(value, list) else value


def _without_null(node: dict[str, Any]) -> None:
    """A key may be left out, but not be empty: no `null` branch; a single other branch is the node itself."""
    branches = node.get("anyOf")
    if not isinstance(branches, list) or _NULL not in branches:
        return
    rest = [branch for branch in branches if branch != _NULL]
    del node["anyOf"]
    extra = rest[0] if len(rest) == 1 else {"anyOf": rest}
    node.update({key: value for key, value in extra.items() if key not in node})


def _written(value: float, example: str) -> str:
    """`value` (in the base unit) as it would be written in the unit of `example` ('3 GB')."""
    unit = example.rpartition(" ")[2]
    factor = next((table[unit] for table in _TABLES if unit in table), None)
    if factor is None:
        return units.number_text(value, 3)
    if unit in units.EXPOSURE_STOPS:
        return units.stops_text(value).lstrip("+")
    return f"{units.number_text(value / factor, 3)} {unit}"
