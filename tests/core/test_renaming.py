"""Renaming without replacing on file systems that lack the means for it, killed in the middle."""

from __future__ import annotations

import errno
import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import Any, NoReturn

import pytest

from printqueue.core.disk import durable, renaming
from printqueue.core.errors import WorldError
from printqueue.core.model.publication import Placed, Publication
from printqueue.core.model.seen import Stamp
from printqueue.service.publication import originals, publish
from printqueue.studio.folders import Studio, make_studio
from printqueue.studio.marker import MARK
from printqueue.studio.settings import Config

Patch = pytest.MonkeyPatch


def _no_link(*_: object, **__: object) -> NoReturn:
    raise PermissionError(errno.EPERM, os.strerror(errno.EPERM))


@pytest.fixture
def poor(monkeypatch: Patch) -> None:
    """A file system without RENAME_NOREPLACE and without hard links: renameat2(2) EINVAL, link(2) EPERM."""
    real = renaming._renameat2

    def renameat2(from_folder: int, source: str, to_folder: int, target: str) -> int:
        if renaming._seen(to_folder, target) is not None:  # which the kernel finds before it asks the file system
            return real(from_folder, source, to_folder, target)
        return errno.EINVAL

    monkeypatch.setattr(renaming, "_renameat2", renameat2)
    monkeypatch.setattr(os, "link", _no_link)


def _killed(work: Callable[[], object], at: str, name: str = "") -> None:
    """Do `work` in a forked process that ends at once where it calls `os.AT` (of a file whose name begins with `name`);
    fails where it does not.
    """
    pid = os.fork()
    if pid == 0:
        real = getattr(os, at)

        def call(*values: Any, **named: Any) -> Any:
            return os._exit(9) if str(values[0]).startswith(name) else real(*values, **named)

        setattr(os, at, call)
        try:
            work()
        finally:
            os._exit(1)
    assert os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1]) == 9


def _names(folder: Path) -> list[str]:
    return sorted(set(os.listdir(folder)) - {MARK})


@pytest.fixture
def rename(tmp_path: Path) -> Callable[[], None]:
    """Renames `temp`, which holds "ours", to Fog.tif."""
    (tmp_path / "temp").write_text("ours")
    return lambda: durable.rename_no_clobber(str(tmp_path / "temp"), str(tmp_path / "Fog.tif"))


@pytest.fixture
def kept(tmp_path: Path, poor: None, rename: Callable[[], None]) -> Path:
    """Fog.tif is an empty file that keeps a place: the rename was killed between the two calls."""
    _killed(rename, "rename")
    path = tmp_path / "Fog.tif"
    assert path.read_bytes() == b""
    assert len(_names(tmp_path)) == 3
    return path


def test_notes_are_temps() -> None:
    """The clean-up at a start knows the notes of kept places by their name."""
    assert renaming.PLACE_PREFIX.startswith(durable.TEMP_PREFIX)


def test_place_is_taken_by_the_next_try(kept: Path, rename: Callable[[], None]) -> None:
    """After a kill the same rename, tried again, ends as if nothing had been."""
    assert durable.is_kept_place(str(kept))
    rename()
    assert _names(kept.parent) == ["Fog.tif"]
    assert kept.read_text() == "ours"
    assert not durable.is_kept_place(str(kept))


def test_place_is_given_up(kept: Path) -> None:
    """Given up, neither the empty file nor its note stays; what was to be renamed does."""
    durable.release(str(kept))
    assert _names(kept.parent) == ["temp"]


def test_clean_up_takes_the_place_with_its_note(kept: Path) -> None:
    """Removing a stray note, as every start does, removes the empty file that it speaks of."""
    (note,) = (path for path in kept.parent.iterdir() if path.name.startswith(renaming.PLACE_PREFIX))
    durable.remove(str(note))
    assert _names(kept.parent) == ["temp"]


def test_place_that_was_filled_is_somebody_elses(kept: Path, rename: Callable[[], None]) -> None:
    """A place that somebody has written into is theirs: not replaced, not removed."""
    kept.write_text("mine")
    with pytest.raises(FileExistsError):
        rename()
    durable.release(str(kept))
    assert kept.read_text() == "mine"
    assert _names(kept.parent) == ["Fog.tif", "temp"]


