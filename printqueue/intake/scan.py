"""One full look at ready/. No event is needed for it, and none is trusted without it."""

from __future__ import annotations

import os
import stat
from collections import Counter
from dataclasses import dataclass, field

from printqueue.durable import Stamp
from printqueue.intake import passing
from printqueue.orders.names import FOLDER_ORDER, candidates, is_order

_DEEPEST = 12


@dataclass(frozen=True, slots=True)
class Seen:
    """A candidate picture with the order file that goes with it; paths are relative to ready/."""

    path: str
    stamp: Stamp
    order: str | None = None
    order_stamp: Stamp | None = None
    order_is_own: bool = False  # no other picture goes by it: it moves with this one

    @property
    def parts(self) -> tuple[str, ...]:
        """The path below ready/, split."""
        return tuple(self.path.split("/"))


@dataclass(slots=True)
class Sweep:
    """What one scan found."""

    pictures: list[Seen] = field(default_factory=list)
    passed_over: list[tuple[str, str]] = field(default_factory=list)  # path, why
    lone_orders: list[str] = field(default_factory=list)


def sweep(ready: str) -> Sweep:
    """Look through `ready`. A folder that cannot be read is passed over with why; raises `OSError` for ready/ itself."""
    found = Sweep()
    _folder(ready, (), found)
    found.pictures.sort(key=lambda seen: seen.path)
    found.passed_over.sort()
    return found


def _folder(ready: str, parts: tuple[str, ...], found: Sweep) -> None:
    with os.scandir(os.path.join(ready, *parts)) as listing:
        entries = sorted(listing, key=lambda entry: entry.name)
    files: dict[str, os.stat_result] = {}
    for entry in entries:
        if passing.hidden(entry.name):
            continue
        path = "/".join((*parts, entry.name))
        try:
            seen = entry.stat(follow_symlinks=False)
        except FileNotFoundError:  # gone between the listing and the look
            continue
        except OSError as error:
            found.passed_over.append((path, f"it cannot be looked at: {error.strerror}"))
            continue
        if stat.S_ISDIR(seen.st_mode):
            _descend(ready, (*parts, entry.name), found)
        elif (reason := passing.file_reason(entry.name, seen.st_mode, seen.st_size)) is not None:
            found.passed_over.append((path, reason))
        else:
            files[entry.name] = seen
    _pair(parts, files, found)


def _descend(ready: str, parts: tuple[str, ...], found: Sweep) -> None:
    reason = passing.folder_reason(parts[-1])
    if reason is None and len(parts) > _DEEPEST:
        reason = f"folders are looked into {_DEEPEST} deep"
    if reason is None:
        try:
            _folder(ready, parts, found)
        except FileNotFoundError:
            return
        except OSError as error:
            reason = f"the folder cannot be read: {error.strerror}"
    if reason is not None:
        found.passed_over.append(("/".join(parts), reason))


def _pair(parts: tuple[str, ...], files: dict[str, os.stat_result], found: Sweep) -> None:
    """Pictures of one folder, each with its strongest order file."""
    orders = {name for name in files if is_order(name)}
    strongest = {
        name: next((candidate for candidate in candidates(name) if candidate in orders), None)
        for name in files
        if name not in orders
    }
    users = Counter(strongest.values())
    for name, order in strongest.items():
        path, stamp = "/".join((*parts, name)), Stamp.of(files[name])
        if order is None:
            found.pictures.append(Seen(path, stamp))
        else:
            own = order != FOLDER_ORDER and users[order] == 1
            found.pictures.append(Seen(path, stamp, "/".join((*parts, order)), Stamp.of(files[order]), own))
    found.lone_orders += ["/".join((*parts, name)) for name in sorted(orders - users.keys()) if name != FOLDER_ORDER]
