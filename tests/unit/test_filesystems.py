"""Kinds of file systems: the mount table as proc(5) describes it, statfs(2), and which kinds count as the network."""

from __future__ import annotations

import os
import subprocess
from pathlib import Path

import pytest

from printqueue.disk import filesystems
from printqueue.disk.filesystems import FileSystem

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
        22: FileSystem(22, "/proc", "proc"),
        27: FileSystem(27, "/", "ext4"),
        40: FileSystem(40, "/mnt/tidal mill", "cifs"),
        41: FileSystem(41, "/mnt/b\\s", "fuse.sshfs"),
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
    assert {kind: FileSystem(1, "/mnt", kind).is_network for kind in kinds.split()} == dict.fromkeys(
        kinds.split(), network
    )


def test_lost_at_restart() -> None:
    """What lives in memory is told from what stays."""
    assert FileSystem(1, "/", "tmpfs").is_lost_at_restart
    assert not FileSystem(1, "/", "ext4").is_lost_at_restart


def test_inside_a_folder() -> None:
    """Mounts below a folder are found, those of a folder whose name merely begins the same are not."""
    known = {
        1: FileSystem(1, "/", "ext4"),
        2: FileSystem(2, "/srv/studio/ready/baryta", "nfs"),
        3: FileSystem(3, "/srv/studio/ready-not", "nfs"),
        4: FileSystem(4, "/srv/studio/ready", "nfs"),
    }
    assert filesystems.below("/srv/studio/ready", known) == [known[2]]
    assert filesystems.below("/", known) == [known[2], known[3], known[4]]


def test_agrees_with_stat(tmp_path: Path) -> None:
    """The kernel's mount of a folder carries the device that stat(2) reports: another look at the same fact."""
    found = filesystems.of(str(tmp_path))
    with open("/proc/self/mountinfo") as stream:
        (line,) = [line for line in stream if line.startswith(f"{found.number} ")]
    device = tmp_path.stat().st_dev
    assert line.split()[2] == f"{os.major(device)}:{os.minor(device)}"
    assert found == filesystems.of(str(tmp_path), filesystems.read())
    assert filesystems.of("/proc").kind == "proc"


def test_links_are_followed(tmp_path: Path) -> None:
    """A link lies where it leads to, whatever its own path says."""
    (tmp_path / "ready").symlink_to("/proc/sys")
    assert filesystems.of(str(tmp_path / "ready")).kind == "proc"


@pytest.mark.parametrize("path", ["/", "/proc", "/dev/shm"])
def test_statfs_agrees(path: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the mount table does not tell, statfs(2) does: as `stat -f` of the GNU core utilities reads the number."""
    said = subprocess.run(["stat", "-f", "-c", "%t", path], capture_output=True, text=True, check=True).stdout
    assert filesystems._magic(path) & 0xFFFF_FFFF == int(said, 16)
    by_table = filesystems.of(path)

    def refuse() -> dict[int, FileSystem]:
        raise PermissionError

    monkeypatch.setattr(filesystems, "read", refuse)
    by_number = filesystems.of(path)
    assert (by_number.number, by_number.point) == (-1, "")
    if by_number.is_known:  # a disk of another kind than those in the table is told by the mount table alone
        assert by_number.is_network == by_table.is_network
    if path != "/":
        assert by_number.kind == by_table.kind


@pytest.mark.parametrize(
    ("magic", "kind"),
    [
        (0x6969, "nfs"),  # statfs(2): NFS_SUPER_MAGIC
        (0xFF534D42, "cifs"),  # CIFS_MAGIC_NUMBER
        (0xFF534D42 - (1 << 32), "cifs"),  # the same where f_type is a signed 32-bit number
        (0x65735546, "fuse"),  # FUSE_SUPER_MAGIC
        (0xEF53, "ext4"),
        (0x01021994, "tmpfs"),  # TMPFS_MAGIC
        (0x12345, filesystems.UNKNOWN),
    ],
)
def test_numbers(magic: int, kind: str) -> None:
    """The numbers of statfs(2) have their names, whatever their sign; another number is not guessed at."""
    assert filesystems.by_magic(magic) == kind
    assert FileSystem(-1, "", kind).is_known == (kind != filesystems.UNKNOWN)


def test_missing_path(tmp_path: Path) -> None:
    """A path that is not there is the caller's affair: OSError."""
    with pytest.raises(FileNotFoundError):
        filesystems.of(str(tmp_path / "missing"))