def test_empty_file_of_somebody_else(tmp_path: Path, poor: None, rename: Callable[[], None]) -> None:
    """An empty file without a note is a taken name."""
    (tmp_path / "Fog.tif").touch()
    with pytest.raises(FileExistsError):
        rename()
    durable.release(str(tmp_path / "Fog.tif"))
    assert _names(tmp_path) == ["Fog.tif", "temp"]


def test_killed_before_the_place_was_made(tmp_path: Path, poor: None, rename: Callable[[], None]) -> None:
    """A note without its file is no kept place, and hinders nothing."""
    _killed(rename, "open", "Fog.tif")
    assert not durable.is_kept_place(str(tmp_path / "Fog.tif"))
    rename()
    assert _names(tmp_path) == ["Fog.tif"]


def test_rename_that_fails_leaves_no_place(
    tmp_path: Path, poor: None, rename: Callable[[], None], monkeypatch: Patch
) -> None:
    """Where the rename over the place fails, the empty file does not stay."""

    def full(*_: object, **__: object) -> NoReturn:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "rename", full)
    with pytest.raises(OSError, match="space"):
        rename()
    assert _names(tmp_path) == ["temp"]


@pytest.mark.parametrize("text", [b"", b"..", b"../Mine.tif", b"Mine.tif", b"x\0y", b"\xff", b"x" * 9000])
def test_note_that_is_not_ours(tmp_path: Path, text: bytes) -> None:
    """A note whose words do not go with its name is removed, and nothing else."""
    folder = tmp_path / "print"
    folder.mkdir()
    for path in (tmp_path / "Mine.tif", folder / "Mine.tif"):
        path.touch()
    note = folder / (renaming.PLACE_PREFIX + "0" * 16)
    note.write_bytes(text)
    durable.remove(str(note))
    assert _names(tmp_path) == ["Mine.tif", "print"]
    assert _names(folder) == ["Mine.tif"]


def test_two_threads_for_one_name(tmp_path: Path, poor: None) -> None:
    """Of many that rename to one name at once, one gets it; the others are told so and keep their file."""
    sources = [tmp_path / f"temp{number}" for number in range(8)]

    def work(source: Path) -> bool:
        try:
            durable.rename_no_clobber(str(source), str(tmp_path / "Fog.tif"))
        except FileExistsError:
            return False
        return True

    with ThreadPoolExecutor(8) as pool:
        for _ in range(20):
            for source in sources:
                source.write_text(source.name)
            won = [source for source, done in zip(sources, pool.map(work, sources), strict=True) if done]
            assert len(won) == 1
            assert (tmp_path / "Fog.tif").read_text() == won[0].name
            assert _names(tmp_path) == sorted(["Fog.tif", *(s.name for s in sources if s not in won)])
            (tmp_path / "Fog.tif").unlink()


def test_killed_between_link_and_unlink(tmp_path: Path, rename: Callable[[], None], monkeypatch: Patch) -> None:
    """One file with two names after a kill: the old name goes, the file stays; of two files none goes."""
    monkeypatch.setattr(renaming, "_renameat2", lambda *_: errno.EINVAL)
    _killed(rename, "unlink", "temp")
    assert _names(tmp_path) == ["Fog.tif", "temp"]
    (tmp_path / "other").write_text("ours")
    durable.drop_second_name(str(tmp_path / "other"), str(tmp_path / "Fog.tif"))
    durable.drop_second_name(str(tmp_path / "temp"), str(tmp_path / "Fog.tif"))
    durable.drop_second_name(str(tmp_path / "temp"), str(tmp_path / "Fog.tif"))
    assert _names(tmp_path) == ["Fog.tif", "other"]


@pytest.mark.parametrize("code", [errno.EPERM, errno.EIO, errno.EMLINK, errno.EOPNOTSUPP])
def test_no_link_to_be_made(tmp_path: Path, rename: Callable[[], None], monkeypatch: Patch, code: int) -> None:
    """Whatever a file system without hard links answers (EIO: rclone 1.60), the file comes under its name."""

    def no_link(*_: object, **__: object) -> NoReturn:
        raise OSError(code, os.strerror(code))

    monkeypatch.setattr(renaming, "_renameat2", lambda *_: errno.EINVAL)
    monkeypatch.setattr(os, "link", no_link)
    rename()
    assert _names(tmp_path) == ["Fog.tif"]
    assert (tmp_path / "Fog.tif").read_text() == "ours"


