"""Which type of file system a path is on, according to the kernel's mount table (proc(5))."""

from __future__ import annotations

import os
import re
from collections.abc import Mapping
from dataclasses import dataclass

UNKNOWN = "unknown"
# Types whose files other machines change without an event here, and whose locks SQLite must not trust: shares, cluster
# file systems (several machines write to one disk) and folders of a virtual machine's host. Names as in
# /proc/filesystems; some from memory, for lack of such a machine.
_NETWORK = re.compile(
    r"9p|afs|beegfs|ceph|cifs|coda|davfs|drvfs|fuse(\..*)?|gfs2|glusterfs|gpfs|lustre|ncpfs|nfs4?|ocfs2|orangefs|panfs|"
    r"prl_fs|pvfs2|smb3|smbfs|vboxsf|virtiofs|vmhgfs"
)
_GONE_AT_RESTART = frozenset({"tmpfs", "ramfs"})


@dataclass(frozen=True, slots=True)
class FileSystem:
    """One line of mountinfo: mount point and type. If /proc does not tell, `point` is empty and `kind` is `UNKNOWN`."""

    point: str
    kind: str

    @property
    def is_known(self) -> bool:
        """Whether we know anything about it."""
        return self.kind != UNKNOWN

    @property
    def is_network(self) -> bool:
        """Whether other machines may write to it without an event here. All of FUSE counts, since nobody can see what
        is behind it, except fuseblk, which is a local disk.
        """
        return _NETWORK.fullmatch(self.kind) is not None

    @property
    def is_lost_at_restart(self) -> bool:
        """Whether it exists only in memory."""
        return self.kind in _GONE_AT_RESTART


def of(path: str, known: Mapping[int, FileSystem] | None = None) -> FileSystem:
    """The file system `path` is really on; `known` is a table from `read`, to be reused for several paths.

    Raises `OSError` if there is no such path, but not for an unknown type.
    """
    number = _mount_number(path)
    try:
        table = read() if known is None else known
    except OSError:  # no /proc here
        table = {}
    return table.get(number, FileSystem("", UNKNOWN))


def parse(mountinfo: str) -> dict[int, FileSystem]:
    """Mounts by number. Malformed lines are skipped."""
    found = {}
    for line in mountinfo.split("\n"):
        left, separator, right = line.partition(" - ")
        fields, kinds = left.split(" "), right.split(" ")
        if separator and len(fields) >= 5 and fields[0].isdecimal():
            found[int(fields[0])] = FileSystem(_unescaped(fields[4]), kinds[0])
    return found


def _unescaped(text: str) -> str:
    r"""Space, tab, newline and backslash are written as \040, \011, \012 and \134."""
    return re.sub(r"\\([0-7]{3})", lambda match: chr(int(match[1], 8)), text)


def read() -> dict[int, FileSystem]:
    """The mounts this process sees. Raises `OSError`."""
    with open("/proc/self/mountinfo", encoding="utf-8", errors="surrogateescape") as stream:
        return parse(stream.read())


def below(path: str, known: Mapping[int, FileSystem]) -> list[FileSystem]:
    """Mounts anywhere inside the folder `path` (a real path)."""
    prefix = path.rstrip("/") + "/"
    return [mount for mount in known.values() if mount.point.startswith(prefix) and mount.point != prefix]


def _mount_number(path: str) -> int:
    """As the kernel reports it (fdinfo, proc(5)), since paths do not reveal bind mounts and links. -1: unknown."""
    descriptor = os.open(path, os.O_PATH | os.O_CLOEXEC)
    try:
        with open(f"/proc/self/fdinfo/{descriptor}", encoding="ascii") as stream:
            found = re.search(r"^mnt_id:\s*(\d+)", stream.read(), re.MULTILINE)
    except OSError:  # no /proc here
        return -1
    finally:
        os.close(descriptor)
    return int(found[1]) if found else -1
