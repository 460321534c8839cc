"""Files in ready/ as a scan finds them, told apart by what stat says."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import os

    from printqueue.core.model.why import Reason


@dataclass(frozen=True, slots=True)
class Stamp:
    """Tells one state of a file from another without reading it."""

    device: int
    inode: int
    size: int
    mtime_ns: int
    ctime_ns: int

    @classmethod
    def of(cls, seen: os.stat_result) -> Stamp:
        """The stamp of a stat result."""
        return cls(seen.st_dev, seen.st_ino, seen.st_size, seen.st_mtime_ns, seen.st_ctime_ns)

    def same_file(self, other: Stamp) -> bool:
        """Same bytes as far as stat can tell; a rename changes ctime, a reboot may change the device."""
        return (self.inode, self.size, self.mtime_ns) == (other.inode, other.size, other.mtime_ns)


@dataclass(frozen=True, slots=True)
class Seen:
    """A candidate picture with the order file that goes with it; paths are relative to ready/."""

    path: str
    stamp: Stamp
    order: str | None = None
    order_stamp: Stamp | None = None
    order_is_own: bool = False  # no other picture goes by it: it moves with this one
    held: Reason | None = None  # why it must wait for the photographer: its order cannot be told for certain

    @property
    def parts(self) -> tuple[str, ...]:
        """The path below ready/, split."""
        return tuple(self.path.split("/"))
