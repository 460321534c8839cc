"""What goes wrong with files on their way in: still written, reserved whole, restored times, locks, tricks with names."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import pytest

from printqueue.core.disk import durable
from printqueue.core.model.seen import Seen, Stamp
from printqueue.reports.why_words import words
from printqueue.service.intake import claim, scan
from printqueue.service.intake.settle import Settler


def stamp(path: Path) -> Stamp:
    """The file's stamp, which is there."""
    found = durable.lstamp(str(path))
    assert found is not None
    return found


def appended(path: Path) -> None:
    """What a writer does that still holds the file."""
    with path.open("ab") as stream:
        stream.write(b"more")


def replaced(path: Path) -> None:
    """What an editor does that saves by renaming: same bytes, another file."""
    beside = path.with_name("saved")
    beside.write_bytes(path.read_bytes())
    os.replace(beside, path)


CHANGES = [appended, replaced, os.unlink]


@pytest.mark.parametrize("change", CHANGES)
def test_copy_of_what_changes_is_not_believed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, change: Callable[[Path], object]
) -> None:
    """A picture that grows, is replaced or goes while it is copied has not settled; only a still one gives a copy."""
    picture, target = tmp_path / "Fog.tif", str(tmp_path / "copy")
    picture.write_bytes(b"x" * 5000)
    seen = stamp(picture)
    assert claim.copy(str(picture), target, seen) == durable.sha256(target)
    assert stamp(picture) == seen
    create = durable.create

    def create_and_change(path: str) -> int:
        change(picture)
        return create(path)

    monkeypatch.setattr(durable, "create", create_and_change)
    with pytest.raises(claim.ChangedError):
        claim.copy(str(picture), target, seen)


@pytest.mark.parametrize("rewritten", [False, True], ids=["touched only", "rewritten with its time put back"])
def test_attributes_touched_during_the_copy(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, rewritten: bool) -> None:
    """Attributes that a file server touches while a picture is copied do not start it again: its bytes are read a second
    time. Other bytes under the same size and time are found out by that.
    """
    picture = tmp_path / "Fog.tif"
    picture.write_bytes(b"x" * 5000)
    seen, pour = stamp(picture), claim._pour

    def pour_and_touch(source: int, target: str) -> str:
        digest = pour(source, target)
        if rewritten:
            picture.write_bytes(b"y" * 5000)
            os.utime(picture, ns=(seen.mtime_ns, seen.mtime_ns))
        picture.chmod(0o600)
        return digest

    monkeypatch.setattr(claim, "_pour", pour_and_touch)
    if rewritten:
        with pytest.raises(claim.ChangedError):
            claim.copy(str(picture), str(tmp_path / "copy"), seen)
    else:
        assert claim.copy(str(picture), str(tmp_path / "copy"), seen) == durable.sha256(str(picture))


def test_writer_that_holds_a_renamed_file(tmp_path: Path) -> None:
    """A rename does not stop a writer: what it adds later is in the file, and not in the copy that was hashed."""
    picture, copy = tmp_path / "Fog.tif", tmp_path / "copy"
    picture.write_bytes(b"x" * 5000)
    with picture.open("ab") as writer:
        digest = claim.copy(str(picture), str(copy), stamp(picture))
        os.rename(picture, tmp_path / "master.tif")
        writer.write(b"more")
    assert durable.sha256(str(copy)) == digest
    assert durable.sha256(str(tmp_path / "master.tif")) != digest


def test_full_size_from_the_first_byte(tmp_path: Path) -> None:
    """A writer that reserves the whole size first is waited for by its times, gap after gap."""
    picture, settler = tmp_path / "Fog.tif", Settler(2.0)
    picture.touch()
    os.truncate(picture, 1_000_000)
    for second in range(10):
        with picture.open("r+b") as stream:
            stream.seek(100_000 * second)
            stream.write(b"x" * 100_000)
        os.utime(picture, ns=(second, second * 1_000_000_000))  # whatever the granularity of this file system's times
        seen = scan.sweep(str(tmp_path)).pictures[0]
        assert seen.stamp.size == 1_000_000
        assert settler.look(seen, float(second)) > 0, "it was believed while it was written"
    assert settler.look(seen, 9.0 + 3.0) == 0


def test_rewrite_with_size_and_time_restored_is_seen(tmp_path: Path) -> None:
    """A file rewritten in place whose size and time are put back is another state of it: the time of change tells."""
    picture, sweeper = tmp_path / "Fog.tif", scan.Sweeper(str(tmp_path))
    picture.write_bytes(b"a" * 100)
    before = sweeper.sweep().pictures[0]
    while stamp(picture).ctime_ns == before.stamp.ctime_ns:  # coarse clocks tick every few milliseconds
        picture.write_bytes(b"b" * 100)
        os.utime(picture, ns=(before.stamp.mtime_ns, before.stamp.mtime_ns))
    after = sweeper.sweep().pictures[0]
    assert (after.stamp.size, after.stamp.mtime_ns) == (before.stamp.size, before.stamp.mtime_ns)
    assert after != before


def test_another_name_is_another_picture(tmp_path: Path) -> None:
    """The same inode under another name (deleted and used again, or renamed) begins its quiet time anew."""
    settler, was = Settler(2.0), Stamp(1, 7, 100, 5, 5)
    assert settler.look(Seen("Fog.tif", was), 0.0) == 2.0
    assert settler.look(Seen("Slip.tif", was), 10.0) == 2.0


def test_an_entry_that_cannot_be_looked_at_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """An error at one name of a folder hides none of the others, and is said."""
    for name in ("a.tif", "b.tif", "c.tif"):
        (tmp_path / name).write_bytes(b"x")
    real = os.scandir

    class Entry:
        def __init__(self, entry: os.DirEntry[str]) -> None:
            self.name, self._entry = entry.name, entry

        def stat(self, *, follow_symlinks: bool) -> os.stat_result:
            if self.name == "b.tif":
                raise OSError(116, "Stale file handle")
            return self._entry.stat(follow_symlinks=follow_symlinks)

    class Listing:
        def __init__(self, path: str | int) -> None:
            self._listing = real(path)

        def __enter__(self) -> list[Entry]:
            with self._listing as entries:
                return [Entry(entry) for entry in entries]

        def __exit__(self, *_: object) -> None:
            return None

    monkeypatch.setattr(os, "scandir", Listing)
    found = scan.sweep(str(tmp_path))
    assert [seen.path for seen in found.pictures] == ["a.tif", "c.tif"]
    assert [(path, words(why)) for path, why in found.passed_over] == [
        ("b.tif", "it cannot be looked at: Stale file handle")
    ]
