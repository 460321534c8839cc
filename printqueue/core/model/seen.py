"""Files in ready/ as a scan finds them, told apart by what stat says."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import os

    from printqueue.core.model.why import Reason


@dataclass(frozen=True, slots=True)
class Stamp:
    """Distinguishes one state of a file from another without reading the file."""

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
        """Same bytes as far as stat can tell. A rename changes ctime, a reboot may change the device: neither counts."""
        return (self.inode, self.size, self.mtime_ns) == (other.inode, other.size, other.mtime_ns)


@dataclass(frozen=True, slots=True)
class Seen:
    """A candidate picture and its order file; paths are relative to ready/."""

    path: str
    stamp: Stamp
    order: str | None = None
    order_stamp: Stamp | None = None
    order_is_own: bool = False  # no other picture uses it, so it moves with this one
    held: Reason | None = None  # why it must wait for the photographer: its order is uncertain

    @property
    def parts(self) -> tuple[str, ...]:
        """The parts of the path below ready/."""
        return tuple(self.path.split("/"))
