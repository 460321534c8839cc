"""A studio's file systems: all one, fit for file events and the ledger, with long enough names and enough room."""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping, Sequence

from printqueue.cli.doctor.result import Result, Visit, bad, fine, warn
from printqueue.core.disk import filesystems, room
from printqueue.core.disk.filesystems import FileSystem
from printqueue.core.disk.folders import standing
from printqueue.core.naming import MAX_BYTES
from printqueue.core.text import shown

MOVED_BETWEEN = ("ready", "print", "review", "masters")  # each move is one rename
_PLENTY_GB, _MIN_GB = 5.0, 0.5
_FEW_FILES = 1000
_OUR_ADDITIONS = 40  # bytes: number, longest companion extension, some slack


def file_systems(visit: Visit) -> Iterator[Result]:
    """Renames need a single file system, events and the ledger a local one, and names enough length."""
    known = filesystems.read()
    studio = visit.known
    there = [name for name in MOVED_BETWEEN if os.path.isdir(studio.path(name))]
    yield one_file_system(
        {name: filesystems.of(studio.path(name), known) for name in there},
        [mount for name in there for mount in filesystems.below(os.path.realpath(studio.path(name)), known)],
    )
    if "ready" in there:
        yield ready_result(filesystems.of(studio.path("ready"), known), studio.config.watch, studio.config.scan)
    yield ledger_result(filesystems.of(standing(studio.state), known))
    yield names_result({name: os.statvfs(studio.path(name)).f_namemax for name in there})


def one_file_system(on: Mapping[str, FileSystem], inside: Sequence[FileSystem]) -> Result:
    """Pure: `on` are the mounts of the folders pictures are renamed between, `inside` the mounts inside them."""
    points = {name: mount.point or "?" for name, mount in on.items()}
    if len(set(points.values())) > 1:
        where = ", ".join(f"{name}/ on {shown(point)}" for name, point in points.items())
        return bad(
            f"Pictures cannot be moved between the folders: {where}.",
            "Keep ready/, print/, review/ and masters/ on one mount.",
        )
    if inside:
        where = ", ".join(shown(mount.point) for mount in inside[:5])
        return bad(
            f"Inside the work folders something else is mounted: {where}. Pictures cannot be moved out of it.",
            "Mount the whole studio in one piece.",
        )
    return fine("ready/, print/, review/ and masters/ are on one mount.")


def ready_result(system: FileSystem, watch: str, scan_s: float) -> Result:
    """Pure: whether file events can be expected in ready/, and what happens without them."""
    if not system.is_known and watch != "poll":
        said = "The kind of its file system is not known: file events may or may not arrive."
        return warn(said, "If pictures wait for the next look, write `watch: poll` into studio.yaml.", name="ready")
    if system.is_network:
        said = f"On a share ({shown(system.kind)}): files written by other computers send no events"
        return fine(f"{said}; it is looked through every {scan_s:g} s.", name="ready")
    if watch == "poll":
        return fine(f"It is looked through every {scan_s:g} s, as studio.yaml says (`watch: poll`).", name="ready")
    return fine(f"On a local file system ({shown(system.kind)}): file events arrive.", name="ready")


def ledger_result(system: FileSystem) -> Result:
    """Pure: SQLite's WAL needs shared memory and working locks, so a local disk (sqlite.org/wal.html)."""
    if not system.is_known:
        return warn("The kind of the ledger's file system is not known.", "Keep it on a local disk.", name="state")
    if system.is_network:
        return bad(
            f"The ledger lies on a share ({shown(system.kind)}), where it can be damaged.",
            "Set a local folder in studio.yaml, for example `state: /var/lib/printqueue/studio`.",
            name="state",
        )
    if system.is_lost_at_restart:
        return warn(
            f"The ledger lies in memory ({system.kind}): a restart loses it.",
            "Set a folder on a disk in studio.yaml, for example `state: /var/lib/printqueue/studio`.",
            name="state",
        )
    return fine(f"The ledger lies on a local disk ({shown(system.kind)}).", name="state")


def names_result(longest: Mapping[str, int]) -> Result:
    """Pure: how many bytes long a name may be in each folder (f_namemax, statvfs(3)); ours go up to 255."""
    short = {name: limit for name, limit in longest.items() if limit < MAX_BYTES}
    if short:
        where = ", ".join(f"{limit} bytes in {name}/" for name, limit in short.items())
        return warn(
            f"File names may have only {where} (an encrypted file system?); longer ones cannot be written there.",
            f"Keep names of pictures below {max(min(short.values()) - _OUR_ADDITIONS, 1)} bytes, or use another file system.",
            name="names",
        )
    return fine(f"File names may have {MAX_BYTES} bytes, as everywhere.", name="names")


def space(visit: Visit) -> Iterator[Result]:
    """Free space where prints are made and where pictures are copied for judging."""
    for name, path in (("space", visit.known.root), ("space-state", standing(visit.known.state))):
        seen = os.statvfs(path)
        size_bytes = seen.f_blocks * seen.f_frsize
        reserve_gb = min(room.RESERVE_BYTES, room.RESERVE_SHARE * size_bytes) / 1e9
        yield space_result(name, seen.f_bavail * seen.f_frsize / 1e9, reserve_gb)
        if seen.f_files:  # 0: the file system adds inodes as needed
            yield from files_results(name, seen.f_favail)


def space_result(name: str, free_gb: float, reserve_gb: float) -> Result:
    """Pure: gigabytes free, and how many the service reserves. A 50 MP print takes about 0.3 GB uncompressed."""
    said = f"{free_gb:.1f} GB are free; {reserve_gb:.2f} GB of them stay free for the record and the masters."
    if free_gb < reserve_gb:
        return bad(
            f"{free_gb:.2f} GB are free; nothing is begun below {reserve_gb:.2f} GB.", "Free some space.", name=name
        )
    if free_gb < _MIN_GB:
        return bad(f"{said} That is too little for one large print.", "Free some space.", name=name)
    if free_gb < _PLENTY_GB:
        return warn(said, "Free some space before it runs out; the service waits when it does.", name=name)
    return fine(said, name=name)


def files_results(name: str, free: int) -> Iterator[Result]:
    """Pure: a disk can run out of inodes with space to spare; silent unless it does."""
    if free < _FEW_FILES:
        said = f"Only {free} more files can be made on this disk, however much space is left (its inodes are used up)."
        weigh = bad if free == 0 else warn
        yield weigh(said, "Remove files that nobody needs.", name=name)
