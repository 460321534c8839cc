"""File systems of a studio: of one piece, fit for events and for the ledger, with names and room enough."""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping, Sequence

from printqueue.cli.doctor.result import Result, Visit, bad, fine, warn
from printqueue.core.disk import filesystems, room
from printqueue.core.disk.filesystems import FileSystem
from printqueue.core.disk.folders import standing
from printqueue.core.naming import MAX_BYTES
from printqueue.core.text import shown

MOVED_BETWEEN = ("ready", "print", "review", "masters")  # one rename leads from one to another
_PLENTY_GB, _LEAST_GB = 5.0, 0.5
_FEW_FILES = 1000
_OUR_ADDITIONS = 40  # bytes: number, ending of the longest companion, and some more


def file_systems(visit: Visit) -> Iterator[Result]:
    """Renames need one file system; events and the ledger need a local one; names need their length."""
    known = filesystems.read()
    place = visit.known
    there = [name for name in MOVED_BETWEEN if os.path.isdir(place.path(name))]
    yield one_file_system(
        {name: filesystems.of(place.path(name), known) for name in there},
        [mount for name in there for mount in filesystems.below(os.path.realpath(place.path(name)), known)],
    )
    if "ready" in there:
        yield ready_result(filesystems.of(place.path("ready"), known), place.config.watch, place.config.scan)
    yield ledger_result(filesystems.of(standing(place.state), known))
    yield names_result({name: os.statvfs(place.path(name)).f_namemax for name in there})


def one_file_system(on: Mapping[str, FileSystem], inside: Sequence[FileSystem]) -> Result:
    """Pure: the mounts of the folders that pictures are renamed between, and mounts inside them."""
    points = {name: mount.point or "?" for name, mount in on.items()}
    if len(set(points.values())) > 1:
        where = ", ".join(f"{name}/ on {shown(point)}" for name, point in points.items())
        return bad(
            "file-system",
            f"Pictures cannot be moved between the folders: {where}.",
            "Keep ready/, print/, review/ and masters/ on one mount.",
        )
    if inside:
        where = ", ".join(shown(mount.point) for mount in inside[:5])
        return bad(
            "file-system",
            f"Inside the work folders something else is mounted: {where}. Pictures cannot be moved out of it.",
            "Mount the whole studio in one piece.",
        )
    return fine("file-system", "ready/, print/, review/ and masters/ are on one mount.")


def ready_result(system: FileSystem, watch: str, scan_s: float) -> Result:
    """Pure: whether file events can be expected in ready/, and what is done without them."""
    if not system.is_known and watch != "poll":
        said = "The kind of its file system is not known: file events may or may not arrive."
        return warn("ready", said, "If pictures wait for the next look, write `watch: poll` into studio.yaml.")
    if system.is_network:
        said = f"On a share ({shown(system.kind)}): files written by other computers send no events"
        return fine("ready", f"{said}; it is looked through every {scan_s:g} s.")
    if watch == "poll":
        return fine("ready", f"It is looked through every {scan_s:g} s, as studio.yaml says (`watch: poll`).")
    return fine("ready", f"On a local file system ({shown(system.kind)}): file events arrive.")


def ledger_result(system: FileSystem) -> Result:
    """Pure: SQLite's WAL needs shared memory and true locks: a local disk (sqlite.org/wal.html)."""
    if not system.is_known:
        return warn("state", "The kind of the ledger's file system is not known.", "Keep it on a local disk.")
    if system.is_network:
        return bad(
            "state",
            f"The ledger lies on a share ({shown(system.kind)}), where it can be damaged.",
            "Set a local folder in studio.yaml, for example `state: /var/lib/printqueue/studio`.",
        )
    if system.is_lost_at_restart:
        return warn(
            "state",
            f"The ledger lies in memory ({system.kind}): a restart loses it.",
            "Set a folder on a disk in studio.yaml, for example `state: /var/lib/printqueue/studio`.",
        )
    return fine("state", f"The ledger lies on a local disk ({shown(system.kind)}).")


def names_result(longest: Mapping[str, int]) -> Result:
    """Pure: bytes that a name may have in each folder (f_namemax, statvfs(3)); we make names of up to 255."""
    short = {name: most for name, most in longest.items() if most < MAX_BYTES}
    if short:
        where = ", ".join(f"{most} bytes in {name}/" for name, most in short.items())
        return warn(
            "names",
            f"File names may have only {where} (an encrypted file system?); longer ones cannot be written there.",
            f"Keep names of pictures below {max(min(short.values()) - _OUR_ADDITIONS, 1)} bytes, or use another file system.",
        )
    return fine("names", f"File names may have {MAX_BYTES} bytes, as everywhere.")


def space(visit: Visit) -> Iterator[Result]:
    """Free space where prints are made, and where pictures are copied to while they are judged."""
    for name, path in (("space", visit.known.root), ("space-state", standing(visit.known.state))):
        seen = os.statvfs(path)
        size_bytes = seen.f_blocks * seen.f_frsize
        reserve_gb = min(room.RESERVE_BYTES, room.RESERVE_SHARE * size_bytes) / 1e9
        yield space_result(name, seen.f_bavail * seen.f_frsize / 1e9, reserve_gb)
        if seen.f_files:  # some file systems make room for files as they go and say 0
            yield from files_results(name, seen.f_favail)


def space_result(name: str, free_gb: float, reserve_gb: float) -> Result:
    """Pure: gigabytes left, and those that the service leaves free. A 50 MP print takes about 0.3 GB uncompressed."""
    said = f"{free_gb:.1f} GB are free; {reserve_gb:.2f} GB of them stay free for the record and the masters."
    if free_gb < reserve_gb:
        return bad(name, f"{free_gb:.2f} GB are free; nothing is begun below {reserve_gb:.2f} GB.", "Free some space.")
    if free_gb < _LEAST_GB:
        return bad(name, f"{said} That is too little for one large print.", "Free some space.")
    if free_gb < _PLENTY_GB:
        return warn(name, said, "Free some space before it runs out; the service waits when it does.")
    return fine(name, said)


def files_results(name: str, free: int) -> Iterator[Result]:
    """Pure: a disk can be full of files while there is space left (inodes); not worth a line while it is not."""
    if free < _FEW_FILES:
        said = f"Only {free} more files can be made on this disk, however much space is left (its inodes are used up)."
        weigh = bad if free == 0 else warn
        yield weigh(name, said, "Remove files that nobody needs.")
