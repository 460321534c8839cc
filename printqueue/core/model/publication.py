"""What one job makes visible and what it moves, recorded in the ledger before any of it happens."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, field
from typing import Literal

Role = Literal["companion", "print"]


@dataclass(frozen=True, slots=True)
class Placed:
    """A file of ours on its way to its final name; paths are relative to the studio."""

    role: Role
    temp: str
    final: str
    sha256: str


@dataclass(frozen=True, slots=True)
class Moved:
    """A photographer's file: moved, never altered. `spare` is a whole private copy, relative to the state folder.

    Its bytes (`sha256`) or, without a hash, what stat said tell whether it is still the file that was used.
    `stays`: it could not be taken out of ready/, so `target` is a copy and the photographer must remove the file.
    """

    source: str
    target: str
    inode: int
    size: int
    mtime_ns: int
    spare: str | None = None
    sha256: str | None = None
    stays: bool = False


@dataclass(frozen=True, slots=True)
class Publication:
    """Everything one job makes visible."""

    kind: Literal["print", "review"]
    placed: list[Placed] = field(default_factory=list)
    moved: list[Moved] = field(default_factory=list)
    says: str = ""  # why it was turned back, in one sentence; for a print, the checks that warn

    def to_json(self) -> str:
        """As text for the ledger; ASCII, so that any file name survives."""
        return json.dumps(asdict(self), ensure_ascii=True)

    @classmethod
    def from_json(cls, text: str) -> Publication:
        """The inverse of `to_json`."""
        raw = json.loads(text)
        placed, moved = [Placed(**item) for item in raw["placed"]], [Moved(**item) for item in raw["moved"]]
        return cls(raw["kind"], placed, moved, raw["says"])

    def output(self) -> str | None:
        """The first print file's path."""
        return next((p.final for p in self.placed if p.role == "print"), None)
