"""Models of YAML files: report every mistake at once, with file, line, key and remedy; give editors a JSON Schema."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from types import UnionType
from typing import Annotated, Any, Self, Union, get_args, get_origin

from pydantic import BaseModel, ConfigDict, Field, ValidationError
from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails

from printqueue.core.nearest import suggestion
from printqueue.core.yaml.plain_yaml import MAX_PROBLEMS, Node, Path, Problem, RulesError, Tree

_MAX_NESTED = 4  # levels of keys in any of our files
_NULL = {"type": "null"}
_ENUM_REPR = re.compile(r"<[^:>]*: ('[^']*')>")  # "<Level.WARN: 'warn'>" → "'warn'"


class YamlModel(BaseModel):
    """Base of every model of a file and of its parts: immutable, and an unknown key is an error."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    @classmethod
    def from_tree(cls, tree: Tree, context: Mapping[str, Any] | None = None) -> Self:
        """Read a file. Raises `RulesError` with all problems, both of syntax and of meaning."""
        if not tree.whole:
            raise RulesError(tree.problems)
        try:
            value = cls.model_validate(tree.root, context=context)
        except ValidationError as error:
            raise RulesError(_merged(tree, list(_problems(cls, tree, error)))) from error
        if tree.problems:
            raise RulesError(tree.problems)
        return value

    @classmethod
    def editor_schema(cls) -> dict[str, Any]:
        """JSON Schema (2020-12) of the file, for editors."""
        return {"$schema": "https://json-schema.org/draft/2020-12/schema", **_without_null(cls.model_json_schema())}


def default(text: str, description: str) -> Any:
    """An optional key, its default written as in a file: parsed like one, and shown to editors."""
    return Field(text, validate_default=True, description=description)


class ContradictionError(ValueError):
    """A value that contradicts that of `other`, a key in the same mapping. `says` may contain {this} and {that}."""

    def __init__(self, other: str, says: str) -> None:
        super().__init__(says)
        self.other = other


class Keyed:
    """For `Annotated`: the `keys` of a value that is not a model, each with its field or None."""

    def __init__(self, keys: Mapping[str, Any]) -> None:
        self.keys = keys


def taken_apart(field: Any) -> Iterator[Any]:
    """The classes that a field or annotation allows, and everything in their `Annotated`."""
    if isinstance(field, FieldInfo):
        yield from field.metadata
        field = field.annotation
    if get_origin(field) in (Union, UnionType, Annotated):
        for part in get_args(field):
            yield from taken_apart(part)
    else:
        yield field


def keys_of(field: Any) -> dict[str, Any]:
    """The possible keys in a value of this field, annotation or model, each with its own field."""
    found: dict[str, Any] = {}
    for part in taken_apart(field):
        if isinstance(part, Keyed):
            found |= part.keys
        elif isinstance(part, type) and issubclass(part, BaseModel):
            found |= {info.alias or name: info for name, info in part.model_fields.items()}
    return found


def _at(model: Any, path: Path) -> Any:
    """The field at `path`; None if there is none."""
    for step in path:
        if isinstance(step, int):
            model = next((get_args(part)[0] for part in taken_apart(model) if get_origin(part) is list), None)
        else:
            model = keys_of(model).get(step)
    return model


def _places(field: Any, inside: Path = ()) -> Iterator[Path]:
    """The paths of all keys, including nested ones."""
    for name, inner in keys_of(field).items() if len(inside) < _MAX_NESTED else ():
        yield (*inside, name)
        yield from _places(inner, (*inside, name))


def _without_null(node: Any) -> Any:
    """Drop `null` as default and branch: a key may be omitted but not empty. A lone other branch replaces `anyOf`."""
    if isinstance(node, list):
        return [_without_null(one) for one in node]
    if not isinstance(node, dict):
        return node
    done = {key: _without_null(value) for key, value in node.items() if (key, value) != ("default", None)}
    if _NULL not in done.get("anyOf", ()):
        return done
    rest = [branch for branch in done.pop("anyOf") if branch != _NULL]
    branch = rest[0] if len(rest) == 1 else {"anyOf": rest}
    return {**done, **branch, **done}


