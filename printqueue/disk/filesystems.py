"""What kind of file system a path lies on: by the kernel's mount table (proc(5)), else by statfs(2)."""

from __future__ import annotations

import ctypes
import os
import re
from collections.abc import Mapping
from dataclasses import dataclass

UNKNOWN = "unknown"
# Kinds whose files other machines change without an event here, and whose locks SQLite must not trust: shares,
# cluster file systems (other machines write to the same disk) and folders of a virtual machine's host. Names as the
# kernel has them in /proc/filesystems; from memory where no such machine is at hand.
_NETWORK = frozenset(
    {
        "9p",
        "afs",
        "beegfs",
        "ceph",
        "cifs",
        "coda",
        "davfs",
        "drvfs",
        "gfs2",
        "glusterfs",
        "gpfs",
        "lustre",
        "ncpfs",
        "nfs",
        "nfs4",
        "ocfs2",
        "orangefs",
        "panfs",
        "prl_fs",
        "pvfs2",
        "smb3",
        "smbfs",
        "vboxsf",
        "virtiofs",
        "vmhgfs",
    }
)
_GONE_AT_RESTART = frozenset({"tmpfs", "ramfs"})
# f_type of statfs(2), for where /proc does not tell. FUSE has one number for all its kinds; 9p and virtiofs are told.
_BY_MAGIC = {
    0x0000_4D44: "vfat",
    0x0000_517B: "smbfs",
    0x0000_564C: "ncpfs",
    0x0000_6969: "nfs",
    0x0000_9FA0: "proc",
    0x0000_EF53: "ext4",
    0x0000_F15F: "ecryptfs",
    0x00C3_6400: "ceph",
    0x0102_1994: "tmpfs",
    0x0102_1997: "9p",
    0x0116_1970: "gfs2",
    0x0BD0_0BD0: "lustre",
    0x2011_BAB0: "exfat",
    0x2FC1_2FC1: "zfs",
    0x4750_4653: "gpfs",
    0x5346_414F: "afs",
    0x5846_5342: "xfs",
    0x6573_5546: "fuse",
    0x7375_7245: "coda",
    0x7461_636F: "ocfs2",
    0x786F_4256: "vboxsf",
    0x794C_7630: "overlay",
    0x8584_58F6: "ramfs",
    0x9123_683E: "btrfs",
    0xF2F5_2010: "f2fs",
    0xFE53_4D42: "smb3",
    0xFF53_4D42: "cifs",
}
_STATFS_BYTES = 512  # struct statfs is 120 bytes on 64-bit Linux


@dataclass(frozen=True, slots=True)
class FileSystem:
    """One line of mountinfo: the mount's number, its mount point and the kind of its file system.

    Where /proc does not tell, number is -1 and point empty; `kind` may be `UNKNOWN`.
    """

    number: int
    point: str
    kind: str

    @property
    def is_known(self) -> bool:
        """Whether anything is known about it."""
        return self.kind != UNKNOWN

    @property
    def is_network(self) -> bool:
        """Whether others may write without an event here. All of FUSE counts, for what stands behind it cannot be
        seen; fuseblk does not: it is a local disk.
        """
        return self.kind in _NETWORK or self.kind == "fuse" or self.kind.startswith("fuse.")

    @property
    def is_lost_at_restart(self) -> bool:
        """Lives in memory only."""
        return self.kind in _GONE_AT_RESTART


def of(path: str, known: Mapping[int, FileSystem] | None = None) -> FileSystem:
    """The file system that `path` really lies on; `known` is a table from `read`, for several questions at once.

    Raises `OSError` where there is no such path, never for a kind that cannot be told.
    """
    number = _mount_number(path)
    try:
        table = read() if known is None else known
    except OSError:
        table = {}
    if number is not None and number in table:
        return table[number]
    return FileSystem(-1, "", by_magic(_magic(path)))


def by_magic(magic: int) -> str:
    """Pure: the kind that goes with `f_type` of statfs(2), `UNKNOWN` for none that is listed."""
    return _BY_MAGIC.get(magic & 0xFFFF_FFFF, UNKNOWN)


def parse(mountinfo: str) -> dict[int, FileSystem]:
    """Mounts by their number. Lines that make no sense are left out."""
    found = {}
    for line in mountinfo.split("\n"):
        left, separator, right = line.partition(" - ")
        fields, kinds = left.split(" "), right.split(" ")
        if separator and len(fields) >= 5 and fields[0].isdecimal():
            found[int(fields[0])] = FileSystem(int(fields[0]), _unescaped(fields[4]), kinds[0])
    return found


def _unescaped(text: str) -> str:
    r"""Space, tab, newline and backslash stand as \040, \011, \012 and \134."""
    return re.sub(r"\\([0-7]{3})", lambda match: chr(int(match[1], 8)), text)


def read() -> dict[int, FileSystem]:
    """The mounts that this process sees. Raises `OSError`."""
    with open("/proc/self/mountinfo", encoding="utf-8", errors="surrogateescape") as stream:
        return parse(stream.read())


def below(path: str, known: Mapping[int, FileSystem]) -> list[FileSystem]:
    """Mounts somewhere inside the folder `path` (a real path)."""
    prefix = path.rstrip("/") + "/"
    return [mount for mount in known.values() if mount.point.startswith(prefix) and mount.point != prefix]


def _mount_number(path: str) -> int | None:
    """By the kernel's own word (fdinfo, proc(5)): a path's text says nothing of bind mounts and links."""
    descriptor = os.open(path, os.O_PATH | os.O_CLOEXEC)
    try:
        with open(f"/proc/self/fdinfo/{descriptor}", encoding="ascii") as stream:
            found = re.search(r"^mnt_id:\s*(\d+)", stream.read(), re.MULTILINE)
    except OSError:  # no /proc here
        return None
    finally:
        os.close(descriptor)
    return int(found[1]) if found else None


def _magic(path: str) -> int:
    """`f_type` of statfs(2), which begins its struct. Raises `OSError`."""
    libc = ctypes.CDLL(None, use_errno=True)
    answer = ctypes.create_string_buffer(_STATFS_BYTES)
    if libc.statfs(os.fsencode(path), answer) != 0:
        code = ctypes.get_errno()
        raise OSError(code, os.strerror(code), path)
    return ctypes.c_long.from_buffer(answer).value
