"""One full look at ready/. It needs no event, and no event is trusted without it."""

from __future__ import annotations

import operator
import os
import stat
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field

from printqueue.core.disk.folders import scan_folder
from printqueue.core.model.seen import Seen, Stamp
from printqueue.core.model.why import Reason, Why
from printqueue.studio import passing
from printqueue.studio.orders import pairing
from printqueue.studio.orders.names import FOLDER_ORDERS, is_meant_as_order, is_misnamed

MAX_DEPTH = 12  # folders below ready/


@dataclass(slots=True)
class Sweep:
    """What one scan found."""

    pictures: list[Seen] = field(default_factory=list)  # a `Sweeper` returns the same list object while nothing changes
    passed_over: list[tuple[str, Reason]] = field(default_factory=list)
    lone_orders: list[str] = field(default_factory=list)
    companions: list[str] = field(default_factory=list)  # named like the notes and proof pictures beside our prints
    dark: list[str] = field(default_factory=list)  # could not be read; pictures in there are not gone

    def is_dark(self, path: str) -> bool:
        """Whether `path` or a folder above it could not be read."""
        return any(path == one or path.startswith(one + "/") for one in self.dark)


@dataclass(slots=True)
class _Folder:
    """One folder at the last look."""

    stamps: dict[str, Stamp] = field(default_factory=dict)
    unusable: dict[str, Why] = field(default_factory=dict)  # meant as an order but cannot be one → why
    pictures: list[Seen] = field(default_factory=list)
    lone_orders: list[str] = field(default_factory=list)


class Sweeper:
    """Scans `ready` repeatedly. Whatever has not changed comes back as the same objects, so that thousands of idle
    files cost little more than their stat calls.
    """

    def __init__(self, ready: str) -> None:
        self._ready = ready
        self._folders: dict[str, _Folder] = {}
        self._pictures: list[Seen] = []

    def sweep(self) -> Sweep:
        """Take a full look. A folder that cannot be read is passed over; for ready/ itself, raises `OSError`."""
        found, before = Sweep(), self._folders
        self._folders = {}
        try:
            self._look("", before, found)
        except OSError:
            self._folders = before
            raise
        found.passed_over.sort(key=operator.itemgetter(0))
        if self._folders.keys() == before.keys() and all(self._folders[name] is before[name] for name in before):
            found.pictures = self._pictures
        else:
            found.pictures.sort(key=lambda seen: seen.path)
            self._pictures = found.pictures
        return found

    def _look(self, inside: str, before: dict[str, _Folder], found: Sweep) -> None:
        """`inside` is empty or ends with a slash."""
        last = before.get(inside) or _Folder()
        folders, stamps, unusable = self._entries(inside, last.stamps, found)
        unchanged = _same(stamps, last.stamps) and unusable == last.unusable
        now = last if unchanged else _paired(inside, stamps, unusable, last)
        self._folders[inside] = now
        found.pictures += now.pictures
        found.lone_orders += now.lone_orders
        for name in sorted(folders):
            self._descend(inside + name, before, found)

    def _entries(
        self, inside: str, last: dict[str, Stamp], found: Sweep
    ) -> tuple[list[str], dict[str, Stamp], dict[str, Why]]:
        """Folders, candidate files with their stamps (the old object if unchanged), and unusable orders."""
        folders, stamps, unusable = list[str](), dict[str, Stamp](), dict[str, Why]()
        with scan_folder(os.path.join(self._ready, inside).rstrip("/")) as listing:
            for entry in listing:
                name = entry.name
                known = last.get(name)
                if known is None and passing.hidden(name):
                    if passing.companion_of(name) is not None:
                        found.companions.append(inside + name)
                    continue
                try:
                    seen = entry.stat(follow_symlinks=False)
                except FileNotFoundError:  # gone between listing and stat
                    continue
                except OSError as error:
                    found.dark.append(inside + name)
                    found.passed_over.append((inside + name, Reason(Why.UNREADABLE, said=str(error.strerror))))
                    _note_unusable(name, Why.ORDER_UNREADABLE, unusable)
                    continue
                if known is not None and _unchanged(known, seen):
                    stamps[name] = known
                elif stat.S_ISDIR(seen.st_mode):
                    folders.append(name)
                    _note_unusable(name, passing.order_reason(name, seen.st_mode, seen.st_size), unusable)
                elif (why := passing.file_reason(name, seen.st_mode, seen.st_size)) is not None:
                    found.passed_over.append((inside + name, Reason(why)))
                    _note_unusable(name, passing.order_reason(name, seen.st_mode, seen.st_size), unusable)
                elif is_misnamed(name):
                    found.passed_over.append((inside + name, Reason(Why.MISNAMED_ORDER)))
                    unusable[name] = Why.ORDER_MISNAMED
                else:
                    stamps[name] = Stamp.of(seen)
        return folders, stamps, unusable

    def _descend(self, path: str, before: dict[str, _Folder], found: Sweep) -> None:
        if (why := passing.folder_reason(path.rpartition("/")[2])) is not None:
            found.passed_over.append((path, Reason(why)))
        elif path.count("/") >= MAX_DEPTH:
            found.passed_over.append((path, Reason(Why.TOO_DEEP, (MAX_DEPTH,))))
        else:
            try:
                self._look(path + "/", before, found)
            except FileNotFoundError:
                return
            except OSError as error:
                found.dark.append(path)
                found.passed_over.append((path, Reason(Why.UNREADABLE_FOLDER, said=str(error.strerror))))


def sweep(ready: str) -> Sweep:
    """Look once, without memory."""
    return Sweeper(ready).sweep()


def _unchanged(known: Stamp, seen: os.stat_result) -> bool:
    return (
        known.ctime_ns == seen.st_ctime_ns
        and known.inode == seen.st_ino
        and known.size == seen.st_size
        and known.mtime_ns == seen.st_mtime_ns
        and known.device == seen.st_dev
    )


def _same(stamps: dict[str, Stamp], last: dict[str, Stamp]) -> bool:
    return len(stamps) == len(last) and all(map(operator.is_, stamps.values(), map(last.get, stamps)))


def _note_unusable(name: str, why: Why, unusable: dict[str, Why]) -> None:
    if is_meant_as_order(name):
        unusable[name] = why


def _paired(inside: str, stamps: dict[str, Stamp], unusable: dict[str, Why], last: _Folder) -> _Folder:
    """The folder as it is now; unchanged pictures keep their objects."""
    known = {picture.path: picture for picture in last.pictures}
    pairs = pairing.paired(stamps, unusable)
    now = _Folder(stamps, unusable, lone_orders=[inside + name for name in pairs.lone])
    for picture in _pictures(inside, stamps, pairs):
        before = known.get(picture.path)
        now.pictures.append(before if before == picture and before is not None else picture)
    return now


def _pictures(inside: str, stamps: dict[str, Stamp], pairs: pairing.Pairs) -> Iterator[Seen]:
    """The pictures of one folder, each with its order or with the reason why it is held."""
    users = Counter(pairs.orders.values())
    for name, order in pairs.orders.items():
        if order is None:
            yield Seen(inside + name, stamps[name], held=pairs.held.get(name))
        else:
            own = order not in FOLDER_ORDERS and users[order] == 1
            yield Seen(inside + name, stamps[name], inside + order, stamps[order], own)