def _merged(tree: Tree, found: list[Problem]) -> list[Problem]:
    """All problems by line, without the model's complaints about nodes that could not be read."""
    known = [problem.path for problem in tree.problems]
    new = [one for one in found if not any(one.path[: len(path)] == path for path in known if path)]
    return sorted([*tree.problems, *new], key=lambda one: (one.file, one.line or 0))[:MAX_PROBLEMS]


def _problems(model: type[BaseModel], tree: Tree, error: ValidationError) -> Iterator[Problem]:
    for details in error.errors(include_url=False)[:MAX_PROBLEMS]:
        path: Path = tuple(details["loc"])
        if isinstance(contradiction := details.get("ctx", {}).get("error"), ContradictionError):
            yield _contradicted(tree, path, contradiction)
        else:
            position = tree.position(path)
            yield Problem(position.file, position.line, path, *_sentence(details, path, model))


def _contradicted(tree: Tree, path: Path, error: ContradictionError) -> Problem:
    """Report it at the later key, or at the one not inherited from another file; name both keys with their values."""
    other = (*path[:-1], error.other)
    here = max(path, other, key=lambda one: (tree.position(one).file == tree.file, tree.position(one).line))
    position = tree.position(here)
    names = {place: f"{place[-1]} ({_where(tree, place, position.file, here)})" for place in (path, other)}
    return Problem(position.file, position.line, here, f"{error}.".format(this=names[path], that=names[other]))


def _where(tree: Tree, path: Path, file: str, here: Path) -> str:
    """The value at `path`, and its position unless that is where the problem is reported."""
    position, text = tree.position(path), _short(_node(tree, path))
    if path == here:
        return text
    return (
        f"{text}; line {position.line}" if position.file == file else f"{text}; {position.file}, line {position.line}"
    )


def _node(tree: Tree, path: Path) -> Node:
    node: Node = tree.root
    for step in path:
        node = node[step]  # type: ignore[index]
    return node


def _sentence(details: ErrorDetails, path: Path, model: type[BaseModel]) -> tuple[str, str]:
    """What is wrong and what to do, in words for someone who never saw the model."""
    kind, context = details["type"], details.get("ctx", {})
    match kind:
        case "extra_forbidden":
            return "there is no such key.", _hint_for_unknown(path, model)
        case "missing":
            return "this key is missing.", _described(_at(model, path))
        case "value_error":
            said = str(context.get("error", ""))
            return said if said.endswith((".", "?")) else f"{said}.", ""
        case "enum" | "literal_error":
            possible = _ENUM_REPR.sub(r"\1", str(context.get("expected", "")))
            return f"'{_short(details['input'])}' is not possible here.", f"Write {possible}."
        case "model_type" | "model_attributes_type" | "dict_type":
            known = ", ".join(keys_of(_at(model, path)))
            return (
                f"keys are expected here, {_kind(details['input'])} found.",
                f"Possible keys: {known}." if known else "",
            )
        case "list_type":
            return f"a list is expected here, {_kind(details['input'])} found.", "Write [first, second]."
        case "string_type":
            return f"a text is expected here, {_kind(details['input'])} found.", ""
        case "too_long" | "string_too_long":
            return f"this is too long; {context.get('max_length')} at most.", ""
        case "too_short" | "string_too_short":
            return "this must not be empty.", ""
        case _:
            return f"{details['msg'].rstrip('.')}.", ""


def _described(field: FieldInfo | None) -> str:
    described = field and field.description
    return f"It says: {described.rstrip('.')}." if described else ""


def _short(value: Any) -> str:
    return value[:40] if isinstance(value, str) else _kind(value)


def _kind(value: Any) -> str:
    if isinstance(value, str):
        return f"the text '{value[:40]}'"
    return "a list" if isinstance(value, list) else "keys and values"


def _hint_for_unknown(path: Path, model: type[BaseModel]) -> str:
    unknown = str(path[-1])
    elsewhere = [place for place in _places(model) if place[-1] == unknown]
    if any(len(place) == 1 for place in elsewhere):
        return "It belongs at the top of the file, not inside another key."
    if len(elsewhere) == 1:
        return f"It belongs in '{'.'.join(map(str, elsewhere[0]))}'."
    return suggestion(unknown, keys_of(_at(model, path[:-1])))
