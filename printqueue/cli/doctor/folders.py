"""Marker, settings, folders and rights of a studio."""

from __future__ import annotations

import os
import pwd
import re
import stat
from collections.abc import Iterator, Mapping
from contextlib import suppress

from printqueue.cli.doctor.result import Result, Visit, bad, fine, warn
from printqueue.core.disk import durable
from printqueue.core.disk.folders import standing
from printqueue.core.errors import StudioError, WorldError
from printqueue.core.nearest import suggestion
from printqueue.core.text import shown
from printqueue.service.state_folder import require_own_state
from printqueue.studio.folders import PUBLIC_FOLDERS, Studio
from printqueue.studio.marker import MARKER

_READ = ("rules", "profiles")
_WRITTEN = ("print", "review", "masters")
_WRITTEN_LATER = ("strips", "comparisons", "daybook")  # nothing stops where one of these is missing
_MOST_NAMED = 10


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
    else:
        yield fine("studio.yaml", "The settings can be read.")


def user(visit: Visit) -> Iterator[Result]:
    """The answers of `doctor` hold for whoever asks: best the user that the service runs as."""
    private = standing(visit.known.state)  # the service makes it at its first start
    seen = os.stat(private)
    yield user_result(os.geteuid(), seen.st_uid, seen.st_mode, private)


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
    lacking += [_untried(name, place.path(name)) for name in _WRITTEN if not os.path.islink(place.path(name))]
    lacking.append(_untried(shown(place.config.state), standing(place.state)))
    lacking += [_unmarked(place, name) for name in ("ready", *_WRITTEN)]
    lacking.append(_others_state(place))
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
        warn("folders", f"{name}/ is missing; nothing is written there.", "Make it: printqueue init")
        for name in _WRITTEN_LATER
        if not os.path.isdir(place.path(name))
    ]
    links = [name for name in PUBLIC_FOLDERS if os.path.islink(place.path(name))]
    found += [link_result(name, os.readlink(place.path(name))) for name in links]
    yield from found or [fine("folders", "All are there, readable, and writable where they must be (tried).")]
    yield from _twins(place)
    yield from sharing(visit)


def link_result(name: str, target: str) -> Result:
    """Pure: a link among the studio's folders."""
    return bad(
        "folders",
        f"{name}/ is a link to {shown(target)}, no folder: the service does not work through it.",
        "Put a true folder there; if there is no room, move the whole studio.",
    )


def _twins(place: Studio) -> Iterator[Result]:
    """Whether upper and lower case are told apart where prints are made: looked for by the marker's other name."""
    private = os.path.join(place.root, ".printqueue")
    if os.path.lexists(os.path.join(private, MARKER.upper())):
        said = "Upper and lower case are one to this file system: of two names that differ in nothing else, the second gets a number."
        yield fine("names", said)


def sharing(visit: Visit) -> Iterator[Result]:
    """Whether those who share the studio can read what is made, and nobody else can write."""
    seen = {name: os.stat(visit.known.path(name)) for name in PUBLIC_FOLDERS if os.path.isdir(visit.known.path(name))}
    modes = {name: found.st_mode for name, found in seen.items()}
    yield from open_results(modes)
    yield from group_results({name: modes[name] for name in _WRITTEN if name in modes}, _umask())
    ready = seen.get("ready")
    if ready is not None and ready.st_mode & stat.S_ISVTX and os.geteuid() not in (0, ready.st_uid):
        yield bad(
            "sharing",
            "ready/ is sticky: only their owners may take files out of it, so pictures of others cannot be moved away.",
            "Take that off: chmod -t ready",
        )


def open_results(modes: Mapping[str, int]) -> Iterator[Result]:
    """Pure: folders that everybody on this machine may write into, by their modes."""
    names = [name for name, mode in modes.items() if mode & stat.S_IWOTH]
    if names:
        said = f"Everybody on this machine may write into {', '.join(f'{name}/' for name in names)}."
        yield warn("sharing", said, f"Leave it to a group: chmod o-w {' '.join(names)}")


