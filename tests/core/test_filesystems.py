"""Kinds of file systems: the mount table as proc(5) describes it, and which kinds count as the network."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from printqueue.core.disk import filesystems
from printqueue.core.disk.filesystems import FileSystem

MOUNTINFO = r"""22 27 0:21 / /proc rw,relatime - proc proc rw
27 1 254:0 / / rw,relatime shared:1 - ext4 /dev/vda rw
40 27 0:40 / /mnt/tidal\040mill rw,relatime shared:7 master:2 - cifs //mill/prints rw
41 27 0:41 / /mnt/b\134s rw - fuse.sshfs mill:/ rw
nonsense
42 27 0:42
² 27 0:42 / /x rw - ext4 x rw
"""


def test_mountinfo() -> None:
    """proc(5): fields up to a dash, any number of optional ones, and octal escapes in the mount point."""
    assert filesystems.parse(MOUNTINFO) == {
        22: FileSystem("/proc", "proc"),
        27: FileSystem("/", "ext4"),
        40: FileSystem("/mnt/tidal mill", "cifs"),
        41: FileSystem("/mnt/b\\s", "fuse.sshfs"),
    }


@pytest.mark.parametrize(
    ("network", "kinds"),
    [
        (False, "ext4 btrfs xfs zfs f2fs overlay tmpfs vfat exfat ntfs3 ecryptfs fuseblk unknown"),
        (True, "nfs nfs4 cifs smb3 9p virtiofs vboxsf ceph lustre ocfs2 fuse fuse.sshfs fuse.rclone fuse.glusterfs"),
    ],
)
def test_network_kinds(network: bool, kinds: str) -> None:
    """Shares, cluster disks, a host's folders and FUSE are told from local disks; fuseblk is a local disk."""
    assert {kind: FileSystem("/mnt", kind).is_network for kind in kinds.split()} == dict.fromkeys(
        kinds.split(), network
    )


def test_lost_at_restart() -> None:
    """What lives in memory is told from what stays."""
    assert FileSystem("/", "tmpfs").is_lost_at_restart
    assert not FileSystem("/", "ext4").is_lost_at_restart


def test_inside_a_folder() -> None:
    """Mounts below a folder are found, those of a folder whose name merely begins the same are not."""
    known = {
        1: FileSystem("/", "ext4"),
        2: FileSystem("/srv/studio/ready/baryta", "nfs"),
        3: FileSystem("/srv/studio/ready-not", "nfs"),
        4: FileSystem("/srv/studio/ready", "nfs"),
    }
    assert filesystems.below("/srv/studio/ready", known) == [known[2]]
    assert filesystems.below("/", known) == [known[2], known[3], known[4]]


def test_agrees_with_stat(tmp_path: Path) -> None:
    """The kernel's mount of a folder carries the device that stat(2) reports: another look at the same fact."""
    found = filesystems.of(str(tmp_path))
    device = tmp_path.stat().st_dev
    with open("/proc/self/mountinfo") as stream:
        here = [fields for line in stream if (fields := line.split())[2] == f"{os.major(device)}:{os.minor(device)}"]
    assert (found.point, found.kind) in [(fields[4], fields[fields.index("-") + 1]) for fields in here]
    assert found == filesystems.of(str(tmp_path), filesystems.read())
    assert filesystems.of("/proc").kind == "proc"


def test_links_are_followed(tmp_path: Path) -> None:
    """A link lies where it leads to, whatever its own path says."""
    (tmp_path / "ready").symlink_to("/proc/sys")
    assert filesystems.of(str(tmp_path / "ready")).kind == "proc"


def test_no_table(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the mount table cannot be read the kind is unknown: not taken for a share, nor for a disk that is known."""

    def refuse() -> dict[int, FileSystem]:
        raise PermissionError

    monkeypatch.setattr(filesystems, "read", refuse)
    found = filesystems.of(str(tmp_path))
    assert (found.point, found.is_known, found.is_network) == ("", False, False)


def test_missing_path(tmp_path: Path) -> None:
    """A path that is not there is the caller's affair: OSError."""
    with pytest.raises(FileNotFoundError):
        filesystems.of(str(tmp_path / "missing"))
