"""What kind of file system a folder lies on: /proc/self/mountinfo, see proc(5)."""

from __future__ import annotations

import os
import re
from collections.abc import Mapping
from dataclasses import dataclass

# Kinds whose files other machines change without an event here, and whose locks SQLite must not trust.
_NETWORK = {
    "9p",
    "afs",
    "beegfs",
    "ceph",
    "cifs",
    "coda",
    "davfs",
    "gpfs",
    "lustre",
    "ncpfs",
    "nfs",
    "nfs4",
    "prl_fs",
    "smb3",
    "smbfs",
    "vboxsf",
    "virtiofs",
    "vmhgfs",
}
_GONE_AT_RESTART = {"tmpfs", "ramfs"}


@dataclass(frozen=True, slots=True)
class Mount:
    """One line of mountinfo."""

    number: int
    point: str
    kind: str

    @property
    def is_network(self) -> bool:
        """Network shares, folders of a virtual machine's host, and FUSE (fuseblk is a local disk)."""
        return self.kind in _NETWORK or self.kind == "fuse" or self.kind.startswith("fuse.")

    @property
    def is_lost_at_restart(self) -> bool:
        """Lives in memory only."""
        return self.kind in _GONE_AT_RESTART


def parse(mountinfo: str) -> dict[int, Mount]:
    """Mounts by their number. Lines that make no sense are left out."""
    found = {}
    for line in mountinfo.split("\n"):
        left, separator, right = line.partition(" - ")
        fields, kinds = left.split(" "), right.split(" ")
        if separator and len(fields) >= 5 and fields[0].isdigit():
            found[int(fields[0])] = Mount(int(fields[0]), _unescaped(fields[4]), kinds[0])
    return found


def _unescaped(text: str) -> str:
    r"""Space, tab, newline and backslash stand as \040, \011, \012 and \134."""
    return re.sub(r"\\([0-7]{3})", lambda match: chr(int(match[1], 8)), text)


def read() -> dict[int, Mount]:
    """The mounts that this process sees. Raises `OSError`."""
    with open("/proc/self/mountinfo", encoding="utf-8", errors="surrogateescape") as stream:
        return parse(stream.read())


def mount_of(path: str, mounts: Mapping[int, Mount]) -> Mount | None:
    """The mount that `path` really lies on, by the kernel's own word (fdinfo, proc(5)). Raises `OSError`."""
    descriptor = os.open(path, os.O_PATH | os.O_CLOEXEC)
    try:
        with open(f"/proc/self/fdinfo/{descriptor}", encoding="ascii") as stream:
            found = re.search(r"^mnt_id:\s*(\d+)", stream.read(), re.MULTILINE)
    finally:
        os.close(descriptor)
    return mounts.get(int(found[1])) if found else None


def below(path: str, mounts: Mapping[int, Mount]) -> list[Mount]:
    """Mounts somewhere inside the folder `path` (a real path)."""
    prefix = path.rstrip("/") + "/"
    return [mount for mount in mounts.values() if mount.point.startswith(prefix)]
