"""The order that goes with one picture at this moment: what a full look at its folder would say."""

from __future__ import annotations

import os
import stat

from printqueue.core.disk.folders import scan_folder
from printqueue.core.model.seen import Stamp
from printqueue.core.model.why import Reason, Why
from printqueue.studio import passing
from printqueue.studio.orders import pairing
from printqueue.studio.orders.misnamed import is_misnamed


def order_now(ready: str, path: str) -> tuple[str | None, Stamp | None, Reason | None]:
    """Order, its stamp and why it is held, of one picture, at this moment: what a full look would say of it.

    Files whose names have nothing to do with orders are not looked at, only counted as pictures. Raises `OSError`.
    """
    folder, slash, picture = path.rpartition("/")
    stamps, unusable, others = dict[str, Stamp](), dict[str, Why](), list[str]()
    with scan_folder(os.path.join(ready, folder)) as listing:
        for entry in listing:
            if not pairing.concerns(entry.name):
                others.append(entry.name)
            elif not passing.hidden(entry.name):
                _look_at_order(entry, stamps, unusable)
    if not stamps and not unusable:
        return None, None, None
    pictures = (name for name in others if not passing.hidden(name) and not passing.file_reason(name, stat.S_IFREG, 1))
    pairs = pairing.paired([picture, *pictures, *stamps], unusable)
    order = pairs.orders.get(picture)
    return (None, None, pairs.held.get(picture)) if order is None else (folder + slash + order, stamps[order], None)


def _look_at_order(entry: os.DirEntry[str], stamps: dict[str, Stamp], unusable: dict[str, Why]) -> None:
    """As `Sweeper` takes it: an order that can be read, or one that cannot."""
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