def test_link_whose_first_name_cannot_go(tmp_path: Path, rename: Callable[[], None], monkeypatch: Patch) -> None:
    """Where the old name cannot be removed after the link, the new one is taken back: a file stands in one place only."""
    monkeypatch.setattr(renaming, "_renameat2", lambda *_: errno.EINVAL)
    real = os.unlink

    def unlink(path: str, **named: Any) -> None:
        if path == "temp":
            raise OSError(errno.EROFS, os.strerror(errno.EROFS))
        real(path, **named)

    monkeypatch.setattr(os, "unlink", unlink)
    with pytest.raises(OSError, match="Read-only"):
        rename()
    assert _names(tmp_path) == ["temp"]


# -- what recovery makes of it ------------------------------------------------


@pytest.fixture
def studio(tmp_path: Path) -> Studio:
    """A studio with print/card/."""
    made = make_studio(str(tmp_path / "studio"))
    os.mkdir(made.path("print", "card"))
    return Studio(made.root, Config())


def _intent(studio: Studio) -> Publication:
    placed = [
        Placed("companion", "print/card/.n", "print/card/Fog.print.txt", ""),
        Placed("print", "print/card/.t", "print/card/Fog.tif", ""),
    ]
    return Publication("print", [Placed(p.role, p.temp, p.final, _write(studio, p.temp)) for p in placed])


def _write(studio: Studio, path: str) -> str:
    return durable.write_temp(studio.path(path), path.encode())


@pytest.mark.parametrize("killed", [1, 2])
def test_show_goes_on_after_a_kill(studio: Studio, poor: None, killed: int) -> None:
    """Killed with a place kept for the note, or for the print: shown again, all stands there, and no note of a place."""
    intent = _intent(studio)
    _killed(lambda: publish.show(studio, intent), "rename", os.path.basename(intent.placed[killed - 1].temp))
    publish.show(studio, intent)
    assert _names(Path(studio.path("print", "card"))) == ["Fog.print.txt", "Fog.tif"]
    assert publish.print_is_visible(studio, intent)


@pytest.mark.parametrize("killed", [1, 2])
def test_take_back_after_a_kill(studio: Studio, poor: None, killed: int) -> None:
    """Killed likewise and the print's temp lost: taken back, no empty file is left under any name."""
    intent = _intent(studio)
    _killed(lambda: publish.show(studio, intent), "rename", os.path.basename(intent.placed[killed - 1].temp))
    os.unlink(studio.path("print/card/.t"))
    with pytest.raises(publish.LostTempError):
        publish.show(studio, intent)
    publish.take_back(studio, intent)
    assert _names(Path(studio.path("print", "card"))) == []


def _original(studio: Studio) -> Publication:
    digest = _write(studio, "ready/Fog.tif")
    stamp = durable.lstamp(studio.path("ready/Fog.tif"))
    assert stamp is not None
    return Publication("print", [], [publish.moved_from("ready/Fog.tif", "masters/Fog.tif", stamp, sha256=digest)])


def _go_on(studio: Studio, intent: Publication) -> list[str]:
    _, unusual = originals.move_originals(studio, originals.with_free_targets(studio, intent))
    assert unusual == []
    assert _names(Path(studio.path("ready"))) == []
    return _names(Path(studio.path("masters")))


def test_original_goes_into_its_kept_place(studio: Studio, poor: None) -> None:
    """Killed with a place kept in masters/: the original comes to that very name, not to the next number."""
    intent = _original(studio)
    _killed(lambda: originals.move_originals(studio, intent), "rename")
    assert _go_on(studio, intent) == ["Fog.tif"]


def test_original_with_two_names(studio: Studio, monkeypatch: Patch) -> None:
    """Killed between link and unlink: the original does not stay in ready/, where it would be printed again."""
    monkeypatch.setattr(renaming, "_renameat2", lambda *_: errno.EINVAL)
    intent = _original(studio)
    _killed(lambda: originals.move_originals(studio, intent), "unlink", "Fog.tif")
    assert _names(Path(studio.path("ready"))) == ["Fog.tif"]
    assert _go_on(studio, intent) == ["Fog.tif"]


# -- ready/ that cannot be emptied ----------------------------------------------


