"""Python, libraries, clock, kernel limits, and whether a reading process can start at all."""

from __future__ import annotations

import errno
import os
import re
from collections.abc import Callable, Iterator
from datetime import datetime
from importlib.metadata import PackageNotFoundError, requires, version
from itertools import islice

from PIL import features

from printqueue.cli.doctor.result import Result, Visit, bad, fine, warn
from printqueue.core.disk import filesystems
from printqueue.core.errors import OwnError
from printqueue.core.version import __version__
from printqueue.imaging.colour.manager import ENGINE, asks_the_engine_directly
from printqueue.sandbox import Walls
from printqueue.service.intake.watch import folders_inside, refusal

OLDEST_PYTHON, FIRST_UNTRIED = (3, 11), (3, 14)
EARLIEST_YEAR = 2025  # before this program was written
MAX_FOLDERS = 100_000  # counting stops here
_LIMITS = "/proc/sys/fs/inotify/"


def python_result(running: tuple[int, ...]) -> Result:
    """Pure: whether the program is tested with this interpreter version."""
    said = f"Python {'.'.join(map(str, running))}, printqueue {__version__}"
    if running[:2] < OLDEST_PYTHON:
        return bad(f"{said}: too old.", "Install printqueue into an environment with Python 3.11 to 3.13.")
    if running[:2] >= FIRST_UNTRIED:
        return warn(f"{said}: never tried together.", "Use Python 3.11 to 3.13.")
    return fine(said)


def libraries(_visit: Visit) -> Iterator[Result]:
    """Whether every library the package requires is installed, in its minimum version or newer."""
    try:
        needed = requires("printqueue") or []
    except PackageNotFoundError:
        needed = []
    yield libraries_result(needed, version)


def libraries_result(needed: list[str], installed: Callable[[str], str]) -> Result:
    """Pure: compare requirements (`NAME>=VERSION`, without extras) with what is installed."""
    said, wrong = [], []
    for name, lowest in lowest_versions(needed):
        try:
            found = installed(name)
        except PackageNotFoundError:
            wrong.append(f"{name} is missing")
            continue
        said.append(f"{name} {found}")
        if numbers(found) < numbers(lowest):
            wrong.append(f"{name} {found} is older than {lowest}")
    if wrong:
        return bad(f"{'; '.join(wrong)}.", "Install printqueue again into a fresh environment.")
    if not said:
        return warn("The package does not say what it needs: it was not installed by an installer.", "Install it.")
    return fine(", ".join(said))


def lowest_versions(needed: list[str]) -> list[tuple[str, str]]:
    """Names and minimum versions from requirement lines (PEP 508), without those for extras."""
    found = (re.match(r"([A-Za-z0-9._-]+)\s*>=\s*([0-9.]+)\s*$", line) for line in needed)
    return [(match[1], match[2]) for match in found if match]


def numbers(text: str) -> tuple[int, ...]:
    """The leading numbers of a version, trailing zeros dropped: enough to compare releases."""
    match = re.match(r"\d+(?:\.\d+)*", text)
    parts = [int(part) for part in match[0].split(".")] if match else []
    while parts and parts[-1] == 0:
        parts.pop()
    return tuple(parts)


def optional(_visit: Visit) -> Iterator[Result]:
    """Libraries that only make work faster; no print suffers without them."""
    yield engine_result(ENGINE, is_direct=asks_the_engine_directly())
    yield letters_result(features.version("freetype2"), has_complex_layout=features.check_feature("raqm") or False)


def engine_result(engine: str, *, is_direct: bool) -> Result:
    """Pure: by which interface the colour engine is called."""
    if is_direct:
        return fine(f"{engine}, asked through its C interface.", name="colour-engine")
    return warn(
        f"{engine}, asked anew for every band: its C interface cannot be seen. The colours are the same, a print takes longer.",
        "Install printqueue again into a fresh environment, so that imagecodecs comes as a wheel.",
        name="colour-engine",
    )


def letters_result(freetype: str | None, *, has_complex_layout: bool) -> Result:
    """Pure: what draws the letters. Complex layout is mentioned because people ask, not because it is used."""
    there = "is there" if has_complex_layout else "is not there (no libfribidi)"
    return fine(
        f"FreeType {freetype or 'of unknown version'}. Complex text layout {there}; it is not used.", name="letters"
    )


def clock_result(now: datetime) -> Result:
    """Pure: whether the date is plausible. Times go into notes and ledger; nothing else depends on them."""
    said = now.strftime("%Y-%m-%d %H:%M UTC")
    if now.year < EARLIEST_YEAR:
        return bad(f"The clock says {said}, which cannot be.", "Set the clock (timedatectl set-ntp true).")
    return fine(said)


