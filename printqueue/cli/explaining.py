"""What `explain CHECK` shows: the check's explanation, and its limits as set by the starter papers.

Everything comes from the check itself: the fields of its `Limits`, their quantities and descriptions, its docstring.
"""

from __future__ import annotations

import inspect
import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import Enum
from typing import Any

from pydantic.fields import FieldInfo

from printqueue.core.yaml.quantity import quantity_of
from printqueue.core.yaml.yaml_model import taken_apart
from printqueue.judging.contract import Check
from printqueue.studio.papers.schema import Paper

WIDTH = 80
OFF, NOT_SET = "off", "not set"
_LABEL = 10
_INDENT = "  "
_COMMON = "unmeasurable"  # goes last, since every check has it
_MAX_NAME = 18


@dataclass(frozen=True, slots=True)
class Parameter:
    """One limit; `starter` is its value by surface, as written in a file, or `off` if the whole check is off."""

    name: str
    description: str
    takes: str  # "for example 15 %", "reject, warn, note or pass"
    default: str | None
    starter: Mapping[str, str]


def parameters(check: Check[Any], papers: Sequence[Paper]) -> list[Parameter]:
    """The limits of `check`, with the values from the first of `papers` with each surface."""
    in_force = {str(paper.surface): paper.checks.get(check.name) for paper in reversed(papers)}
    return [
        Parameter(
            name,
            field.description or "",
            _takes(field),
            None if field.default is None else _written(field, field.default),
            {
                surface: OFF if limits is None else _written(field, getattr(limits, name))
                for surface, limits in sorted(in_force.items())
            },
        )
        for name, field in sorted(check.limits.model_fields.items(), key=lambda item: item[0] == _COMMON)
    ]


def _takes(field: FieldInfo) -> str:
    if quantity := quantity_of(field):
        return f"for example {quantity.write(quantity.example)}"
    kind = next(part for part in taken_apart(field) if isinstance(part, type))
    if issubclass(kind, Enum):
        return _either([str(one) for one in kind])
    return {bool: "true or false", int: "a whole number"}.get(kind, "a value")


def _either(words: Sequence[str]) -> str:
    return f"{', '.join(words[:-1])} or {words[-1]}" if len(words) > 1 else words[0]


def _written(field: FieldInfo, value: Any) -> str:
    """A value with its unit, as a paper file writes it."""
    if value is None:
        return NOT_SET
    quantity = quantity_of(field)
    if quantity and not isinstance(value, str):
        return quantity.write(value)
    return str(value).lower() if isinstance(value, bool) else str(value)


def page(check: Check[Any], limits: Sequence[Parameter]) -> str:
    """The whole explanation, 80 columns wide, plain text."""
    said = check.explanation
    lines = [check.name, *_wrapped(said.question), ""]
    for label, text in (
        ("Measures", said.measures),
        ("Matters", said.matters),
        ("Source", said.source),
        ("Typical", said.typical),
    ):
        lines += [*_beside(label, [text], _LABEL), ""]
    return "\n".join([*lines, *_limits(check, limits)]) + "\n"


def _limits(check: Check[Any], limits: Sequence[Parameter]) -> list[str]:
    if not limits:
        return ["Limits: none."]
    about = _wrapped(" ".join((inspect.getdoc(check.limits) or "").split()), _INDENT)
    column = min(max(len(one.name) for one in limits), _MAX_NAME) + 2
    lines = ["Limits, and where the starter papers have them", *about, ""]
    for one in limits:
        lines += [*_limit(one, column), ""]
    how = (
        f"Set them in rules/PAPER.yaml, under checks: {check.name}: (or write {check.name}: off). "
        "A quantity carries its unit; a level is reject, warn, note or pass."
    )
    return [*lines, *_wrapped(how)]


def _limit(one: Parameter, column: int) -> list[str]:
    """Name, values (one line for surfaces that share one), then description."""
    by_value: dict[str, list[str]] = {}
    for surface, value in one.starter.items():
        by_value.setdefault(value, []).append(surface)
    values = [
        f"{value} on {'every surface' if len(by_value) == 1 else ', '.join(surfaces)}"
        for value, surfaces in by_value.items()
    ] or [one.default or NOT_SET]
    said = f"{one.description[:1].upper()}{one.description[1:].rstrip('.')}." if one.description else ""
    return _beside(one.name, [*values, said], column, _INDENT)


def _beside(label: str, texts: Sequence[str], column: int, indent: str = "") -> list[str]:
    """The texts beside their label; too long a label gets its own line."""
    body = [line for text in texts for line in _wrapped(text, "", WIDTH - column - len(indent))]
    lines = body if len(label) < column else ["", *body]
    rest = " " * (column + len(indent))
    return [f"{indent}{label:<{column}}{''.join(lines[:1])}".rstrip(), *(rest + line for line in lines[1:])]


def _wrapped(text: str, indent: str = "", width: int = WIDTH) -> list[str]:
    return textwrap.wrap(
        text, width, initial_indent=indent, subsequent_indent=indent, break_long_words=False, break_on_hyphens=False
    )