@pytest.fixture
def other_disk(studio: Studio, monkeypatch: Patch) -> None:
    """ready/ is mounted by itself: rename(2) out of it answers EXDEV."""
    real = durable.rename_no_clobber

    def rename_no_clobber(source: str, target: str) -> None:
        ready = studio.path("ready")
        if source.startswith(ready) != target.startswith(ready):
            raise OSError(errno.EXDEV, os.strerror(errno.EXDEV))
        real(source, target)

    monkeypatch.setattr(durable, "rename_no_clobber", rename_no_clobber)


def _time(studio: Studio, path: str) -> int:
    return os.stat(studio.path(path)).st_mtime_ns


def test_original_from_another_disk(studio: Studio, other_disk: None) -> None:
    """From another file system the original is copied, with its time, and then taken out of ready/."""
    intent = _original(studio)
    at = _time(studio, "ready/Fog.tif")
    assert _go_on(studio, intent) == ["Fog.tif"]
    assert _time(studio, "masters/Fog.tif") == at
    assert durable.sha256(studio.path("masters/Fog.tif")) == intent.moved[0].sha256


@pytest.mark.parametrize(
    ("call", "name"), [("open", ".printqueue-copy-"), ("utime", ""), ("unlink", ".printqueue-leaving-")]
)
def test_killed_while_it_is_brought_from_another_disk(studio: Studio, other_disk: None, call: str, name: str) -> None:
    """Killed at any step of copying and taking out: going on ends the same, with one master and nothing hidden left."""
    intent = _original(studio)
    _killed(lambda: originals.move_originals(studio, intent), call, name)
    assert _go_on(studio, intent) == ["Fog.tif"]


def test_another_picture_comes_while_the_original_leaves(studio: Studio, other_disk: None, monkeypatch: Patch) -> None:
    """A file that comes under the name after the copy was made is not removed: it stands in ready/ as a new arrival."""
    intent = _original(studio)
    real = durable.rename_no_clobber

    def late(source: str, target: str) -> None:
        if "leaving" in target:
            durable.write_temp(source + ".new", b"another picture")
            os.replace(source + ".new", source)
        real(source, target)

    monkeypatch.setattr(durable, "rename_no_clobber", late)
    originals.move_originals(studio, intent)
    assert Path(studio.path("ready/Fog.tif")).read_text() == "another picture"
    assert _names(Path(studio.path("ready"))) == ["Fog.tif"]
    assert durable.sha256(studio.path("masters/Fog.tif")) == intent.moved[0].sha256


def test_copy_with_the_very_number_of_the_original(studio: Studio, other_disk: None, monkeypatch: Patch) -> None:
    """Two file systems may number original and copy alike: the original leaves ready/ all the same, and is not made again."""
    intent = _original(studio)
    real = durable.lstamp

    def lstamp(path: str) -> Stamp | None:
        stamp = real(path)
        return None if stamp is None else replace(stamp, inode=intent.moved[0].inode)

    monkeypatch.setattr(durable, "lstamp", lstamp)
    assert _go_on(studio, intent) == ["Fog.tif"]


@pytest.mark.parametrize("code", [errno.ENOSPC, errno.EIO, errno.EDQUOT])
def test_disk_fault_while_copying_is_waited_for(
    studio: Studio, other_disk: None, monkeypatch: Patch, code: int
) -> None:
    """A whole disk's fault is not the folder's: nothing is settled, nothing is left half, and it goes on afterwards."""
    intent = _original(studio)

    def broken(*_: object) -> NoReturn:
        raise OSError(code, os.strerror(code))

    with monkeypatch.context() as patch:
        patch.setattr(durable, "_pour", broken)
        with pytest.raises(WorldError):
            originals.move_originals(studio, intent)
    assert _names(Path(studio.path("masters"))) == []
    assert _go_on(studio, intent) == ["Fog.tif"]


def test_bytes_that_changed_behind_the_stamp(studio: Studio, other_disk: None) -> None:
    """A file of the same inode, size and time with other bytes is not kept as the master, nor taken out of ready/."""
    intent = _original(studio)
    at = _time(studio, "ready/Fog.tif")
    with open(studio.path("ready/Fog.tif"), "r+b") as stream:
        stream.write(b"R")
    os.utime(studio.path("ready/Fog.tif"), ns=(at, at))
    originals.move_originals(studio, intent)
    assert _names(Path(studio.path("masters"))) == []
    assert _names(Path(studio.path("ready"))) == ["Fog.tif"]