def reading(visit: Visit) -> Iterator[Result]:
    """Start the process that reads pictures, as the service would: imports, limits, fork."""
    if visit.context is None:
        yield bad(
            "The process that reads pictures does not start.",
            "The lines on stderr say why; most often a library is damaged: install printqueue again.",
        )
        return
    try:
        with visit.context.child():
            yield fine("The process that reads pictures starts and can be bounded.")
    except OwnError as error:
        yield bad(error.says, error.do or "Run `printqueue doctor` again; if it stays, restart the machine.")


def confinement(visit: Visit) -> Iterator[Result]:
    """What confines the process that reads pictures, as reported by one that has not read anything yet."""
    if visit.context is None:
        return  # reported by `reading`
    with visit.context.child() as child:
        yield confinement_result(child.walls())


def confinement_result(walls: Walls) -> Result:
    """Pure: what a picture could still reach if it took over its reading process."""
    do = "Use a Linux kernel from 5.13 on with Landlock switched on (`landlock` in the list of its boot option `lsm=`)."
    if not walls.filtered and not walls.landlock:
        return warn(
            "The process that reads pictures is not shut in: a malicious picture could reach every file of this user.",
            f"{do} Or run the service under its systemd unit.",
        )
    if not walls.filtered:
        return warn(
            f"The process that reads pictures can open no file (Landlock {walls.landlock}), but this kernel or machine has no "
            "filter for its system calls: it could still send to the network and start processes.",
            "Use a Linux kernel with seccomp on x86_64 or aarch64, or run the service under its systemd unit.",
        )
    if not walls.landlock:
        return warn(
            "The process that reads pictures reaches no file, network or process: its system calls are filtered. A second "
            "wall is missing, this kernel has no Landlock.",
            do,
        )
    return fine(
        "The process that reads pictures reaches no file, network or process of its own accord "
        f"(Landlock {walls.landlock}, and its system calls are filtered)."
    )


def events(visit: Visit) -> Iterator[Result]:
    """File events wake the scan: they take one watch per folder below ready/ and one instance per service."""
    ready = visit.known.path("ready")
    if visit.known.config.watch == "poll":
        yield fine("Not wanted: studio.yaml says `watch: poll`.")
    elif filesystems.of(ready).is_network:
        yield fine("Not used: ready/ lies on a share.")
    else:
        yield watches_result(count_folders(ready), _limit("max_user_watches"))
        yield listener_result(refusal(ready), _limit("max_user_instances"))


def count_folders(top: str) -> int:
    """How many folders the service watches, `top` included; counting stops at `MAX_FOLDERS`."""
    return 1 + sum(1 for _ in islice(folders_inside(top), MAX_FOLDERS - 1))


def watches_result(folders: int, allowed: int | None) -> Result:
    """Pure: whether every folder can be watched. All of a user's programs share the limit."""
    if allowed is None:
        return warn("The kernel offers no file events here; ready/ is looked through on the clock.", "")
    said = f"{folders} folders to watch, {allowed} watches allowed (fs.inotify.max_user_watches)"
    if folders > 0.5 * allowed:
        return warn(
            f"{said}: tight. When they run out the disk is not full, whatever the message says; the scan goes on.",
            "Raise it in /etc/sysctl.d/: fs.inotify.max_user_watches = 524288.",
        )
    return fine(f"{said}.")


def listener_result(code: int, allowed: int | None) -> Result:
    """Pure: `code` is the errno of a fresh attempt to listen to ready/, 0 for success."""
    said = f"{allowed} instances allowed (fs.inotify.max_user_instances)"
    if code == 0:
        return fine(f"One more listener is possible, {said}.")
    if code == errno.EMFILE:
        return warn(
            f"All listeners of this user are taken: {said}. The service then looks on the clock alone.",
            "End programs that watch folders, or raise it in /etc/sysctl.d/: fs.inotify.max_user_instances = 1024.",
        )
    if code == errno.ENOSPC:
        return warn(
            "All watches of this user are taken (the disk is not full). The service then looks on the clock alone.",
            "End programs that watch folders, or raise it in /etc/sysctl.d/: fs.inotify.max_user_watches = 524288.",
        )
    return warn(f"No listener to be had: {os.strerror(code)}.", "The service looks on the clock alone.")


def _limit(name: str) -> int | None:
    try:
        with open(_LIMITS + name, encoding="ascii") as stream:
            return int(stream.read())
    except (OSError, ValueError):
        return None