def group_results(modes: Mapping[str, int], umask: int | None) -> Iterator[Result]:
    """Pure: a folder that a group may write into is shared; then its files must be the group's, and readable for it.
    `umask` is that of who asks, None where it is not known.
    """
    shared = [name for name, mode in modes.items() if mode & stat.S_IWGRP]
    lone = [name for name in shared if not modes[name] & stat.S_ISGID]
    if lone:
        yield warn(
            "sharing",
            f"A group shares {', '.join(f'{name}/' for name in lone)}, but what is made there is not given to that group.",
            f"Set the group bit: chmod g+s {' '.join(lone)}",
        )
    if shared and umask is not None and umask & stat.S_IRGRP:
        yield warn(
            "sharing",
            f"A group shares {', '.join(f'{name}/' for name in shared)}, but cannot read what this user makes (umask {umask:04o}).",
            "Use umask 0027 or 0007; under systemd write UMask=0007 into the unit.",
        )


def _umask() -> int | None:
    """Of this process, without setting it (proc(5)); None where it is not told."""
    try:
        with open("/proc/self/status", encoding="utf-8", errors="replace") as stream:
            found = re.search(r"^Umask:\s*([0-7]+)", stream.read(), re.MULTILINE)
    except OSError:
        return None
    return int(found[1], 8) if found else None


def _closed(ready: str) -> list[str]:
    """Folders inside ready/ that pictures cannot be moved out of; a few are enough."""
    found = []
    for folder, names, _ in os.walk(ready):
        inside = (os.path.join(folder, name) for name in names)
        found += [path for path in inside if not os.access(path, os.R_OK | os.W_OK | os.X_OK)]
        if len(found) >= _MOST_NAMED:
            break
    return [os.path.relpath(path, os.path.dirname(ready)) for path in found[:_MOST_NAMED]]


def _missing(name: str, path: str) -> Result:
    return bad(
        "folders",
        f"{name}/ is missing: {shown(path, limit=300)}.",
        "Mount it or put it back; if you took it away for good: printqueue init",
    )


def _unmarked(place: Studio, name: str) -> Result | None:
    """A folder that is there, and is not the studio's: what a mount point looks like while nothing is mounted."""
    if not os.path.isdir(place.path(name)) or os.path.islink(place.path(name)):
        return None  # said already
    try:
        place.require_folder(name)
    except WorldError as error:
        return bad("folders", error.says, error.do)
    return None


def _others_state(place: Studio) -> Result | None:
    """`state:` that leads into a folder of somebody else's."""
    try:
        require_own_state(place)
    except StudioError as error:
        return bad("folders", error.says, error.do)
    return None


def _lacking(name: str, path: str, wanted: int) -> Result | None:
    if not os.path.isdir(path):
        return _missing(name, path)
    if not os.access(path, wanted):
        words = "read and written" if wanted & os.W_OK else "read"
        return bad("folders", f"{name}/ cannot be {words} by this user.", "Check its owner and mode.")
    return None


def _untried(name: str, path: str) -> Result | None:
    """Write, rename without replacing, remove: what publication needs, with a hidden file of our own."""
    if not os.path.isdir(path):
        return _missing(name, path)
    stem = os.path.join(path, f"{durable.TEMP_PREFIX}doctor-{os.getpid()}")
    try:
        durable.write_temp(stem + ".a", b"printqueue doctor\n")
        durable.rename_no_clobber(stem + ".a", stem + ".b")
        durable.remove(stem + ".b")
    except OSError as error:
        return bad(
            "folders",
            f"{name}/ cannot be used: writing, renaming or removing a file there failed ({error.strerror}).",
            "Check owner and mode; under systemd the folder must stand in ReadWritePaths=. "
            "Some file systems (FAT, some shares) cannot rename safely: use another.",
        )
    finally:
        for ending in (".a", ".b"):
            with suppress(OSError):  # where nothing can be written, nothing can be removed either
                durable.remove(stem + ending)
    return None
