"""YAML as plain text: bytes in, a tree of str, list and dict out, with the line of every node.

A small, safe part of YAML 1.1 only. Every value is text, typed later by a
schema, so that `no`, `010`, `1e3` or `12:30:00` never surprise. Refused: aliases
and anchors, tags, merge keys, several documents, duplicate keys, empty values,
control characters, more than 64 KiB, 8 levels or 1000 values.

Nothing here raises for what a file holds: problems are collected in the tree.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any, TypeAlias, cast

import yaml

from printqueue.errors import UsageError
from printqueue.text import shown

MAX_BYTES = 64 * 1024
MAX_DEPTH = 8
MAX_NODES = 1000
MAX_KEY_CHARS = 80
MAX_PROBLEMS = 100
_MAX_SAID = 400

Node: TypeAlias = "str | list[Node] | dict[str, Node]"
Path: TypeAlias = tuple[str | int, ...]

# Invisible characters that turn the reading direction or break lines; the rest of the
# format characters (joiners, marks) is needed to write some languages.
_DIRECTION = {*range(0x202A, 0x202F), *range(0x2066, 0x206A), 0x2028, 0x2029}
_NULLS = {"~", "null", "Null", "NULL"}


@dataclass(frozen=True, slots=True)
class Mark:
    """Where a node stands: file name and line, counted from 1."""

    file: str
    line: int


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing wrong in a rule, order or settings file. `line` is None where it is the whole file."""

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
    """A rule, order or settings file is wrong; `problems` holds everything found, `str()` lists it."""

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(str(problem) for problem in self.problems))


@dataclass(frozen=True, slots=True)
class Tree:
    """What a file holds. `whole` is False where reading had to stop, so that keys may be missing."""

    file: str
    root: dict[str, Node]
    marks: Mapping[Path, Mark]
    problems: tuple[Problem, ...] = ()
    whole: bool = True

    def mark(self, path: Path) -> Mark:
        """The place of the node at `path`, or of the nearest node around it."""
        for length in range(len(path), 0, -1):
            if path[:length] in self.marks:
                return self.marks[path[:length]]
        return Mark(self.file, 1)


def read(data: bytes, file: str, *, may_be_empty: bool = False) -> Tree:
    """Read `data`; `file` is the name used in messages. Never raises for what the file holds."""
    text, fault = _decoded(data)
    if fault is not None:
        line, says, hint = fault
        return Tree(file, {}, {}, (Problem(file, line, (), says, hint),), whole=False)
    return _Reader(file).read(text, may_be_empty=may_be_empty)


_Fault: TypeAlias = tuple[int | None, str, str]


def _decoded(data: bytes) -> tuple[str, _Fault | None]:
    if len(data) > MAX_BYTES:
        return "", (None, f"the file is larger than {MAX_BYTES // 1024} KiB.", "Nothing was read from it.")
    try:
        text = data.decode("utf-8").removeprefix("\ufeff")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        return "", (line, "this is not UTF-8 text.", "Save the file as UTF-8.")
    for line, content in enumerate(text.split("\n"), start=1):
        if bad := _forbidden(content.removesuffix("\r")):
            return "", (line, f"there is a {bad} in this line.", "Delete it or type the line again.")
    return text, None


def _forbidden(text: str) -> str | None:
    """Name the first character that has no place in a text file, None where all is well."""
    for char in text:
        if ord(char) in _DIRECTION or (char not in "\t\n" and unicodedata.category(char) in ("Cc", "Cs")):
            return f"hidden control character (U+{ord(char):04X})"
    return None


def _why_empty(path: Path) -> str:
    """No key has spaces in it: what looks like one is the rest of a text that a comma cut in two."""
    last = str(path[-1]) if path else ""
    if last[:1].isdigit():
        return "Inside { } a comma begins the next key: write a number with a point, 30.5 mm."
    if " " in last:
        return "Inside { } a comma begins the next key: put a text that holds a comma into quotes."
    return "Write one, or leave the key out."


class _Stopped(Exception):  # noqa: N818 - a signal inside this module, no error
    """Reading cannot go on; the reason stands among the problems."""


