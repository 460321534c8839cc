"""Creating, renaming and moving files without ever replacing one or showing half of one."""

from __future__ import annotations

import errno
import hashlib
import os
import time
from pathlib import Path

import pytest

from printqueue.core.disk import durable, renaming
from printqueue.core.errors import WorldError
from printqueue.core.model.seen import Stamp


def _no_renameat2(*_: object) -> int:
    """A file system that does not know the flag, after rename(2): EINVAL."""
    return errno.EINVAL


def _no_link(*_: object, **__: object) -> None:
    """A file system without hard links, after link(2): EPERM."""
    raise PermissionError(errno.EPERM, os.strerror(errno.EPERM))


@pytest.fixture(params=["renameat2", "link and unlink", "kept place"])
def _each_way(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    if request.param != "renameat2":
        monkeypatch.setattr(renaming, "_renameat2", _no_renameat2)
    if request.param == "kept place":
        monkeypatch.setattr(os, "link", _no_link)


@pytest.mark.parametrize("named", [False, True])
def test_a_nameless_file_leaves_no_name(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, named: bool) -> None:
    """It holds what is written and is nowhere to be seen, also where the file system has no O_TMPFILE."""
    opened = os.open

    def without(path: str, flags: int, *more: int, **where: int) -> int:
        if named and flags & os.O_TMPFILE == os.O_TMPFILE:
            raise OSError(errno.EOPNOTSUPP, os.strerror(errno.EOPNOTSUPP))
        return opened(path, flags, *more, **where)

    monkeypatch.setattr(os, "open", without)
    descriptor = durable.nameless(str(tmp_path))
    os.pwrite(descriptor, b"scratch", 10)
    assert os.pread(descriptor, 7, 10) == b"scratch"
    os.close(descriptor)
    assert not list(tmp_path.iterdir())


def test_a_nameless_file_follows_no_link(tmp_path: Path) -> None:
    """As everything below a studio."""
    (tmp_path / "real").mkdir()
    (tmp_path / "link").symlink_to(tmp_path / "real")
    with pytest.raises(OSError, match="link"):
        durable.nameless(str(tmp_path / "link"))


@pytest.mark.usefixtures("_each_way")
def test_rename_never_replaces(tmp_path: Path) -> None:
    """A taken name raises and both files stay; a free one is taken. Also where renameat2 is not to be had."""
    source, target, free = (tmp_path / name for name in ("source", "target", "free"))
    source.write_text("ours")
    target.write_text("mine")
    with pytest.raises(FileExistsError):
        durable.rename_no_clobber(str(source), str(target))
    assert (source.read_text(), target.read_text()) == ("ours", "mine")
    durable.rename_no_clobber(str(source), str(free))
    assert free.read_text() == "ours"
    assert not source.exists()


@pytest.mark.usefixtures("_each_way")
def test_rename_does_not_follow_or_replace_a_link(tmp_path: Path) -> None:
    """A name taken by a dangling link is taken."""
    source, link = tmp_path / "source", tmp_path / "link"
    source.write_text("ours")
    link.symlink_to(tmp_path / "nowhere")
    with pytest.raises(FileExistsError):
        durable.rename_no_clobber(str(source), str(link))
    assert source.read_text() == "ours"


def test_write_temp_returns_the_hash_of_what_is_there(tmp_path: Path) -> None:
    """The file holds exactly the bytes, and the hash is theirs."""
    data = os.urandom(300_000)
    digest = durable.write_temp(str(tmp_path / "t"), data)
    assert (tmp_path / "t").read_bytes() == data
    assert digest == hashlib.sha256(data).hexdigest() == durable.sha256(str(tmp_path / "t"))


def test_create_does_not_write_through_a_link(tmp_path: Path) -> None:
    """A link that stands under a temp's name is removed; what it points to keeps its bytes."""
    victim, temp = tmp_path / "victim", tmp_path / "temp"
    victim.write_text("mine")
    temp.symlink_to(victim)
    durable.write_temp(str(temp), b"ours")
    assert victim.read_text() == "mine"
    assert not temp.is_symlink()


@pytest.mark.parametrize("kind", ["missing", "folder", "link", "pipe", "name too long", "below a file"])
def test_what_is_no_regular_file_has_neither_stamp_nor_hash(tmp_path: Path, kind: str) -> None:
    """Anything but a regular file answers None, at once, and is never followed."""
    path = tmp_path / "x"
    if kind == "folder":
        path.mkdir()
    elif kind == "link":
        (tmp_path / "y").write_text("y")
        path.symlink_to(tmp_path / "y")
    elif kind == "pipe":
        os.mkfifo(path)
    elif kind == "name too long":
        path = tmp_path / ("x" * 256)
    elif kind == "below a file":
        path.write_text("x")
        path = path / "z"
    assert durable.lstamp(str(path)) is None
    if kind != "folder":
        assert durable.sha256(str(path)) is None


@pytest.mark.parametrize("code", [errno.ENOSPC, errno.EROFS, errno.EIO, errno.EACCES, errno.ESTALE, errno.EDQUOT])
def test_errors_of_the_world(code: int) -> None:
    """The machine's errors blame no picture: they say what was done, to which file (escaped), and that it is tried again."""
    with pytest.raises(WorldError) as caught, durable.world("Writing", "Fog\x1b[31m\n.tif"):
        raise OSError(code, os.strerror(code))
    assert "Writing Fog\\x1b[31m\\x0a.tif" in caught.value.says
    assert "tried again" in caught.value.says
    assert caught.value.do


def test_other_errors_are_not_the_worlds() -> None:
    """An error that is our own fault is not dressed up as the machine's."""
    with pytest.raises(IsADirectoryError), durable.world("Writing", "x"):
        raise IsADirectoryError(errno.EISDIR, "Is a directory")


def test_move_aside_numbers_a_taken_name(tmp_path: Path) -> None:
    """Putting away a second file of one name keeps both."""
    for text in ("one", "two", "three"):
        (tmp_path / "Fog.reason.txt").write_text(text)
        durable.move_aside(str(tmp_path / "Fog.reason.txt"), str(tmp_path / "past.txt"))
    assert sorted(p.name for p in tmp_path.iterdir()) == ["past (2).txt", "past (3).txt", "past.txt"]
    assert {p.read_text() for p in tmp_path.iterdir()} == {"one", "two", "three"}


def test_move_aside_across_file_systems(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the private folder is on another disk, the file is copied whole and removed afterwards."""
    real = durable.rename_no_clobber

    def other_disk(source: str, target: str) -> None:
        if "copy" not in source:
            raise OSError(errno.EXDEV, os.strerror(errno.EXDEV))
        real(source, target)

    monkeypatch.setattr(durable, "rename_no_clobber", other_disk)
    (tmp_path / "a").write_text("text")
    durable.move_aside(str(tmp_path / "a"), str(tmp_path / "b.txt"))
    assert [(p.name, p.read_text()) for p in tmp_path.iterdir()] == [("b.txt", "text")]


def test_folders_are_made_durable_one_by_one(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The parent of every new folder is synced, or a power cut would take the folder with the print in it."""
    synced: list[str] = []
    monkeypatch.setattr(durable, "sync_folder", lambda path: synced.append(os.path.relpath(path, tmp_path)))
    durable.make_folder(str(tmp_path), str(tmp_path / "print" / "card" / "A3"))
    assert (tmp_path / "print" / "card" / "A3").is_dir()
    assert synced == [".", "print", "print/card"]
    durable.make_folder(str(tmp_path), str(tmp_path / "print" / "card"))
    assert len(synced) == 3


def test_make_folder_does_not_remake_a_lost_root(tmp_path: Path) -> None:
    """A studio that is gone is never made anew under its bare mount point."""
    with pytest.raises(FileNotFoundError):
        durable.make_folder(str(tmp_path / "gone"), str(tmp_path / "gone" / "print"))
    assert not (tmp_path / "gone").exists()


def test_stamps() -> None:
    """Attribute changes and a new device number after a reboot leave a file the same; size, time and inode do not."""
    one = Stamp(1, 2, 3, 4, 5)
    assert one.same_file(Stamp(9, 2, 3, 4, 9))
    for other in (Stamp(1, 9, 3, 4, 5), Stamp(1, 2, 9, 4, 5), Stamp(1, 2, 3, 9, 5)):
        assert not one.same_file(other)


def test_copy_keeps_bytes_and_time(tmp_path: Path) -> None:
    """A copy has the bytes and the time of change of what was copied, or the time that is asked for; no temp is left."""
    source = tmp_path / "a.tif"
    source.write_bytes(os.urandom(3 << 20))
    os.utime(source, ns=(1, 1_500_000_000_987_654_321))
    durable.copy_to(str(source), str(tmp_path / "b.tif"), expected=durable.sha256(str(source)))
    durable.copy_to(str(source), str(tmp_path / "c.tif"), mtime_ns=1_600_000_000_000_000_001)
    assert (tmp_path / "b.tif").read_bytes() == (tmp_path / "c.tif").read_bytes() == source.read_bytes()
    times = [path.stat().st_mtime_ns for path in sorted(tmp_path.iterdir())]
    assert times == [1_500_000_000_987_654_321, 1_500_000_000_987_654_321, 1_600_000_000_000_000_001]


@pytest.mark.parametrize("kind", ["other bytes", "name taken", "pipe"])
def test_copy_that_must_not_be(tmp_path: Path, kind: str) -> None:
    """Other bytes than expected, a taken name, no regular file: an error, nothing under the name but what was, no temp."""
    source, target = tmp_path / "a", tmp_path / "b"
    error: type[Exception] = durable.WrongBytesError
    if kind == "pipe":
        os.mkfifo(source)
    else:
        source.write_text("a")
    if kind == "name taken":
        target.write_text("mine")
        error = FileExistsError
    before = sorted(tmp_path.iterdir())
    with pytest.raises(error):
        durable.copy_to(str(source), str(target), expected="00" if kind == "other bytes" else None)
    assert sorted(tmp_path.iterdir()) == before
    assert kind != "name taken" or target.read_text() == "mine"


@pytest.mark.parametrize("code", [errno.EACCES, errno.EBUSY, errno.ETXTBSY])
def test_rename_refused_for_a_moment(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, code: int) -> None:
    """A rename that a share refuses three times and then permits is done, within half a second of waiting."""
    pauses_s: list[float] = []
    monkeypatch.setattr(time, "sleep", pauses_s.append)
    answers = [code, code, code]
    real = renaming._renameat2
    monkeypatch.setattr(renaming, "_renameat2", lambda *names: answers.pop() if answers else real(*names))
    (tmp_path / "a").write_text("a")
    durable.rename_no_clobber(str(tmp_path / "a"), str(tmp_path / "b"))
    assert [path.name for path in tmp_path.iterdir()] == ["b"]
    assert len(pauses_s) == 3
    assert sum(durable._PAUSES_S) <= 0.5


@pytest.mark.parametrize(("code", "tries"), [(errno.EACCES, 5), (errno.EROFS, 1), (errno.ENOSPC, 1), (errno.EIO, 1)])
def test_rename_refused_for_good(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, code: int, tries: int) -> None:
    """What stays refused is raised after a bounded number of tries; what no waiting mends is not tried again."""
    monkeypatch.setattr(time, "sleep", lambda _: None)
    calls: list[tuple[object, ...]] = []

    def refuse(*names: object) -> int:
        calls.append(names)
        return code

    monkeypatch.setattr(renaming, "_renameat2", refuse)
    with pytest.raises(OSError, match=os.strerror(code)):
        durable.rename_no_clobber(str(tmp_path / "a"), str(tmp_path / "b"))
    assert len(calls) == tries
