"""Which keys a model may hold, and where: read from its JSON Schema, for hints in messages."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from functools import cached_property
from typing import Any

_MAX_DEPTH = 4


class Shape:
    """The keys of one model, nested ones too."""

    def __init__(self, schema: Mapping[str, Any]) -> None:
        self._schema = schema

    def keys(self, path: Sequence[str | int]) -> list[str]:
        """The keys that may stand at `path`."""
        return [name for node in self._nodes(path) for name in node.get("properties", {})]

    def description(self, path: Sequence[str | int]) -> str:
        """What the key at `path` is for; empty where that is not said."""
        found = (node.get("properties", {}).get(path[-1], {}).get("description") for node in self._nodes(path[:-1]))
        return next((str(text) for text in found if text), "")

    @cached_property
    def places(self) -> dict[str, list[tuple[str, ...]]]:
        """Every key with the paths at which it may stand."""
        places: dict[str, list[tuple[str, ...]]] = {}
        for path in self._walk((), _MAX_DEPTH):
            places.setdefault(path[-1], []).append(path)
        return places

    def _walk(self, path: tuple[str, ...], depth: int) -> Iterator[tuple[str, ...]]:
        for name in self.keys(path) if depth else ():
            yield (*path, name)
            yield from self._walk((*path, name), depth - 1)

    def _nodes(self, path: Sequence[str | int]) -> list[Mapping[str, Any]]:
        """The schemas that may describe the node at `path`."""
        nodes = self._resolved(self._schema)
        for step in path:
            inner = (
                node.get("items") if isinstance(step, int) else node.get("properties", {}).get(step) for node in nodes
            )
            nodes = [found for one in inner if one for found in self._resolved(one)]
        return nodes

    def _resolved(self, node: Mapping[str, Any]) -> list[Mapping[str, Any]]:
        """Follow references and alternatives (in our models they never lead back to themselves)."""
        if "$ref" in node:
            return self._resolved(self._schema["$defs"][node["$ref"].rsplit("/", 1)[1]])
        branches = [*node.get("anyOf", ()), *node.get("allOf", ()), *node.get("oneOf", ())]
        return [found for one in branches for found in self._resolved(one)] if branches else [node]
