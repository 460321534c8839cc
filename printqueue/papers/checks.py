"""The `checks:` part of a paper file: built from the registry, so that a new check needs no change here."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any, cast

from pydantic import BaseModel, BeforeValidator, Field, GetCoreSchemaHandler, create_model
from pydantic_core import CoreSchema, core_schema

from printqueue.contract import Check
from printqueue.fields import Limits, Strict

OFF = "off"


def _off(value: Any) -> Any:
    """`off` becomes None; any other text is refused with the two forms that are possible."""
    if value == OFF:
        return None
    if isinstance(value, str):
        raise ValueError(f"'{value[:40]}' is not possible here; write 'off', or limits as {{key: value}}")
    return value


def checks_model(registry: Mapping[str, Check[Any]]) -> type[BaseModel]:
    """A model with one optional key per check of `registry`; its value is `off` or the check's limits."""
    fields: dict[str, Any] = {
        name.replace("-", "_"): (
            _limits_type(check),
            Field(None, alias=name, description=_described(check), json_schema_extra=_off_for_null),
        )
        for name, check in registry.items()
    }
    return cast(type[BaseModel], create_model("Checks", __base__=Strict, **fields))


def _limits_type(check: Check[Any]) -> Any:
    return Annotated[check.limits | None, BeforeValidator(_off)]


def _off_for_null(schema: dict[str, Any]) -> None:
    """In a file, `off` stands for None; an editor that reads YAML 1.1 sees it as false."""
    schema["anyOf"] = [{"enum": [OFF, False]} if one == {"type": "null"} else one for one in schema["anyOf"]]


def _described(check: Check[Any]) -> str:
    return f"{check.explanation.question} Write 'off' or limits."


class LimitsByCheck:
    """Field marker: read by `checks_model(registry)`, kept as a dict of check name → limits (those not off)."""

    def __init__(self, registry: Mapping[str, Check[Any]]) -> None:
        self.model = checks_model(registry)

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        return core_schema.no_info_after_validator_function(_in_force, handler.generate_schema(self.model))


def _in_force(checks: BaseModel) -> dict[str, Limits]:
    named = {(info.alias or name): getattr(checks, name) for name, info in type(checks).model_fields.items()}
    return {name: limits for name, limits in named.items() if limits is not None}
