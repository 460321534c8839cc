"""From a text tree to a typed model: every error at once, each with file, line, key and remedy."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from functools import lru_cache
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from printqueue.nearest import suggestion
from printqueue.shape import Shape
from printqueue.strictyaml import MAX_PROBLEMS, Node, Path, Problem, RulesError, Tree


class ContradictionError(ValueError):
    """A value that cannot stand beside that of `other`, a key of the same mapping. `says` may hold {this} and {that}."""

    def __init__(self, other: str, says: str) -> None:
        super().__init__(says)
        self.other = other


M = TypeVar("M", bound=BaseModel)
_ENUM_REPR = re.compile(r"<[^:>]*: ('[^']*')>")  # "<Level.WARN: 'warn'>" → "'warn'"


def typed(model: type[M], tree: Tree, context: Mapping[str, Any] | None = None) -> M:
    """Read `tree` as `model`. Raises `RulesError` with the problems of the text and of its meaning together."""
    if not tree.whole:
        raise RulesError(tree.problems)
    try:
        value = model.model_validate(tree.root, context=context)
    except ValidationError as error:
        raise RulesError(_merged(tree, list(_problems(model, tree, error)))) from error
    if tree.problems:
        raise RulesError(tree.problems)
    return value


def _merged(tree: Tree, found: list[Problem]) -> list[Problem]:
    """All in the order of the lines; what the schema says of a node that cannot be read would only repeat it."""
    known = [problem.path for problem in tree.problems]
    new = [one for one in found if not any(one.path[: len(path)] == path for path in known if path)]
    return sorted([*tree.problems, *new], key=lambda one: (one.file, one.line or 0))[:MAX_PROBLEMS]


def _problems(model: type[BaseModel], tree: Tree, error: ValidationError) -> Iterator[Problem]:
    shape = _shape(model)
    for details in error.errors(include_url=False)[:MAX_PROBLEMS]:
        path: Path = tuple(details["loc"])
        if isinstance(contradiction := details.get("ctx", {}).get("error"), ContradictionError):
            yield _contradicted(tree, path, contradiction)
            continue
        mark = tree.mark(path)
        says, hint = _sentence(details, path, shape)
        yield Problem(mark.file, mark.line, path, says, hint)


def _contradicted(tree: Tree, path: Path, error: ContradictionError) -> Problem:
    """It stands at the later of both keys, in the file itself where the other is inherited; both are named with what they say."""
    other = (*path[:-1], error.other)
    here = max(path, other, key=lambda one: (tree.mark(one).file == tree.file, tree.mark(one).line))
    mark = tree.mark(here)
    names = {place: f"{place[-1]} ({_where(tree, place, mark.file, here)})" for place in (path, other)}
    return Problem(mark.file, mark.line, here, f"{error}.".format(this=names[path], that=names[other]))


def _where(tree: Tree, path: Path, file: str, here: Path) -> str:
    """What stands at `path`, and where, if not at the place of the problem itself."""
    mark, text = tree.mark(path), _short(_node(tree, path))
    if path == here:
        return text
    return f"{text}; line {mark.line}" if mark.file == file else f"{text}; {mark.file}, line {mark.line}"


def _node(tree: Tree, path: Path) -> Node:
    node: Node = tree.root
    for step in path:
        node = node[step]  # type: ignore[index]
    return node


def _sentence(details: ErrorDetails, path: Path, shape: Shape) -> tuple[str, str]:
    """What is wrong and what to do, in words for someone who never saw the schema."""
    kind, context = details["type"], details.get("ctx", {})
    match kind:
        case "extra_forbidden":
            return "there is no such key.", _hint_for_unknown(path, shape)
        case "missing":
            return "this key is missing.", _described(path, shape)
        case "value_error":
            said = str(context.get("error", ""))
            return said if said.endswith((".", "?")) else f"{said}.", ""
        case "enum" | "literal_error":
            possible = _ENUM_REPR.sub(r"\1", str(context.get("expected", "")))
            return f"'{_short(details['input'])}' is not possible here.", f"Write {possible}."
        case "model_type" | "model_attributes_type" | "dict_type":
            known = ", ".join(shape.keys(path))
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


def _described(path: Path, shape: Shape) -> str:
    described = shape.description(path)
    return f"It says: {described.rstrip('.')}." if described else ""


def _short(value: Any) -> str:
    return value[:40] if isinstance(value, str) else _kind(value)


def _kind(value: Any) -> str:
    if isinstance(value, str):
        return f"the text '{value[:40]}'"
    return "a list" if isinstance(value, list) else "keys and values"


def _hint_for_unknown(path: Path, shape: Shape) -> str:
    unknown = str(path[-1])
    elsewhere = shape.places.get(unknown, [])
    if any(len(place) == 1 for place in elsewhere):
        return "It belongs at the top of the file, not inside another key."
    if len(elsewhere) == 1:
        return f"It belongs in '{'.'.join(elsewhere[0])}'."
    return suggestion(unknown, shape.keys(path[:-1]))


@lru_cache(maxsize=16)
def _shape(model: type[BaseModel]) -> Shape:
    return Shape(model.model_json_schema(by_alias=True))
