"""YAML as plain text: bytes in, a tree of str, list and dict out, with the line of every node.

Accepts a small, safe part of YAML 1.1. Every value is text, typed later by a schema, so that `no`, `010`, `1e3` or
`12:30:00` cause no surprises. Refuses aliases and anchors, tags, merge keys, several documents, duplicate keys, empty
values, control characters, and more than 64 KiB, 8 levels or 1000 values.

Never raises, whatever the file: problems are collected in the tree.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any, NoReturn, TypeAlias, cast

import yaml

from printqueue.core.errors import UsageError
from printqueue.core.text import shown

MAX_BYTES = 64 * 1024
MAX_DEPTH = 8
MAX_NODES = 1000
MAX_KEY_CHARS = 80
MAX_PROBLEMS = 100
_MAX_SAID = 400

Node: TypeAlias = "str | list[Node] | dict[str, Node]"
Path: TypeAlias = tuple[str | int, ...]

# Invisible characters that reverse reading direction or break lines; some languages need the other format characters.
_DIRECTION = {*range(0x202A, 0x202F), *range(0x2066, 0x206A), 0x2028, 0x2029}
_NULLS = {"~", "null", "Null", "NULL"}


@dataclass(frozen=True, slots=True)
class Position:
    """Where a node is: file name and line, counted from 1."""

    file: str
    line: int


@dataclass(frozen=True, slots=True)
class Problem:
    """One problem in a rule, order or settings file. `line` is None if it concerns the whole file."""

    file: str
    line: int | None
    path: Path
    says: str
    hint: str = ""

    @property
    def key(self) -> str:
        """The key path as people write it: `checks.resolution.reject_below`, `sizes[2]`."""
        steps = (f"[{step}]" if isinstance(step, int) else f".{step}" for step in self.path)
        return "".join(steps).lstrip(".")

    def __str__(self) -> str:
        where = [self.file, *([f"line {self.line}"] if self.line else []), *([self.key] if self.path else [])]
        said = f"{self.says} {self.hint}".strip()
        return f"{', '.join(shown(part) for part in where)}: {shown(said, limit=_MAX_SAID)}"


class RulesError(UsageError):
    """A rule, order or settings file is wrong; `problems` holds all that was found, `str()` lists it."""

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(str(problem) for problem in self.problems))


@dataclass(frozen=True, slots=True)
class Tree:
    """What a file contains. `whole` is False if reading had to stop, in which case keys may be missing."""

    file: str
    root: dict[str, Node]
    positions: Mapping[Path, Position]
    problems: tuple[Problem, ...] = ()
    whole: bool = True

    def position(self, path: Path) -> Position:
        """The position of the node at `path`, or of the nearest enclosing node."""
        for length in range(len(path), 0, -1):
            if path[:length] in self.positions:
                return self.positions[path[:length]]
        return Position(self.file, 1)


def read(data: bytes, file: str, *, may_be_empty: bool = False) -> Tree:
    """Read `data`; `file` is the name used in messages. Never raises, whatever the file contains."""
    text = _decoded(data, file)
    if isinstance(text, Problem):
        return Tree(file, {}, {}, (text,), whole=False)
    reader = _Reader(file, text)
    whole = reader.read(may_be_empty=may_be_empty)
    return Tree(file, reader.root, reader.positions, tuple(reader.problems), whole)


def _decoded(data: bytes, file: str) -> str | Problem:
    if len(data) > MAX_BYTES:
        return Problem(file, None, (), f"the file is larger than {MAX_BYTES // 1024} KiB.", "Nothing was read from it.")
    try:
        text = data.decode("utf-8").removeprefix("\ufeff")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        return Problem(file, line, (), "this is not UTF-8 text.", "Save the file as UTF-8.")
    for line, content in enumerate(text.split("\n"), start=1):
        if bad := _forbidden(content.removesuffix("\r")):
            return Problem(file, line, (), f"there is a {bad} in this line.", "Delete it or type the line again.")
    return text


def _forbidden(text: str) -> str | None:
    """Name the first character that does not belong in a text file; None if there is none."""
    for char in text:
        if ord(char) in _DIRECTION or (char not in "\t\n" and unicodedata.category(char) in ("Cc", "Cs")):
            return f"hidden control character (U+{ord(char):04X})"
    return None


def _why_empty(path: Path) -> str:
    """Advice on an empty value. Keys have no spaces: one that seems to is the rest of a text cut in two by a comma."""
    last = str(path[-1]) if path else ""
    if last[:1].isdigit():
        return "Inside { } a comma begins the next key: write a number with a point, 30.5 mm."
    if " " in last:
        return "Inside { } a comma begins the next key: put a text that holds a comma into quotes."
    return "Write one, or leave the key out."


class _Stopped(Exception):  # noqa: N818 - a signal inside this module, not an error
    """Reading cannot continue; the reason is among the problems."""


class _Reader:
    """Builds the tree from the parser's events. Recursion is bounded by MAX_DEPTH."""

    def __init__(self, file: str, text: str) -> None:
        self.root: dict[str, Node] = {}
        self.positions: dict[Path, Position] = {}
        self.problems: list[Problem] = []
        self._file = file
        self._lines = text.split("\n")
        # Python's parser, not the one in C: its wording and line numbers are the same everywhere.
        self._events: Iterator[Any] = iter(yaml.parse(text, Loader=yaml.BaseLoader))

    def read(self, *, may_be_empty: bool) -> bool:
        """Fill `root`, `positions` and `problems`; return whether the end was reached."""
        try:
            self._document(may_be_empty=may_be_empty)
        except _Stopped:
            return False
        except yaml.MarkedYAMLError as error:
            self._syntax(error)
            return False
        except (yaml.YAMLError, ValueError, OverflowError):  # the last two: absurdly large numbers
            says, hint = "this cannot be read as YAML.", "Look for a number or a \\U escape that is too large."
            self.problems.append(Problem(self._file, None, (), says, hint))
            return False
        return True

    def _document(self, *, may_be_empty: bool) -> None:
        next(self._events)  # start of the stream
        first = start = next(self._events)
        if isinstance(start, yaml.DocumentStartEvent):
            if start.version or start.tags:
                self._problem(start, (), "a line beginning with % is not used here.", "Delete it.")
            first = next(self._events)
        if isinstance(first, yaml.MappingStartEvent):
            self._decorated(first, ())
            self._mapping(self.root, ())
        elif first is start or (isinstance(first, yaml.ScalarEvent) and first.value == "" and first.implicit[0]):
            if not may_be_empty:
                self._problem(None, (), "the file is empty.", "Write at least one 'key: value' line.")
        else:
            self._stop(first, (), "the file must be a list of 'key: value' lines.")
        if first is not start:
            next(self._events)  # end of the document
            if not isinstance(more := next(self._events), yaml.StreamEndEvent):
                self._stop(more, (), "the file holds more than one document.", "Keep one '---' at the top at most.")

    def _node(self, event: Any, path: Path) -> Node:
        self._decorated(event, path)
        if isinstance(event, yaml.ScalarEvent):
            return self._scalar(event, path)
        if isinstance(event, yaml.AliasEvent):
            hint = "Write the value out; quote a text that begins with '*'."
            self._problem(event, path, "'*' (an alias) is not used here.", hint)
            return ""
        if len(path) >= MAX_DEPTH:
            self._stop(event, path, f"nested more than {MAX_DEPTH} levels deep.")
        if isinstance(event, yaml.SequenceStartEvent):
            return self._sequence(path)
        return self._mapping({}, path)

    def _decorated(self, event: Any, path: Path) -> None:
        if getattr(event, "anchor", None) and not isinstance(event, yaml.AliasEvent):
            self._problem(event, path, "'&' (an anchor) is not used here.", "Quote a text that begins with '&'.")
        if getattr(event, "tag", None):
            self._problem(event, path, "'!' (a tag) is not used here.", "Quote a text that begins with '!'.")

    def _scalar(self, event: Any, path: Path) -> str:
        value = cast(str, event.value)
        plain = event.style is None
        if plain and value == "":
            self._problem(event, path, "there is no value.", _why_empty(path))
        elif plain and value in _NULLS:
            self._problem(event, path, f"'{value}' is no value here.", "Leave the key out, or put the word in quotes.")
        elif bad := _forbidden(value):
            self._problem(event, path, f"there is a {bad} in the value.", "Delete it.")
        return value

    def _sequence(self, path: Path) -> list[Node]:
        items: list[Node] = []
        while not isinstance(event := next(self._events), yaml.SequenceEndEvent):
            place = (*path, len(items))
            self._marked(event, place)
            items.append(self._node(event, place))
        return items

    def _mapping(self, into: dict[str, Node], path: Path) -> dict[str, Node]:
        while not isinstance(event := next(self._events), yaml.MappingEndEvent):
            key = self._key(event, path)
            place = (*path, key)
            if key in into:
                first = self.positions[place].line
                self._problem(event, place, f"this key stands twice (first in line {first}).", "Keep one of them.")
                self._skip()
                continue
            self._marked(event, place)
            into[key] = ""  # so that the key exists even if reading stops inside
            into[key] = self._node(next(self._events), place)
        return into

    def _key(self, event: Any, path: Path) -> str:
        if not isinstance(event, yaml.ScalarEvent):
            self._stop(event, path, "a key must be one word, not a list, an alias or another mapping.")
        self._decorated(event, path)
        key = event.value
        if key == "<<":
            self._stop(event, path, "'<<' (a merge key) is not used here.", "Use 'extends:' in a paper file.")
        if not key or len(key) > MAX_KEY_CHARS or "\n" in key or _forbidden(key):
            self._stop(event, path, f"'{key[:40]}' cannot be a key.", "A key is one short word before the colon.")
        return key

    def _skip(self) -> None:
        """Skip one whole node."""
        depth = 0
        while True:
            event = next(self._events)
            depth += isinstance(event, yaml.CollectionStartEvent) - isinstance(event, yaml.CollectionEndEvent)
            if depth == 0:
                return
            if depth > MAX_DEPTH:
                self._stop(event, (), f"nested more than {MAX_DEPTH} levels deep.")

    def _marked(self, event: Any, path: Path) -> None:
        if len(self.positions) >= MAX_NODES:
            self._stop(event, (), f"the file holds more than {MAX_NODES} values.")
        self.positions[path] = Position(self._file, event.start_mark.line + 1)

    def _problem(self, event: Any, path: Path, says: str, hint: str = "") -> None:
        line = event.start_mark.line + 1 if event is not None else None
        self.problems.append(Problem(self._file, line, path, says, hint))
        if len(self.problems) >= MAX_PROBLEMS:
            raise _Stopped

    def _stop(self, event: Any, path: Path, says: str, hint: str = "") -> NoReturn:
        self._problem(event, path, says, hint)
        raise _Stopped

    def _syntax(self, error: yaml.MarkedYAMLError) -> None:
        mark = error.problem_mark or error.context_mark
        line = mark.line + 1 if mark is not None else None
        hint = _syntax_hint(self._lines[mark.line] if mark is not None and mark.line < len(self._lines) else "")
        says = f"the line cannot be read: {error.problem or error.context or 'broken YAML'}."
        self.problems.append(Problem(self._file, line, (), says, hint))


def _syntax_hint(line: str) -> str:
    stripped = line.lstrip(" ")
    if stripped.startswith("\t"):
        return "Indent with spaces, not with tabs."
    value = stripped.partition(": ")[2].lstrip("- ")
    if value[:1] in ("%", "@", "`", "|", ">"):
        return f"Put quotes around a text that begins with '{value[0]}'."
    if ": " in value:
        return "Put quotes around a text that holds a colon."
    return "Look at the indentation, brackets and quotes here and in the line above."
