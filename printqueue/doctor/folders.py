"""Marker, settings, folders, rights, file systems and space of a studio."""

from __future__ import annotations

import os
import pwd
from collections.abc import Iterator, Mapping, Sequence

from printqueue import durable
from printqueue.doctor import mounts
from printqueue.doctor.mounts import Mount
from printqueue.doctor.result import Result, Visit, bad, fine, warn
from printqueue.nearest import suggestion
from printqueue.text import shown

MOVED_BETWEEN = ("ready", "print", "review", "masters")  # one rename leads from one to another
_READ = ("rules", "profiles")
_WRITTEN = ("print", "review", "masters")
_WRITTEN_LATER = ("strips", "comparisons", "daybook")  # nothing stops where one of these is missing
_MOST_NAMED = 10
_PLENTY_GB, _LEAST_GB = 5.0, 0.5


def studio(visit: Visit) -> Iterator[Result]:
    """Whether the folder is a studio at all."""
    private = os.path.join(visit.root, ".printqueue")
    if visit.no_studio is None:
        yield fine("studio", f"{shown(os.path.abspath(visit.root))} carries its marker.")
    elif os.path.isdir(private) and not os.access(private, os.X_OK):
        owner = _user_name(os.stat(private).st_uid)
        said = f"{shown(os.path.abspath(visit.root))} is the studio of {owner}, who alone can look into its ledger."
        yield bad("studio", said, f"Ask as that user: sudo -u {owner} printqueue -C STUDIO doctor.")
    else:
        said = f"{visit.no_studio.says} Folders, papers, ledger and service were not looked at."
        yield bad("studio", said, visit.no_studio.do)


def settings(visit: Visit) -> Iterator[Result]:
    """studio.yaml, every problem on a line of its own."""
    if visit.no_studio is not None:
        return
    if visit.no_settings is not None:
        for line in str(visit.no_settings).split("\n"):
            yield bad("studio.yaml", line, "Put the line right.")
        yield warn(
            "studio.yaml", "Folders, papers, ledger and service were not looked at: settings decide where they are.", ""
        )
        return
    config, papers = visit.known.config, visit.shelf.papers
    if config.default_paper is not None and config.default_paper not in papers:
        said = f"default_paper: there is no paper '{config.default_paper}' in rules/."
        yield bad("studio.yaml", said, suggestion(config.default_paper, papers) or "Name a paper of rules/.")
    elif config.notify is not None:
        yield warn("studio.yaml", "`notify` is set, but nothing is started yet.", "Look at `printqueue status`.")
    else:
        yield fine("studio.yaml", "The settings can be read.")


def user(visit: Visit) -> Iterator[Result]:
    """The answers of `doctor` hold for whoever asks: best the user that the service runs as."""
    private = _standing(visit.known.state)
    seen = os.stat(private)
    yield user_result(os.geteuid(), seen.st_uid, seen.st_mode, private)


def _standing(path: str) -> str:
    """`path`, or the nearest folder above it that is there: the service makes its state folder at its first start."""
    while not os.path.isdir(path) and path != os.path.dirname(path):
        path = os.path.dirname(path)
    return path


def user_result(asking: int, owner: int, mode: int, private: str) -> Result:
    """Pure: user numbers of who asks and who owns the folder `private`, and the folder's mode."""
    if asking != owner:
        return warn(
            "user",
            f"Asked as {_user_name(asking)}, but the studio's private folder belongs to {_user_name(owner)}: "
            "what is said here of rights may not hold for the service.",
            f"Ask as that user: sudo -u {_user_name(owner)} printqueue -C STUDIO doctor.",
        )
    if mode & 0o022:
        return bad(
            "user", f"Others can write into the private folder {shown(private)}.", "Take that from them: chmod go-w"
        )
    return fine("user", f"Asked as {_user_name(asking)}, who owns the studio's private folder.")


def _user_name(number: int) -> str:
    try:
        return pwd.getpwuid(number).pw_name
    except KeyError:
        return f"user {number}"


def rights(visit: Visit) -> Iterator[Result]:
    """Each folder is there and can be used. ready/ is never written into, not even for a try."""
    place = visit.known
    lacking = [_lacking(name, place.path(name), os.R_OK | os.X_OK) for name in _READ]
    lacking.append(_lacking("ready", place.path("ready"), os.R_OK | os.W_OK | os.X_OK))
    lacking += [_untried(name, place.path(name)) for name in _WRITTEN]
    lacking.append(_untried(shown(place.config.state), _standing(place.state)))
    found = [result for result in lacking if result is not None]
    found += [
        warn(
            "folders",
            f"Pictures in {shown(name)}/ cannot be taken out of it by this user.",
            "Let its group write: chmod g+rwx",
        )
        for name in _closed(place.path("ready"))
    ]
    found += [
        warn("folders", f"{name}/ is missing; nothing is written there yet.", f"Make it: mkdir {name}")
        for name in _WRITTEN_LATER
        if not os.path.isdir(place.path(name))
    ]
    yield from found or [fine("folders", "All are there, readable, and writable where they must be (tried).")]


