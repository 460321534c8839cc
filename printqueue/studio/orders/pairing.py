"""Pairs the pictures and orders of one folder by name.

A picture is printed with exactly one order or none. If that is not certain (two orders, or one that cannot be read
as one), the picture is held: a print without its intended order is a wasted sheet.
"""

from __future__ import annotations

import os
import stat
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field

from printqueue.core.disk.folders import scan_folder
from printqueue.core.model.seen import Stamp
from printqueue.core.model.why import Reason, Why
from printqueue.studio import passing
from printqueue.studio.orders.names import (
    FOLDER_ORDERS,
    SUFFIXES,
    candidates,
    canonical,
    is_backup,
    is_meant_as_order,
    is_misnamed,
    is_order,
    nearly,
    target,
)

_FULL, _STEM, _NEAR, _FOLDER = range(4)  # how closely an order's name matches its picture's


@dataclass(slots=True)
class Pairs:
    """`orders`: picture → its order or None; `held`: picture → why it must wait; `lone`: orders without a picture."""

    orders: dict[str, str | None] = field(default_factory=dict)
    held: dict[str, Reason] = field(default_factory=dict)
    lone: list[str] = field(default_factory=list)


def paired(names: Iterable[str], unusable: Mapping[str, Why]) -> Pairs:
    """Pure. `names`: all pictures and orders; `unusable`: a file meant as an order → why it cannot be one."""
    files = set(names)
    orders = {name for name in files if is_order(name)}
    pictures = files - orders
    if not orders and not unusable:
        return Pairs(dict.fromkeys(pictures))
    standing = {picture: _standing(picture, orders) for picture in pictures}
    exact = {name for ranks in standing.values() for rank in ranks for name in rank}
    doubtful = {**unusable, **{name: Why.ORDER_NEARLY for name in orders - exact if name not in FOLDER_ORDERS}}
    _add_doubtful(standing, doubtful)
    return _settled(standing, orders, doubtful)


def _standing(picture: str, orders: Collection[str]) -> list[list[str]]:
    full, stem, folder = ([one for one in rank if one in orders] for rank in candidates(picture))
    return [full, stem, [], folder]


def _add_doubtful(standing: dict[str, list[list[str]]], doubtful: Iterable[str]) -> None:
    """Add each name to the pictures whose names are nearest."""
    by_key: dict[str, list[tuple[str, int]]] = {}
    for picture in standing:
        by_key.setdefault(canonical(picture), []).append((picture, _FULL))
        if stem := picture.rpartition(".")[0]:
            by_key.setdefault(canonical(stem), []).append((picture, _STEM))
    for name in sorted(doubtful):
        key = target(name)
        if key == "":
            for ranks in standing.values():
                ranks[_FOLDER].append(name)
            continue
        for number, one in enumerate((key, *nearly(key)) if key is not None else ()):
            if found := by_key.get(one):
                for picture, rank in found:
                    standing[picture][_NEAR if number or is_backup(name) else rank].append(name)
                break


def _settled(standing: Mapping[str, list[list[str]]], orders: Collection[str], doubtful: Mapping[str, Why]) -> Pairs:
    pairs, taken = Pairs(), set[str]()
    for picture, ranks in standing.items():
        strongest = next((rank for rank in ranks if rank), [])
        if len(strongest) == 1 and strongest[0] not in doubtful:
            pairs.orders[picture] = strongest[0]
            taken.add(strongest[0])
            continue
        pairs.orders[picture] = None
        if strongest:
            pairs.held[picture] = _why_held(picture, strongest, doubtful, in_folder=ranks[_FOLDER] is strongest)
            taken.update(name for name in strongest if name not in doubtful)
    pairs.lone = sorted(name for name in orders if name not in taken and name not in FOLDER_ORDERS)
    return pairs


def _why_held(picture: str, orders: list[str], doubtful: Mapping[str, Why], *, in_folder: bool) -> Reason:
    if len(orders) > 1:
        return Reason(Why.SEVERAL_ORDERS, tuple(orders))
    right = FOLDER_ORDERS[0] if in_folder else (picture.rpartition(".")[0] or picture) + SUFFIXES[0]
    return Reason(doubtful[orders[0]], (orders[0], right))


def order_now(ready: str, path: str) -> tuple[str | None, Stamp | None, Reason | None]:
    """One picture's order, its stamp and why the picture is held, as of now: what a full scan would find.

    Files whose names have nothing to do with orders count as pictures without a closer look. Raises `OSError`.
    """
    folder, slash, picture = path.rpartition("/")
    stamps, unusable, others = dict[str, Stamp](), dict[str, Why](), list[str]()
    with scan_folder(os.path.join(ready, folder)) as listing:
        for entry in listing:
            if not is_meant_as_order(entry.name):
                others.append(entry.name)
            elif not passing.hidden(entry.name):
                _look_at_order(entry, stamps, unusable)
    if not stamps and not unusable:
        return None, None, None
    pictures = (name for name in others if not passing.hidden(name) and not passing.file_reason(name, stat.S_IFREG, 1))
    pairs = paired([picture, *pictures, *stamps], unusable)
    order = pairs.orders.get(picture)
    return (None, None, pairs.held.get(picture)) if order is None else (folder + slash + order, stamps[order], None)


def _look_at_order(entry: os.DirEntry[str], stamps: dict[str, Stamp], unusable: dict[str, Why]) -> None:
    """Classify it as `Sweeper` does: an order that can be read, or one that cannot."""
    try:
        seen = entry.stat(follow_symlinks=False)
    except FileNotFoundError:
        return
    mode, size = seen.st_mode, seen.st_size
    if stat.S_ISDIR(mode) or passing.file_reason(entry.name, mode, size) is not None:
        unusable[entry.name] = passing.order_reason(entry.name, mode, size)
    elif is_misnamed(entry.name):
        unusable[entry.name] = Why.ORDER_MISNAMED
    else:
        stamps[entry.name] = Stamp.of(seen)
