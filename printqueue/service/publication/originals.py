"""Brings the photographer's own files from ready/ to where they belong: moved, or copied if they cannot be moved.

A rename fails if ready/ is read-only, another user's or a separate mount: then the file is copied, its hash checked and
its times kept, and the original is removed if that is allowed. Every step checks what is there, so recovery is the
same.
"""

from __future__ import annotations

import errno
import hashlib
import os
from contextlib import suppress
from dataclasses import replace
from itertools import count
from typing import Literal

from printqueue.core import naming
from printqueue.core.disk import durable
from printqueue.core.errors import WorldError
from printqueue.core.model.publication import Moved, Publication
from printqueue.reports import delivery as words
from printqueue.studio.folders import Studio

# Rename errors that a copy gets around: ready/ is read-only, another user's, or a separate mount.
_CANNOT_LEAVE = (errno.EROFS, errno.EACCES, errno.EPERM, errno.EXDEV)


def with_free_targets(studio: Studio, intent: Publication) -> Publication:
    """The intent with another number for every move whose target another file has taken meanwhile."""
    return replace(intent, moved=[replace(m, target=_free_target(studio, m)) for m in intent.moved])


def _free_target(studio: Studio, moved: Moved) -> str:
    folder, name = os.path.split(moved.target)
    stem, extension = naming.split(name)
    targets = (os.path.join(folder, naming.numbered(stem, number) + extension) for number in count(1))
    return next(target for target in targets if _is_free(studio.path(target)) or _holds(studio.path(target), moved))


def _is_free(path: str) -> bool:
    return not durable.exists(path) or durable.is_kept_place(path)


def move_originals(studio: Studio, intent: Publication) -> tuple[Publication, list[str]]:
    """Move the picture and its order file to where they belong.

    Returns the intent, with `stays` set for what could only be copied, and a sentence for everything unusual.
    """
    moves, unusual = list(intent.moved), list[str]()
    for index, moved in enumerate(moves):
        moves[index], said = _move(studio, moved)
        unusual += [said] if said else []
        if intent.kind == "review" and not durable.exists(studio.path(moved.target)):
            break  # ready/ holds a new version, which now owns the order file
    # Skip a read-only folder that nothing has left: some file systems refuse to sync it.
    paths = [path for m in moves for path in ((m.target,) if m.stays else (m.source, m.target))]
    for folder in {os.path.dirname(path) for path in paths}:
        with durable.world("Syncing", folder), suppress(FileNotFoundError):
            durable.sync_folder(studio.path(folder))
    return replace(intent, moved=moves), unusual


def _move(studio: Studio, moved: Moved) -> tuple[Moved, str | None]:
    source, target = studio.path(moved.source), studio.path(moved.target)
    with durable.world("Moving", moved.source):
        if not _holds(target, moved):
            way = _bring(moved, source, target)
            if way == "moved":
                return replace(moved, stays=False), None
            if way == "lost":
                return moved, _from_spare(studio, moved, target)
        durable.drop_second_name(source, target)
        return _emptied(moved, source)


def _bring(moved: Moved, source: str, target: str) -> Literal["moved", "copied", "lost"]:
    """Bring the picture to its place; `lost`: its bytes are no longer in ready/."""
    before = durable.lstamp(source)
    if before is None or not _holds(source, moved):
        return "lost"
    if not _rename_free(source, target):
        return "copied" if _copied(moved, source, target) else "lost"
    now = durable.lstamp(target)
    if (now is not None and now.same_file(before)) or _holds(target, moved):
        return "moved"
    # Another file took the name at that instant.
    _give_back(target, source)
    return "lost"


def _holds(path: str, moved: Moved) -> bool:
    """Whether the file there has the bytes that were used. Nothing else proves it: inode numbers change with disks,
    mounts and copies, and a program may restore size and time. Bytes are read only if the size matches.
    """
    stamp = durable.lstamp(path)
    if stamp is None or stamp.size != moved.size:
        return False
    if moved.sha256 is None:
        return (stamp.inode, stamp.mtime_ns) == (moved.inode, moved.mtime_ns)
    return durable.sha256(path) == moved.sha256


def _rename_free(source: str, target: str) -> bool:
    """Rename; False if only a copy will do."""
    try:
        durable.rename_no_clobber(source, target)
    except FileExistsError as error:
        raise WorldError(
            f"{os.path.basename(target)} is taken in {os.path.dirname(target)}.", do="It is tried again."
        ) from error
    except OSError as error:
        if error.errno not in _CANNOT_LEAVE:
            raise
        return False
    return True


def _copied(moved: Moved, source: str, target: str) -> bool:
    """Copy; False if the bytes are no longer those that were used."""
    try:
        durable.copy_to(source, target, expected=moved.sha256, mtime_ns=moved.mtime_ns)
    except (durable.WrongBytesError, FileNotFoundError):
        return False
    return True


def _emptied(moved: Moved, source: str) -> tuple[Moved, str | None]:
    """Remove the original from ready/ now that a verified copy is kept; say so if that is refused.

    It gets a hidden name first, so that a file which takes its name at that instant is not removed.
    """
    mark = hashlib.sha256(os.fsencode(moved.source)).hexdigest()[:12]
    leaving = os.path.join(os.path.dirname(source), f"{durable.TEMP_PREFIX}leaving-{moved.inode}-{mark}")
    if _holds(source, moved):
        try:
            durable.rename_no_clobber(source, leaving)
        except OSError as error:
            if error.errno not in _CANNOT_LEAVE:
                raise
            return replace(moved, stays=True), words.stays_words(moved.source, os.strerror(error.errno))
    if _holds(leaving, moved):
        durable.remove(leaving)
    elif durable.exists(leaving):
        _give_back(leaving, source)
    return replace(moved, stays=False), None


def _give_back(path: str, wanted: str) -> None:
    """Put it back into ready/ under a free name; the next scan sees it as what it is, a new arrival."""
    stem, extension = naming.split(os.path.basename(wanted))
    for number in range(1, 1000):
        free = os.path.join(os.path.dirname(wanted), naming.numbered(stem, number) + extension)
        with suppress(FileExistsError):
            return durable.rename_no_clobber(path, free)
    return None


def _from_spare(studio: Studio, moved: Moved, target: str) -> str | None:
    """The original was replaced or removed meanwhile: keep the bytes that were used, from their private copy."""
    studio.require_folder("ready")  # an unmounted folder has lost nothing
    studio.require_mounts(os.path.dirname(moved.source))
    if moved.spare is None or moved.sha256 is None:
        return None
    # spool/JOB/ATTEMPT/FILE: earlier ledgers hold a full path, and the studio may have been moved since.
    spare = studio.private(*moved.spare.split("/")[-4:])
    if durable.sha256(spare) != moved.sha256:
        return words.NO_WHOLE_COPY
    durable.copy_to(spare, target, expected=moved.sha256, mtime_ns=moved.mtime_ns)
    return words.SPARE_KEPT