class _Reader:
    """Builds the tree from the parser's events. Recursion is bounded by MAX_DEPTH."""

    def __init__(self, file: str) -> None:
        self.file = file
        self.marks: dict[Path, Mark] = {}
        self.problems: list[Problem] = []

    def read(self, text: str, *, may_be_empty: bool) -> Tree:
        root: dict[str, Node] = {}
        whole = False
        try:
            self._document(_events(text), root, may_be_empty=may_be_empty)
            whole = True
        except _Stopped:
            pass
        except yaml.MarkedYAMLError as error:
            self._syntax(error, text)
        except (yaml.YAMLError, ValueError, OverflowError):  # the last two: numbers beyond all reason
            self._problem(
                None, (), "this cannot be read as YAML.", "Look for a number or a \\U escape that is too large."
            )
        return Tree(self.file, root, self.marks, tuple(self.problems), whole)

    def _document(self, events: Iterator[Any], root: dict[str, Node], *, may_be_empty: bool) -> None:
        next(events)  # start of the stream
        start = next(events)
        if isinstance(start, yaml.StreamEndEvent):
            return self._empty(may_be_empty)
        if start.version or start.tags:
            self._problem(start, (), "a line beginning with % is not used here.", "Delete it.")
        first = next(events)
        if isinstance(first, yaml.ScalarEvent) and first.value == "" and first.implicit[0]:
            self._empty(may_be_empty)
        elif isinstance(first, yaml.MappingStartEvent):
            self._decorated(first, ())
            self._mapping(events, root, ())
        else:
            self._stop(first, (), "the file must be a list of 'key: value' lines.")
        next(events)  # end of the document
        if not isinstance(more := next(events), yaml.StreamEndEvent):
            self._stop(more, (), "the file holds more than one document.", "Keep one '---' at the top at most.")
        return None

    def _empty(self, may_be_empty: bool) -> None:
        if not may_be_empty:
            self._problem(None, (), "the file is empty.", "Write at least one 'key: value' line.")

    def _node(self, event: Any, events: Iterator[Any], path: Path) -> Node:
        self._decorated(event, path)
        if isinstance(event, yaml.ScalarEvent):
            return self._scalar(event, path)
        if isinstance(event, yaml.AliasEvent):
            self._problem(
                event,
                path,
                "'*' (an alias) is not used here.",
                "Write the value out; quote a text that begins with '*'.",
            )
            return ""
        if len(path) >= MAX_DEPTH:
            self._stop(event, path, f"nested more than {MAX_DEPTH} levels deep.")
        if isinstance(event, yaml.SequenceStartEvent):
            return self._sequence(events, path)
        mapping: dict[str, Node] = {}
        self._mapping(events, mapping, path)
        return mapping

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

    def _sequence(self, events: Iterator[Any], path: Path) -> list[Node]:
        items: list[Node] = []
        while not isinstance(event := next(events), yaml.SequenceEndEvent):
            place = (*path, len(items))
            self._marked(event, place)
            items.append(self._node(event, events, place))
        return items

    def _mapping(self, events: Iterator[Any], into: dict[str, Node], path: Path) -> None:
        while not isinstance(event := next(events), yaml.MappingEndEvent):
            key = self._key(event, path)
            place = (*path, key)
            if key in into:
                first = self.marks[place].line
                self._problem(event, place, f"this key stands twice (first in line {first}).", "Keep one of them.")
                self._skip(next(events), events)
                continue
            self._marked(event, place)
            into[key] = ""  # where reading stops inside, the key was there
            into[key] = self._node(next(events), events, place)

    def _key(self, event: Any, path: Path) -> str:
        if not isinstance(event, yaml.ScalarEvent):
            self._stop(event, path, "a key must be one word, not a list, an alias or another mapping.")
        self._decorated(event, path)
        key = cast(str, event.value)
        if key == "<<":
            self._stop(event, path, "'<<' (a merge key) is not used here.", "Use 'extends:' in a paper file.")
        if not key or len(key) > MAX_KEY_CHARS or "\n" in key or _forbidden(key):
            self._stop(event, path, f"'{key[:40]}' cannot be a key.", "A key is one short word before the colon.")
        return key

    def _skip(self, event: Any, events: Iterator[Any]) -> None:
        """Pass over one whole node."""
        depth = 0
        while True:
            depth += isinstance(event, yaml.CollectionStartEvent)
            depth -= isinstance(event, yaml.CollectionEndEvent)
            if depth == 0:
                return
            if depth > MAX_DEPTH:
                self._stop(event, (), f"nested more than {MAX_DEPTH} levels deep.")
            event = next(events)

    def _marked(self, event: Any, path: Path) -> None:
        if len(self.marks) >= MAX_NODES:
            self._stop(event, (), f"the file holds more than {MAX_NODES} values.")
        self.marks[path] = Mark(self.file, event.start_mark.line + 1)

    def _problem(self, event: Any, path: Path, says: str, hint: str = "") -> None:
        line = event.start_mark.line + 1 if event is not None else None
        self.problems.append(Problem(self.file, line, path, says, hint))
        if len(self.problems) >= MAX_PROBLEMS:
            raise _Stopped

    def _stop(self, event: Any, path: Path, says: str, hint: str = "") -> None:
        self._problem(event, path, says, hint)
        raise _Stopped

    def _syntax(self, error: yaml.MarkedYAMLError, text: str) -> None:
        mark = error.problem_mark or error.context_mark
        line = mark.line + 1 if mark is not None else None
        hint = _syntax_hint(text.split("\n")[line - 1] if line and line <= text.count("\n") + 1 else "")
        says = f"the line cannot be read: {error.problem or error.context or 'broken YAML'}."
        self.problems.append(Problem(self.file, line, (), says, hint))


def _events(text: str) -> Iterator[Any]:
    # The parser in Python, not the one in C: its wording and marks are the same everywhere.
    return iter(yaml.parse(text, Loader=yaml.BaseLoader))


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
