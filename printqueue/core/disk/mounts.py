"""Disks and shares mounted inside one of the studio's folders (say, print/PAPER on the machine that runs a printer).

Such a folder has no mark. On first use, the state folder records that it is a mount point; from then on, the plain
folder that appears without the mount is not mistaken for it. This costs one stat per part of a path.
"""

from __future__ import annotations

import json
import os
import threading
from collections.abc import Iterator

from printqueue.core.disk import durable
from printqueue.core.errors import WorldError
from printqueue.core.text import shown

FILE = "mounts"  # in the state folder: the paths, relative to the studio
_MAX_BYTES = 1 << 20
_turn = threading.Lock()


class MountGoneError(WorldError):
    """A folder that was a mount point no longer is."""

    def __init__(self, name: str) -> None:
        super().__init__(
            f"{shown(name)}/ was a disk or share of its own, and is not mounted. Nothing is written into it, and nothing that lay "
            "in it is taken for gone; pictures wait.",
            do="Mount it; it goes on by itself. If it is to be a plain folder from now on, run `printqueue init` in the studio.",
        )


def known(record: str) -> set[str]:
    """What `record` lists; nothing if there is no such file or it cannot be parsed."""
    try:
        listed = json.loads(durable.read_plain(record, _MAX_BYTES))
    except (FileNotFoundError, ValueError):
        return set()
    return {one for one in listed if isinstance(one, str)} if isinstance(listed, list) else set()


def gone(root: str, record: str, path: str) -> str:
    """The folder between `root` and `path` (relative) whose mount is gone; "" if none is."""
    listed = known(record)
    lost = (part for part in _parts(path) if part in listed and not _is_mount(root, part)) if listed else iter(())
    return next(lost, "")


def note(root: str, record: str, path: str) -> None:
    """Record which folders on the way to the folder `path` (relative) are mount points."""
    found = {part for part in _parts(path) if _is_mount(root, part)}
    if not found:
        return
    with _turn:
        listed = known(record)
        if not found <= listed:
            _write(record, listed | found)


def forget(root: str, record: str) -> list[str]:
    """Drop and return those that are no longer mount points. Only at the photographer's request."""
    listed = known(record)
    lost = {part for part in listed if not _is_mount(root, part)}
    if lost:
        _write(record, listed - lost)
    return sorted(lost)


def _write(record: str, listed: set[str]) -> None:
    durable.replace_own(record, json.dumps(sorted(listed)).encode())
    durable.sync_folder(os.path.dirname(record))


def _parts(path: str) -> Iterator[str]:
    """'print/card/A4' → 'print/card', 'print/card/A4'."""
    names = path.split("/")
    return ("/".join(names[:count]) for count in range(2, len(names) + 1))


def _is_mount(root: str, part: str) -> bool:
    """Judges by device, which does not reveal a bind mount from the same file system."""
    folder = os.path.join(root, part)
    try:
        return os.lstat(folder).st_dev != os.lstat(os.path.dirname(folder)).st_dev
    except (FileNotFoundError, NotADirectoryError):
        return False
