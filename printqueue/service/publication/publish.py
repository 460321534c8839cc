"""Making results visible, so that a kill at any instant leaves nothing lost, half-made or double.

Order: temps written, synced and verified → intent into the ledger → companions, then the print, by no-clobber rename →
folders synced → `published` → the original moves → `done`. Each step checks what is there, so recovery takes the same
steps.
"""

from __future__ import annotations

import os
from collections.abc import Container

from printqueue.core.disk import durable
from printqueue.core.errors import OwnError
from printqueue.core.model.publication import Moved, Placed, Publication
from printqueue.core.model.seen import Stamp
from printqueue.core.text import shown
from printqueue.service import steps
from printqueue.studio.folders import Studio


class NameTakenError(Exception):
    """One of the names was taken between looking and renaming: choose the next number."""


class LostTempError(Exception):
    """A temp of the intent was lost or damaged before its name was visible: start the job again."""


def verify_temp(studio: Studio, temp: str, sha256: str, name: str) -> None:
    """Sync, re-open and hash one temp, written for `name`. Raises `OwnError`."""
    path = studio.path(temp)
    with durable.world("Syncing", temp):
        durable.sync(path)
        found = durable.sha256(path)
    if found != sha256:
        raise OwnError(f"What was written for {shown(name)} does not read back the same.")


def verify_temps(studio: Studio, intent: Publication, proved: Container[str] = ()) -> None:
    """Before the intent is written, verify every temp not yet `proved`, then sync their folders. Raises `OwnError`."""
    for placed in intent.placed:
        if placed.temp not in proved:
            verify_temp(studio, placed.temp, placed.sha256, os.path.basename(placed.final))
    for folder in {os.path.dirname(p.temp) for p in intent.placed}:
        durable.sync_folder(studio.path(folder))


def require_places(studio: Studio, intent: Publication) -> None:
    """Raise `WorldError` unless every studio folder that the intent names is there."""
    studio.require_marker()
    paths = [placed.final for placed in intent.placed] + [path for m in intent.moved for path in (m.source, m.target)]
    studio.require_folder(*sorted({path.split("/", maxsplit=1)[0] for path in paths}))
    studio.require_mounts(*sorted({os.path.dirname(path) for path in paths}))


def show(studio: Studio, intent: Publication) -> None:
    """Give all our files their final names, companions first. Raises `NameTakenError`, `LostTempError`."""
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


def hide(studio: Studio, intent: Publication) -> None:
    """Rename what is visible back to its temp name, because another name of the group was taken."""
    for placed in intent.placed:
        temp, final = studio.path(placed.temp), studio.path(placed.final)
        if not durable.exists(temp) and durable.sha256(final) == placed.sha256:
            durable.rename_no_clobber(final, temp)


def take_back(studio: Studio, intent: Publication) -> None:
    """Undo an unfinished `show`: remove our temps and companions. Prints stay."""
    for placed in intent.placed:
        durable.remove(studio.path(placed.temp))
        final = studio.path(placed.final)
        durable.release(final)
        if placed.role == "companion" and durable.sha256(final) == placed.sha256:
            durable.remove(final)


def print_is_visible(studio: Studio, intent: Publication) -> bool:
    """Whether any print of the intent is under its name with the recorded bytes."""
    return any(p.role == "print" and durable.sha256(studio.path(p.final)) == p.sha256 for p in intent.placed)


def moved_from(source: str, target: str, stamp: Stamp, *, spare: str | None = None, sha256: str | None = None) -> Moved:
    """A move whose source was last seen as `stamp`."""
    return Moved(source, target, stamp.inode, stamp.size, stamp.mtime_ns, spare, sha256)
