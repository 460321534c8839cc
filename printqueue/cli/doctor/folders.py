"""A studio's marker, its folders and their permissions."""

from __future__ import annotations

import os
import pwd
import re
import stat
from collections.abc import Callable, Iterator, Mapping
from contextlib import suppress
from typing import TypeVar

from printqueue.cli.doctor.result import Result, Visit, bad, fine, warn
from printqueue.core.disk import durable
from printqueue.core.disk.folders import standing
from printqueue.core.errors import StudioError, WorldError
from printqueue.core.text import shown
from printqueue.service.state_folder import require_own_state
from printqueue.studio.folders import PUBLIC_FOLDERS, Studio
from printqueue.studio.marker import MARKER

_READ = ("rules", "profiles")
_WRITTEN = ("print", "review", "masters")
_WRITTEN_LATER = ("strips", "comparisons", "daybook")  # the service works without these
_MAX_NAMED = 10
_T = TypeVar("_T")


def marker(visit: Visit) -> Iterator[Result]:
    """Whether the folder is a studio at all."""
    private = os.path.join(visit.root, ".printqueue")
    if visit.no_studio is None:
        yield fine(f"{shown(os.path.abspath(visit.root))} carries its marker.")
    elif os.path.isdir(private) and not os.access(private, os.X_OK):
        owner = _user_name(os.stat(private).st_uid)
        said = f"{shown(os.path.abspath(visit.root))} is the studio of {owner}, who alone can look into its ledger."
        yield bad(said, f"Ask as that user: sudo -u {owner} printqueue -C STUDIO doctor.")
    else:
        said = f"{visit.no_studio.says} Folders, papers, ledger and service were not looked at."
        yield bad(said, visit.no_studio.do)


def user(visit: Visit) -> Iterator[Result]:
    """Answers hold only for the user who asks, ideally the one the service runs as."""
    private = standing(visit.known.state)  # created when the service first starts
    seen = os.stat(private)
    yield user_result(os.geteuid(), seen.st_uid, seen.st_mode, private)


def user_result(asking: int, owner: int, mode: int, private: str) -> Result:
    """Pure: the user ids of the one asking and of the owner of the folder `private`, and its mode."""
    if asking != owner:
        return warn(
            f"Asked as {_user_name(asking)}, but the studio's private folder belongs to {_user_name(owner)}: "
            "what is said here of rights may not hold for the service.",
            f"Ask as that user: sudo -u {_user_name(owner)} printqueue -C STUDIO doctor.",
        )
    if mode & 0o022:
        return bad(f"Others can write into the private folder {shown(private)}.", "Take that from them: chmod go-w")
    return fine(f"Asked as {_user_name(asking)}, who owns the studio's private folder.")


def _user_name(number: int) -> str:
    try:
        return pwd.getpwuid(number).pw_name
    except KeyError:
        return f"user {number}"


def rights(visit: Visit) -> Iterator[Result]:
    """Whether each folder exists and can be used. Nothing is ever written into ready/, not even as a test."""
    found = [*_unusable(visit.known), *_irregular(visit.known)]
    yield from found or [fine("All are there, readable, and writable where they must be (tried).")]
    yield from _twins(visit.known)
    yield from sharing(visit)


def _unusable(studio: Studio) -> Iterator[Result]:
    plain = [name for name in ("ready", *_WRITTEN) if not os.path.islink(studio.path(name))]
    for name in _READ:
        yield from _lacking(name, studio.path(name), os.R_OK | os.X_OK)
    yield from _lacking("ready", studio.path("ready"), os.R_OK | os.W_OK | os.X_OK)
    for name in plain:
        if name != "ready":
            yield from _tried(name, studio.path(name))
    yield from _tried(shown(studio.config.state), standing(studio.state))
    for name in plain:
        if os.path.isdir(studio.path(name)):
            yield from _refused(studio.require_folder, name)
    yield from _refused(require_own_state, studio)


def _irregular(studio: Studio) -> Iterator[Result]:
    for name in _closed(studio.path("ready")):
        said = f"Pictures in {shown(name)}/ cannot be taken out of it by this user."
        yield warn(said, "Let its group write: chmod g+rwx")
    for name in _WRITTEN_LATER:
        if not os.path.isdir(studio.path(name)):
            yield warn(f"{name}/ is missing; nothing is written there.", "Make it: printqueue init")
    for name in PUBLIC_FOLDERS:
        if os.path.islink(studio.path(name)):
            yield link_result(name, os.readlink(studio.path(name)))


def link_result(name: str, target: str) -> Result:
    """Pure: one of the studio's folders is a link."""
    return bad(
        f"{name}/ is a link to {shown(target)}, no folder: the service does not work through it.",
        "Put a true folder there; if there is no room, move the whole studio.",
    )


def _twins(studio: Studio) -> Iterator[Result]:
    """Whether the file system is case-sensitive: look the marker up in capitals."""
    private = os.path.join(studio.root, ".printqueue")
    if os.path.lexists(os.path.join(private, MARKER.upper())):
        said = "Upper and lower case are one to this file system: of two names that differ in nothing else, the second gets a number."
        yield fine(said, name="names")


