"""What `explain CHECK` shows: the words beside the check's code, and its limits as the starter papers set them.

Everything comes from the check itself: the fields of its `Limits`, their types and descriptions, its docstring.
"""

from __future__ import annotations

import inspect
import re
import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from printqueue.contract import Check
from printqueue.fields import Limits
from printqueue.papers.schema import Paper
from printqueue.schematext import schema_text
from printqueue.units import number_text

WIDTH = 80
OFF, NOT_SET = "off", "not set"
_LABEL = 10
_INDENT = "  "
_COMMON = "unmeasurable"  # every check has it; it comes last
_OF_THE_TYPE = "a number and its unit"
_LONGEST_NAME = 18
_LAST_ZEROS = re.compile(r"(\.[0-9]*?)0+(?![0-9])")


@dataclass(frozen=True, slots=True)
class Parameter:
    """One limit: `starter` is its value by surface, as it would be written, `off` where the whole check is."""

    name: str
    description: str
    takes: str  # "a number and its unit, for example 15 %", "reject, warn, note or pass"
    default: str | None
    starter: Mapping[str, str]


def parameters(check: Check[Any], papers: Sequence[Paper]) -> list[Parameter]:
    """The limits of `check`, with what the first of `papers` of each surface sets."""
    schema = check.limits.model_json_schema()
    in_force = {str(paper.surface): paper.checks.get(check.name) for paper in reversed(papers)}
    surfaces = sorted(in_force)
    return [
        Parameter(
            name,
            _description(field),
            _takes(_kind(field, schema)),
            None if field.get("default") is None else _written(_kind(field, schema), field["default"]),
            {surface: _value(in_force[surface], name, _kind(field, schema)) for surface in surfaces},
        )
        for name, field in sorted(schema["properties"].items(), key=lambda item: item[0] == _COMMON)
    ]


def _description(field: Mapping[str, Any]) -> str:
    """The field's own words; a quantity without any has only its type's, which say no more than its value does."""
    words = str(field.get("description", ""))
    return "" if words.startswith(_OF_THE_TYPE) else words


def _kind(field: Mapping[str, Any], schema: Mapping[str, Any]) -> Mapping[str, Any]:
    """What may be written, without the branch that says it may be left out; references looked up."""
    branches = [one for one in field.get("anyOf", [field]) if one.get("type") != "null"]
    kind: Mapping[str, Any] = branches[0]
    if "$ref" in kind:
        looked_up = schema["$defs"][str(kind["$ref"]).rpartition("/")[2]]
        return {key: value for key, value in looked_up.items() if key != "description"}
    return kind


def _takes(kind: Mapping[str, Any]) -> str:
    if "enum" in kind:
        return _either([str(one) for one in kind["enum"]])
    examples = kind.get("examples")
    if not examples:
        return "a whole number" if kind.get("type") in ("integer", "string") else "a value"
    return f"for example {examples[0]}"


def _either(words: Sequence[str]) -> str:
    return f"{', '.join(words[:-1])} or {words[-1]}" if len(words) > 1 else words[0]


def _value(limits: Limits | None, name: str, kind: Mapping[str, Any]) -> str:
    if limits is None:
        return OFF
    value = getattr(limits, name)
    return NOT_SET if value is None else _written(kind, value)


def _written(kind: Mapping[str, Any], value: Any) -> str:
    """A value as a paper file would have it, with its unit."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return str(value)
    if isinstance(value, int | float) and kind.get("examples"):
        written = str(schema_text({"type": "string", "examples": kind["examples"], "default": value})["default"])
        return _LAST_ZEROS.sub(r"\1", written).replace(". ", " ")
    return number_text(value, 3) if isinstance(value, int | float) else str(value)


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
        lines += [*_labelled(label, text), ""]
    return "\n".join([*lines, *_limits(check, limits)]) + "\n"


def _limits(check: Check[Any], limits: Sequence[Parameter]) -> list[str]:
    if not limits:
        return ["Limits: none."]
    about = _wrapped(" ".join((inspect.getdoc(check.limits) or "").split()), _INDENT)
    column = min(max(len(one.name) for one in limits), _LONGEST_NAME) + 2
    lines = ["Limits, and where the starter papers have them", *about, ""]
    for one in limits:
        lines += [*_limit(one, column), ""]
    how = (
        f"Set them in rules/PAPER.yaml, under checks: {check.name}: (or write {check.name}: off). "
        "A quantity carries its unit; a level is reject, warn, note or pass."
    )
    return [*lines, *_wrapped(how)]


def _limit(one: Parameter, column: int) -> list[str]:
    """Name and values by surface, those that share a value on one line; then what it is."""
    by_value: dict[str, list[str]] = {}
    for surface, value in one.starter.items():
        by_value.setdefault(value, []).append(surface)
    values = [
        f"{value} on {'every surface' if len(by_value) == 1 else ', '.join(surfaces)}"
        for value, surfaces in by_value.items()
    ] or [one.default or NOT_SET]
    said = f"{one.description[:1].upper()}{one.description[1:].rstrip('.')}." if one.description else ""
    body = [line for text in (*values, said) for line in _wrapped(text, "", WIDTH - column - len(_INDENT))]
    first = f"{_INDENT}{one.name:<{column}}"
    rest = " " * (column + len(_INDENT))
    if len(one.name) >= column:  # too long a name stands on a line of its own
        return [first.rstrip(), *(rest + line for line in body)]
    return [first + body[0], *(rest + line for line in body[1:])]


def _labelled(label: str, text: str) -> list[str]:
    body = _wrapped(text, "", WIDTH - _LABEL) or [""]
    return [f"{label:<{_LABEL}}{body[0]}", *(" " * _LABEL + line for line in body[1:])]


def _wrapped(text: str, indent: str = "", width: int = WIDTH) -> list[str]:
    return textwrap.wrap(
        text, width, initial_indent=indent, subsequent_indent=indent, break_long_words=False, break_on_hyphens=False
    )
