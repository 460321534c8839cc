"""What one job makes visible and what it moves: written down in the ledger before any of it happens."""

from __future__ import annotations

import json
from dataclasses import dataclass, field, fields
from typing import Literal

Role = Literal["companion", "print"]


@dataclass(frozen=True, slots=True)
class Placed:
    """A file of ours on its way to its name; paths are relative to the studio."""

    role: Role
    temp: str
    final: str
    sha256: str


@dataclass(frozen=True, slots=True)
class Moved:
    """A file of the photographer's: moved, never altered. `spare` is a whole private copy of it, relative to the state folder.

    Its bytes (`sha256`) say whether it is still the one that was used; without them, what stat said.
    `stays`: it could not be taken out of ready/, so the file at `target` is a copy; the photographer is to remove it.
    """

    source: str
    target: str
    inode: int
    size: int
    mtime_ns: int
    spare: str | None = None
    sha256: str | None = None
    stays: bool = False


_PLACED, _MOVED = (tuple(one.name for one in fields(kind)) for kind in (Placed, Moved))


@dataclass(frozen=True, slots=True)
class Publication:
    """Everything that one job makes visible, written down before the first of it is."""

    kind: Literal["print", "review"]
    placed: list[Placed] = field(default_factory=list)
    moved: list[Moved] = field(default_factory=list)
    says: str = ""  # why it was turned back, one sentence; of a print, the checks that warn

    def to_json(self) -> str:
        """Text for the ledger; ASCII, so that any file name survives."""
        raw = {
            "kind": self.kind,
            "placed": [{name: getattr(one, name) for name in _PLACED} for one in self.placed],
            "moved": [{name: getattr(one, name) for name in _MOVED} for one in self.moved],
            "says": self.says,
        }
        return json.dumps(raw, ensure_ascii=True)

    @classmethod
    def from_json(cls, text: str) -> Publication:
        """The reverse of `to_json`."""
        raw = json.loads(text)
        placed, moved = [Placed(**item) for item in raw["placed"]], [Moved(**item) for item in raw["moved"]]
        return cls(raw["kind"], placed, moved, raw["says"])

    def output(self) -> str | None:
        """The first print file's name."""
        return next((p.final for p in self.placed if p.role == "print"), None)
