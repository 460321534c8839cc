"""Checks, before work begins, that the disks have room for the copy and the prints, plus a reserve that stays free.

The service also survives a disk that fills up midway, at the cost of a render. The reserve is for the record, the notes
and the masters.
"""

from __future__ import annotations

import os

from printqueue.core.errors import WorldError
from printqueue.core.text import shown

RESERVE_BYTES = 512_000_000
RESERVE_SHARE = 0.02  # of the file system's size, if that is less


def require(wanted: dict[str, int]) -> None:
    """`wanted`: folder → bytes to be written there. Raises `WorldError` if a file system lacks the room."""
    needs: dict[int, tuple[str, int]] = {}
    for folder, size in wanted.items():
        device = os.stat(folder).st_dev
        first, sum_so_far = needs.get(device, (folder, 0))
        needs[device] = first, sum_so_far + size
    for folder, size in needs.values():
        free, reserve = _free(folder)
        if free < size + reserve:
            raise WorldError(
                f"The disk of {shown(folder)} has {free / 1e6:.0f} MB free; this picture needs {size / 1e6:.0f} MB, and "
                f"{reserve / 1e6:.0f} MB stay free for the record. Nothing was begun.",
                do="Free some space; the work goes on by itself.",
            )


def _free(folder: str) -> tuple[int, int]:
    """Bytes available to us, and the reserve on that file system."""
    found = os.statvfs(folder)
    return found.f_bavail * found.f_frsize, int(min(RESERVE_BYTES, RESERVE_SHARE * found.f_blocks * found.f_frsize))
