"""Making results visible, so that a kill at any instant leaves nothing lost, half or double.

Order: temps written, synced and verified → intent into the ledger → companions, then the
print, by no-clobber rename → folders synced → `published` → the original moves → `done`.
`carry_out` is the same for a first run and for recovery: each step asks what is there.
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Container, Iterable, Mapping
from dataclasses import dataclass, field, fields
from itertools import count
from typing import Literal

from printqueue import naming, steps
from printqueue.disk import durable, folders
from printqueue.disk.durable import Stamp
from printqueue.errors import OwnError
from printqueue.studio import Studio
from printqueue.text import shown

Role = Literal["companion", "print"]


class NameTakenError(Exception):
    """Somebody took one of the names between looking and renaming; choose the next number."""


class LostTempError(Exception):
    """A temp of the intent is gone or damaged before its name was visible: start the job again."""


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
class Intent:
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
    def from_json(cls, text: str) -> Intent:
        """The reverse of `to_json`."""
        raw = json.loads(text)
        placed, moved = [Placed(**item) for item in raw["placed"]], [Moved(**item) for item in raw["moved"]]
        return cls(raw["kind"], placed, moved, raw["says"])

    def output(self) -> str | None:
        """The first print file's name."""
        return next((p.final for p in self.placed if p.role == "print"), None)


def free_number(studio: Studio, groups: Mapping[str, Callable[[int], Iterable[str]]]) -> int:
    """The smallest number for which no name of any group is taken; `groups`: folder → names of a number."""
    taken = {folder: set(map(naming.twin_key, folders.names(studio.path(folder)))) for folder in groups}
    return next(
        number
        for number in count(1)
        if not any(naming.twin_key(name) in taken[folder] for folder, names in groups.items() for name in names(number))
    )


def verify_temp(studio: Studio, temp: str, sha256: str, name: str) -> None:
    """One temp synced, re-opened and hashed; `name` is what it was written for. Raises `OwnError`."""
    path = studio.path(temp)
    with durable.world("Syncing", temp):
        durable.sync(path)
        found = durable.sha256(path)
    if found != sha256:
        raise OwnError(f"What was written for {shown(name)} does not read back the same.")


def verify_temps(studio: Studio, intent: Intent, proved: Container[str] = ()) -> None:
    """Every temp that is not `proved` already, before the intent is written; then their folders synced. Raises `OwnError`."""
    for placed in intent.placed:
        if placed.temp not in proved:
            verify_temp(studio, placed.temp, placed.sha256, os.path.basename(placed.final))
    for folder in {os.path.dirname(p.temp) for p in intent.placed}:
        durable.sync_folder(studio.path(folder))


def require_places(studio: Studio, intent: Intent) -> None:
    """Raise `WorldError` unless every folder of the studio that the intent leads out of or into is there."""
    studio.require_marker()
    paths = [placed.final for placed in intent.placed] + [path for m in intent.moved for path in (m.source, m.target)]
    studio.require_folder(*sorted({path.split("/", maxsplit=1)[0] for path in paths}))
    studio.require_mounts(*sorted({os.path.dirname(path) for path in paths}))


def show(studio: Studio, intent: Intent) -> None:
    """Give everything of ours its final name, companions first. Raises `NameTakenError`, `LostTempError`."""
    require_places(studio, intent)
    for role, step in (("companion", "companion-published"), ("print", "print-published")):
        for placed in intent.placed:
            if placed.role == role:
                _show_one(studio, placed)
                steps.reached(step)
    for folder in {os.path.dirname(p.final) for p in intent.placed}:
        with durable.world("Syncing", folder):
            durable.sync_folder(studio.path(folder))
    steps.reached("folders-synced")


def _show_one(studio: Studio, placed: Placed) -> None:
    temp, final = studio.path(placed.temp), studio.path(placed.final)
    with durable.world("Publishing", placed.final):
        if durable.sha256(temp) == placed.sha256:
            try:
                durable.rename_no_clobber(temp, final)
            except FileExistsError as error:
                raise NameTakenError(placed.final) from error
        elif durable.sha256(final) != placed.sha256:
            raise LostTempError(placed.temp)


def hide(studio: Studio, intent: Intent) -> None:
    """Give what is already visible its temp name again, because another name of the group was taken."""
    for placed in intent.placed:
        temp, final = studio.path(placed.temp), studio.path(placed.final)
        if not durable.exists(temp) and durable.sha256(final) == placed.sha256:
            durable.rename_no_clobber(final, temp)


def take_back(studio: Studio, intent: Intent) -> None:
    """Undo an unfinished `show`: our temps, and companions whose print is not there. Prints stay."""
    for placed in intent.placed:
        durable.remove(studio.path(placed.temp))
        final = studio.path(placed.final)
        durable.release(final)
        if placed.role == "companion" and durable.sha256(final) == placed.sha256:
            durable.remove(final)


def print_is_visible(studio: Studio, intent: Intent) -> bool:
    """Whether any print of the intent stands under its name with the recorded bytes."""
    return any(p.role == "print" and durable.sha256(studio.path(p.final)) == p.sha256 for p in intent.placed)


def moved_from(source: str, target: str, stamp: Stamp, *, spare: str | None = None, sha256: str | None = None) -> Moved:
    """A move whose source was last seen as `stamp`."""
    return Moved(source, target, stamp.inode, stamp.size, stamp.mtime_ns, spare, sha256)
