"""Making results visible, so that a kill at any instant leaves nothing lost, half or double.

Order: temps written, synced and verified → intent into the ledger → companions, then the
print, by no-clobber rename → folders synced → `published` → the original moves → `done`.
`carry_out` is the same for a first run and for recovery: each step asks what is there.
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Iterable
from contextlib import suppress
from dataclasses import asdict, dataclass, field, replace
from itertools import count
from typing import Literal

from printqueue import durable, naming, steps
from printqueue.durable import Stamp
from printqueue.errors import OwnError, WorldError
from printqueue.studio import Studio

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
    """A file of the photographer's: moved, never altered. `spare` is a whole private copy of it."""

    source: str
    target: str
    inode: int
    size: int
    mtime_ns: int
    spare: str | None = None
    sha256: str | None = None


@dataclass(frozen=True, slots=True)
class Intent:
    """Everything that one job makes visible, written down before the first of it is."""

    kind: Literal["print", "review"]
    placed: list[Placed] = field(default_factory=list)
    moved: list[Moved] = field(default_factory=list)
    says: str = ""  # why it was turned back, one sentence for status

    def to_json(self) -> str:
        """Text for the ledger; ASCII, so that any file name survives."""
        return json.dumps(asdict(self), ensure_ascii=True)

    @classmethod
    def from_json(cls, text: str) -> Intent:
        """The reverse of `to_json`."""
        raw = json.loads(text)
        placed, moved = [Placed(**item) for item in raw["placed"]], [Moved(**item) for item in raw["moved"]]
        return cls(raw["kind"], placed, moved, raw["says"])

    def output(self) -> str | None:
        """The first print file's name."""
        return next((p.final for p in self.placed if p.role == "print"), None)


def free_number(studio: Studio, groups: dict[str, Callable[[int], Iterable[str]]]) -> int:
    """The smallest number for which no name of any group is taken; `groups`: folder → names of a number."""
    taken = {naming.twin_key(f"{folder}/{name}") for folder in groups for name in _names(studio.path(folder))}
    return naming.free_number(
        taken, lambda n: [f"{folder}/{name}" for folder, names in groups.items() for name in names(n)]
    )


def _names(folder: str) -> list[str]:
    try:
        return os.listdir(folder)
    except FileNotFoundError:
        return []


def verify_temps(studio: Studio, intent: Intent) -> None:
    """Every temp synced, re-opened and hashed, before the intent is written. Raises `OwnError`."""
    for placed in intent.placed:
        path = studio.path(placed.temp)
        with durable.world("Syncing", placed.temp):
            durable.sync(path)
            found = durable.sha256(path)
        if found != placed.sha256:
            raise OwnError(f"What was written for {os.path.basename(placed.final)} does not read back the same.")
    for folder in {os.path.dirname(p.temp) for p in intent.placed}:
        durable.sync_folder(studio.path(folder))


def show(studio: Studio, intent: Intent) -> None:
    """Give everything of ours its final name, companions first. Raises `NameTakenError`, `LostTempError`."""
    studio.require_marker()
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
        if not os.path.lexists(temp) and durable.sha256(final) == placed.sha256:
            durable.rename_no_clobber(final, temp)


def take_back(studio: Studio, intent: Intent) -> None:
    """Undo an unfinished `show`: our temps, and companions whose print is not there. Prints stay."""
    for placed in intent.placed:
        durable.remove(studio.path(placed.temp))
        final = studio.path(placed.final)
        if placed.role == "companion" and durable.sha256(final) == placed.sha256:
            durable.remove(final)


def print_is_visible(studio: Studio, intent: Intent) -> bool:
    """Whether any print of the intent stands under its name with the recorded bytes."""
    return any(p.role == "print" and durable.sha256(studio.path(p.final)) == p.sha256 for p in intent.placed)


def with_free_targets(studio: Studio, intent: Intent) -> Intent:
    """The intent with another number for every move whose target somebody else's file has taken meanwhile."""
    return replace(intent, moved=[replace(m, target=_free_target(studio, m)) for m in intent.moved])


def _free_target(studio: Studio, moved: Moved) -> str:
    folder, name = os.path.split(moved.target)
    stem, extension = naming.split(name)
    for number in count(1):
        target = os.path.join(folder, naming.numbered(stem, number) + extension)
        path = studio.path(target)
        if not os.path.lexists(path) or _is(path, moved) or (moved.sha256 and durable.sha256(path) == moved.sha256):
            return target
    raise AssertionError


def move_originals(studio: Studio, intent: Intent) -> list[str]:
    """Move the picture and its order file to where they belong; returns sentences for what was unusual."""
    unusual = []
    for moved in intent.moved:
        if (said := _move(studio, moved)) is not None:
            unusual.append(said)
        if intent.kind == "review" and not os.path.lexists(studio.path(moved.target)):
            break  # a new version stands in ready/: the order file is now that one's
    for folder in {os.path.dirname(p) for moved in intent.moved for p in (moved.source, moved.target)}:
        with suppress(FileNotFoundError), durable.world("Syncing", folder):
            durable.sync_folder(studio.path(folder))
    return unusual


def _move(studio: Studio, moved: Moved) -> str | None:
    source, target = studio.path(moved.source), studio.path(moved.target)
    with durable.world("Moving", moved.source):
        if _is(target, moved):
            return None
        if _is(source, moved):
            _rename_free(source, target)
            if _is(target, moved) or (moved.sha256 and durable.sha256(target) == moved.sha256):
                return None  # some network file systems number a renamed file anew; its bytes decide
            # Not what was copied after all: another file had come under the name in that instant.
            _give_back(target, source)
        return _from_spare(studio, moved, target)


def _is(path: str, moved: Moved) -> bool:
    stamp = durable.lstamp(path)
    return stamp is not None and (stamp.inode, stamp.size, stamp.mtime_ns) == (moved.inode, moved.size, moved.mtime_ns)


def _rename_free(source: str, target: str) -> None:
    try:
        durable.rename_no_clobber(source, target)
    except FileExistsError as error:
        raise WorldError(
            f"{os.path.basename(target)} is taken in {os.path.dirname(target)}.", do="It is tried again."
        ) from error


def _give_back(path: str, wanted: str) -> None:
    """Back into ready/ under a free name; the next scan sees it as what it is, a new arrival."""
    stem, extension = naming.split(os.path.basename(wanted))
    for number in range(1, 1000):
        try:
            return durable.rename_no_clobber(
                path, os.path.join(os.path.dirname(wanted), naming.numbered(stem, number) + extension)
            )
        except FileExistsError:
            continue
    return None


def _from_spare(studio: Studio, moved: Moved, target: str) -> str | None:
    """The original was replaced or taken away meanwhile: keep the very bytes that were used."""
    if moved.spare is None or moved.sha256 is None:
        return None
    if durable.sha256(target) == moved.sha256:
        return None
    spare = studio.path(moved.spare)
    if durable.sha256(spare) != moved.sha256:
        return "The original was taken away while it was being printed, and no whole copy of it is left."
    durable.copy_to(spare, target)
    return "The original was replaced or taken away meanwhile; the version that was used is kept in masters/."


def moved_from(source: str, target: str, stamp: Stamp, *, spare: str | None = None, sha256: str | None = None) -> Moved:
    """A move whose source was last seen as `stamp`."""
    return Moved(source, target, stamp.inode, stamp.size, stamp.mtime_ns, spare, sha256)
