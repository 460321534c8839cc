"""The `checks:` part of a paper file, built from the registry so that a new check needs no change here."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any

from pydantic import BaseModel, BeforeValidator, Field, GetCoreSchemaHandler, create_model
from pydantic_core import CoreSchema, core_schema

from printqueue.core.yaml.limits import Limits
from printqueue.core.yaml.yaml_model import Keyed, YamlModel, keys_of
from printqueue.judging.contract import Check

OFF = "off"


class LimitsByCheck(Keyed):
    """In `Annotated`: one optional key per check of `registry`, `off` or its limits; read as check name → limits."""

    def __init__(self, registry: Mapping[str, Check[Any]]) -> None:
        self.model = create_model(
            "Checks", __base__=YamlModel, **{name.replace("-", "_"): _key(check) for name, check in registry.items()}
        )
        super().__init__(keys_of(self.model))

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        return core_schema.no_info_after_validator_function(_in_force, handler.generate_schema(self.model))


def _key(check: Check[Any]) -> Any:
    said = f"{check.explanation.question} Write 'off' or limits."
    field = Field(None, alias=check.name, description=said, json_schema_extra=_off_for_null)
    return Annotated[check.limits | None, BeforeValidator(_off)], field


def _off(value: Any) -> Any:
    """Turn `off` into None; refuse any other text, naming the two valid forms."""
    if value == OFF:
        return None
    if isinstance(value, str):
        raise ValueError(f"'{value[:40]}' is not possible here; write 'off', or limits as {{key: value}}")
    return value


def _off_for_null(schema: dict[str, Any]) -> None:
    """In the schema, allow `off` (which an editor that reads YAML 1.1 sees as false) for None."""
    schema["anyOf"] = [{"enum": [OFF, False]} if one == {"type": "null"} else one for one in schema["anyOf"]]


def _in_force(checks: BaseModel) -> dict[str, Limits]:
    named = {(info.alias or name): getattr(checks, name) for name, info in type(checks).model_fields.items()}
    return {name: limits for name, limits in named.items() if limits is not None}