def _closed(ready: str) -> list[str]:
    """Folders inside ready/ that pictures cannot be moved out of; a few are enough."""
    found = []
    for folder, names, _ in os.walk(ready):
        inside = (os.path.join(folder, name) for name in names)
        found += [path for path in inside if not os.access(path, os.R_OK | os.W_OK | os.X_OK)]
        if len(found) >= _MOST_NAMED:
            break
    return [os.path.relpath(path, os.path.dirname(ready)) for path in found[:_MOST_NAMED]]


def _lacking(name: str, path: str, wanted: int) -> Result | None:
    if not os.path.isdir(path):
        return bad("folders", f"{name}/ is missing.", f"Make it again: mkdir {shown(path, limit=300)}")
    if not os.access(path, wanted):
        words = "read and written" if wanted & os.W_OK else "read"
        return bad("folders", f"{name}/ cannot be {words} by this user.", "Check its owner and mode.")
    return None


def _untried(name: str, path: str) -> Result | None:
    """Write, rename without replacing, remove: what publication needs, with a hidden file of our own."""
    if not os.path.isdir(path):
        return bad("folders", f"{name}/ is missing.", f"Make it again: mkdir {shown(path, limit=300)}")
    stem = os.path.join(path, f"{durable.TEMP_PREFIX}doctor-{os.getpid()}")
    try:
        durable.write_temp(stem + ".a", b"printqueue doctor\n")
        durable.rename_no_clobber(stem + ".a", stem + ".b")
    except OSError as error:
        return bad(
            "folders",
            f"{name}/ cannot be used: writing and renaming a file there failed ({error.strerror}).",
            "Check owner and mode; under systemd the folder must stand in ReadWritePaths=. "
            "Some file systems (FAT, some shares) cannot rename safely: use another.",
        )
    finally:
        durable.remove(stem + ".a")
        durable.remove(stem + ".b")
    return None


def file_systems(visit: Visit) -> Iterator[Result]:
    """Renames need one file system; events and the ledger need a local one."""
    known = mounts.read()
    place = visit.known
    there = [name for name in MOVED_BETWEEN if os.path.isdir(place.path(name))]
    yield one_file_system(
        {name: mounts.mount_of(place.path(name), known) for name in there},
        [mount for name in there for mount in mounts.below(os.path.realpath(place.path(name)), known)],
    )
    if "ready" in there:
        yield ready_result(mounts.mount_of(place.path("ready"), known), place.config.watch, place.config.scan)
    yield ledger_result(mounts.mount_of(_standing(place.state), known))


def one_file_system(on: Mapping[str, Mount | None], inside: Sequence[Mount]) -> Result:
    """Pure: the mounts of the folders that pictures are renamed between, and mounts inside them."""
    points = {name: mount.point if mount else "?" for name, mount in on.items()}
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


def ready_result(mount: Mount | None, watch: str, scan_s: float) -> Result:
    """Pure: whether file events can be expected in ready/."""
    if mount is None:
        return warn("ready", "The kind of its file system is not known.", "Write `watch: poll` into studio.yaml.")
    if not mount.is_network:
        return fine("ready", f"On a local file system ({mount.kind}): file events arrive.")
    said = f"On a share ({shown(mount.kind)}): files written by other computers send no events; "
    if watch == "poll":
        return fine("ready", f"{said}it is looked through every {scan_s:g} s.")
    return warn("ready", f"{said}only the look every {scan_s:g} s finds them.", "Write `watch: poll` into studio.yaml.")


def ledger_result(mount: Mount | None) -> Result:
    """Pure: SQLite's WAL needs shared memory and true locks: a local disk (sqlite.org/wal.html)."""
    if mount is None:
        return warn("state", "The kind of the ledger's file system is not known.", "Keep it on a local disk.")
    if mount.is_network:
        return bad(
            "state",
            f"The ledger lies on a share ({shown(mount.kind)}), where it can be damaged.",
            "Set a local folder in studio.yaml, for example `state: /var/lib/printqueue/studio`.",
        )
    if mount.is_lost_at_restart:
        return warn(
            "state",
            f"The ledger lies in memory ({mount.kind}): a restart loses it.",
            "Set a folder on a disk in studio.yaml, for example `state: /var/lib/printqueue/studio`.",
        )
    return fine("state", f"The ledger lies on a local disk ({mount.kind}).")


def space(visit: Visit) -> Iterator[Result]:
    """Free space where prints are made, and where pictures are copied to while they are judged."""
    for name, path in (("space", visit.known.root), ("space-state", _standing(visit.known.state))):
        seen = os.statvfs(path)
        yield space_result(name, seen.f_bavail * seen.f_frsize / 1e9)


def space_result(name: str, free_gb: float) -> Result:
    """Pure: gigabytes left. A 50 MP print takes about 0.3 GB before compression."""
    said = f"{free_gb:.1f} GB are free."
    if free_gb < _LEAST_GB:
        return bad(name, f"{said} That is too little for one large print.", "Free some space.")
    if free_gb < _PLENTY_GB:
        return warn(name, said, "Free some space before it runs out; the service waits when it does.")
    return fine(name, said)
