"""Stamps for tests that need no file."""

from __future__ import annotations

from printqueue.core.model.seen import Stamp


def stamp(inode: int, size: int, mtime_ns: int) -> Stamp:
    """A file as it was seen once."""
    return Stamp(0, inode, size, mtime_ns, 0)
