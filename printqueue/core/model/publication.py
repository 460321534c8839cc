"""What one job makes visible and what it moves: recorded in the ledger before any of it happens."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, field
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

    Whether it is still the file that was used shows in its bytes (`sha256`), or without a hash in what stat said.
    `stays`: it could not be taken out of ready/, so `target` is a copy, and the photographer is to remove the file.
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
    """Everything that one job makes visible."""

    kind: Literal["print", "review"]
    placed: list[Placed] = field(default_factory=list)
    moved: list[Moved] = field(default_factory=list)
    says: str = ""  # why it was turned back, one sentence; of a print, the checks that warn

    def to_json(self) -> str:
        """Text for the ledger; ASCII, so that any file name survives."""
        return json.dumps(asdict(self), ensure_ascii=True)

    @classmethod
    def from_json(cls, text: str) -> Publication:
        """The reverse of `to_json`."""
        raw = json.loads(text)
        placed, moved = [Placed(**item) for item in raw["placed"]], [Moved(**item) for item in raw["moved"]]
        return cls(raw["kind"], placed, moved, raw["says"])

    def output(self) -> str | None:
        """The first print file's name."""
        return next((p.final for p in self.placed if p.role == "print"), None)
