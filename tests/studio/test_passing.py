"""What is passed over in ready/: a table of names and kinds, each with valid content, so that the name alone decides."""

import stat

import pytest

from printqueue.core.model.why import Why
from printqueue.studio import passing

FILE = stat.S_IFREG | 0o644


@pytest.mark.parametrize(
    "name",
    [".DS_Store", "._Fog.tif", "._x", ".Fog.tif.AbC123", ".x.tif.AbC123", ".nfs000001", ".nfs0000000000a1b2c300000001",
     ".fuse_hidden0000a1b200000001", ".syncthing.Fog.tif.tmp", ".goutputstream-AbC123", ".Fog.tif.icloud", ".TemporaryItems", ".printqueue-1-1-0.tif", "Thumbs.db", "DESKTOP.INI",
     "Fog.proof.jpg", "Fog.reason.txt", "Fog (2).print.txt"],
)  # fmt: skip
def test_nobodys_picture(name: str) -> None:
    """Hidden names, files of systems and our own companions are not worth a word."""
    assert passing.hidden(name)


@pytest.mark.parametrize(
    "name",
    [
        "Fog.tif",
        "#3 Slipway.tif",
        "#recycle",
        "@noon.tif",
        "@eaDir",
        "proof.jpg",
        "reason.txt.tif",
        "Fog",
        "~Fog.tif",
        "$~Fog.tif",
        "Fog.tif~1",
        "part",
        "Fog part.tif",
        "Fog.tmp.tif",
        "Fog .tif ",
        "Fog...",
        "-rf.tif",
        "CON.tif",
        "Fog (conflict).tif",
        "The conflicted copy.tif",
        "Conflicted copy",
        "sync-conflict.tif",
        "Fog (2).tif",
        "Fog copy.tif",
        "Thumbs.db.tif",
    ],
)
def test_pictures(name: str) -> None:
    """Names that only look odd are pictures."""
    assert not passing.hidden(name)
    assert passing.file_reason(name, FILE, 1) is None


@pytest.mark.parametrize(
    "name",
    ["~$Fog.tif", "~$x", "Fog.tif.swp", "FOG.TIF.PART", "Fog.tif.crdownload", "Fog.tif~", "Fog.tmp", "Fog.TMP", "Fog.tif.part", "Fog.partial", "Fog.crdownload", "Fog.filepart",
     "Fog.swp", "Fog.tif.lock"],
)  # fmt: skip
def test_unfinished_names(name: str) -> None:
    """Names that programs give to files they still write wait, and it is said."""
    assert passing.file_reason(name, FILE, 1) is Why.UNFINISHED


@pytest.mark.parametrize(
    ("kind", "why"),
    [(stat.S_IFLNK, Why.LINK), (stat.S_IFIFO, Why.NO_FILE), (stat.S_IFSOCK, Why.NO_FILE), (stat.S_IFCHR, Why.NO_FILE), (stat.S_IFBLK, Why.NO_FILE)],
)  # fmt: skip
def test_other_kinds(kind: int, why: Why) -> None:
    """Links, pipes, sockets and devices are never opened."""
    assert passing.file_reason("Fog.tif", kind | 0o644, 100) is why


def test_empty_file_waits() -> None:
    """A placeholder of no bytes is no picture yet."""
    assert passing.file_reason("Fog.tif", FILE, 0) is Why.EMPTY


@pytest.mark.parametrize(
    ("name", "over"), [("@eaDir", True), ("#recycle", True), ("smooth-rag", False), ("No #3", False)]
)
def test_folders(name: str, over: bool) -> None:
    """Folders of file servers are not looked into."""
    assert (passing.folder_reason(name) is not None) is over


@pytest.mark.parametrize(
    "name",
    ["Fog (conflicted copy 2026-11-25).tif", "Fog (mill's conflicted copy 2026-11-25).tif", "Fog (Conflicted Copy).TIF",
     "Fog (conflicted copy 2026-11-25 061530)", "Fog.sync-conflict-20261125-061530-AB2CDEF.tif", "Fog.sync-conflict-20261125-061530.tif",
     "Fog_conflict-20261125-061530.tif"],
)  # fmt: skip
def test_second_versions(name: str) -> None:
    """A copy that a sync program set aside, because two versions exist, waits for a decision, and it is said."""
    assert not passing.hidden(name)
    assert passing.file_reason(name, FILE, 1) is Why.SECOND_VERSION