def sharing(visit: Visit) -> Iterator[Result]:
    """Whether everyone who shares the studio can read what we make, and nobody else can write."""
    seen = {name: os.stat(visit.known.path(name)) for name in PUBLIC_FOLDERS if os.path.isdir(visit.known.path(name))}
    modes = {name: found.st_mode for name, found in seen.items()}
    yield from open_results(modes)
    yield from group_results({name: modes[name] for name in _WRITTEN if name in modes}, _umask())
    ready = seen.get("ready")
    if ready is not None and ready.st_mode & stat.S_ISVTX and os.geteuid() not in (0, ready.st_uid):
        yield bad(
            "ready/ is sticky: only their owners may take files out of it, so pictures of others cannot be moved away.",
            "Take that off: chmod -t ready",
            name="sharing",
        )


def open_results(modes: Mapping[str, int]) -> Iterator[Result]:
    """Pure: folders anyone on this machine may write into, judging by their modes."""
    names = [name for name, mode in modes.items() if mode & stat.S_IWOTH]
    if names:
        said = f"Everybody on this machine may write into {', '.join(f'{name}/' for name in names)}."
        yield warn(said, f"Leave it to a group: chmod o-w {' '.join(names)}", name="sharing")


def group_results(modes: Mapping[str, int], umask: int | None) -> Iterator[Result]:
    """Pure: a group-writable folder is shared, so its files must belong to the group and be readable to it.
    `umask` is the asking user's, None if unknown.
    """
    shared = [name for name, mode in modes.items() if mode & stat.S_IWGRP]
    lone = [name for name in shared if not modes[name] & stat.S_ISGID]
    if lone:
        yield warn(
            f"A group shares {', '.join(f'{name}/' for name in lone)}, but what is made there is not given to that group.",
            f"Set the group bit: chmod g+s {' '.join(lone)}",
            name="sharing",
        )
    if shared and umask is not None and umask & stat.S_IRGRP:
        yield warn(
            f"A group shares {', '.join(f'{name}/' for name in shared)}, but cannot read what this user makes (umask {umask:04o}).",
            "Use umask 0027 or 0007; under systemd write UMask=0007 into the unit.",
            name="sharing",
        )


def _umask() -> int | None:
    """This process's umask, read without setting it (proc(5)); None if unavailable."""
    try:
        with open("/proc/self/status", encoding="utf-8", errors="replace") as stream:
            found = re.search(r"^Umask:\s*([0-7]+)", stream.read(), re.MULTILINE)
    except OSError:
        return None
    return int(found[1], 8) if found else None


def _closed(ready: str) -> list[str]:
    """The first few folders inside ready/ that pictures cannot be moved out of."""
    found = []
    for folder, names, _ in os.walk(ready):
        inside = (os.path.join(folder, name) for name in names)
        found += [path for path in inside if not os.access(path, os.R_OK | os.W_OK | os.X_OK)]
        if len(found) >= _MAX_NAMED:
            break
    return [os.path.relpath(path, os.path.dirname(ready)) for path in found[:_MAX_NAMED]]


def _missing(name: str, path: str) -> Result:
    return bad(
        f"{name}/ is missing: {shown(path, limit=300)}.",
        "Mount it or put it back; if you took it away for good: printqueue init",
    )


def _refused(require: Callable[[_T], object], what: _T) -> Iterator[Result]:
    """Report if `require` refuses: a folder without its mark (an empty mount point), or somebody else's `state:`."""
    try:
        require(what)
    except (StudioError, WorldError) as error:
        yield bad(error.says, error.do)


def _lacking(name: str, path: str, wanted: int) -> Iterator[Result]:
    if not os.path.isdir(path):
        yield _missing(name, path)
    elif not os.access(path, wanted):
        words = "read and written" if wanted & os.W_OK else "read"
        yield bad(f"{name}/ cannot be {words} by this user.", "Check its owner and mode.")


def _tried(name: str, path: str) -> Iterator[Result]:
    """Try what publication needs on a hidden file of our own: write, rename without replacing, remove."""
    if not os.path.isdir(path):
        yield _missing(name, path)
        return
    stem = os.path.join(path, f"{durable.TEMP_PREFIX}doctor-{os.getpid()}")
    try:
        durable.write_temp(stem + ".a", b"printqueue doctor\n")
        durable.rename_no_clobber(stem + ".a", stem + ".b")
        durable.remove(stem + ".b")
    except OSError as error:
        yield bad(
            f"{name}/ cannot be used: writing, renaming or removing a file there failed ({error.strerror}).",
            "Check owner and mode; under systemd the folder must stand in ReadWritePaths=. "
            "Some file systems (FAT, some shares) cannot rename safely: use another.",
        )
    finally:
        for ending in (".a", ".b"):
            with suppress(OSError):  # if it could not be written, it cannot be removed either
                durable.remove(stem + ending)
