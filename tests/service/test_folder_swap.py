"""A folder that somebody swaps for a link changes nothing: openat2(2) RESOLVE_NO_SYMLINKS, or O_NOFOLLOW part by part."""

from __future__ import annotations

import errno
import os
from collections.abc import Callable
from pathlib import Path

import pytest

from printqueue.core.disk import durable, folders
from printqueue.core.disk.folders import LinkedError
from printqueue.core.errors import WorldError
from printqueue.core.model.publication import Placed, Publication
from printqueue.core.model.seen import Stamp
from printqueue.service.intake import claim
from printqueue.service.publication import originals, publish
from printqueue.studio.folders import Studio, make_studio, open_studio, prepare_state

NOWHERE = Stamp(0, 0, 0, 0, 0)


@pytest.fixture(params=["openat2", "part by part"])
def _both_ways(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """With openat2, and without it; which refusals mean "without" is asked by `test_paths_that_open` alone."""
    if request.param != "openat2":
        monkeypatch.setattr(folders, "_openat2", lambda *_: (-1, errno.ENOSYS))


@pytest.fixture
def outside(tmp_path: Path) -> Path:
    """A folder of somebody else's, with a picture and a temp of our kind of name."""
    folder = tmp_path / "outside"
    (folder / "A4").mkdir(parents=True)
    for name in ("Fog.tif", "A4/Fog.tif"):
        (folder / name).write_text("theirs")
    return folder


@pytest.fixture
def root(tmp_path: Path, outside: Path) -> Path:
    """A tree in which `card` was swapped for a link to `outside`; beside it the true folder `plain`."""
    tree = tmp_path / "tree"
    (tree / "plain").mkdir(parents=True)
    (tree / "plain" / "Net.tif").write_text("ours")
    (tree / "card").symlink_to(outside)
    return tree


def _state(folder: Path) -> list[tuple[object, ...]]:
    """Names, kinds, bytes and times of everything in a folder, itself included."""
    found: list[tuple[object, ...]] = []
    for path in [folder, *sorted(folder.rglob("*"))]:
        seen = path.lstat()
        found.append(
            (str(path), seen.st_mode, seen.st_mtime_ns, seen.st_ctime_ns, path.is_file() and path.read_bytes())
        )
    return found


PLAIN = "plain/Net.tif"
OPERATIONS: dict[str, Callable[[str, str, str], object]] = {
    "exists": lambda path, plain, root: durable.exists(path),
    "lstamp": lambda path, plain, root: durable.lstamp(path),
    "sha256": lambda path, plain, root: durable.sha256(path),
    "create": lambda path, plain, root: durable.create(path),
    "write_temp": lambda path, plain, root: durable.write_temp(path, b"ours"),
    "sync": lambda path, plain, root: durable.sync(path),
    "sync_folder": lambda path, plain, root: durable.sync_folder(os.path.dirname(path)),
    "make_folder": lambda path, plain, root: durable.make_folder(root, path + "/A3"),
    "rename from": lambda path, plain, root: durable.rename_no_clobber(path, plain + "2"),
    "rename to": lambda path, plain, root: durable.rename_no_clobber(plain, path + "2"),
    "drop second name": lambda path, plain, root: durable.drop_second_name(path, plain),
    "kept place": lambda path, plain, root: durable.is_kept_place(path),
    "release": lambda path, plain, root: durable.release(path),
    "move aside from": lambda path, plain, root: durable.move_aside(path, plain + "2"),
    "move aside to": lambda path, plain, root: durable.move_aside(plain, path + "2"),
    "copy from": lambda path, plain, root: durable.copy_to(path, plain + "2"),
    "copy to": lambda path, plain, root: durable.copy_to(plain, path + "2"),
    "remove": lambda path, plain, root: durable.remove(path),
    "names": lambda path, plain, root: folders.names(os.path.dirname(path)),
    "open_regular": lambda path, plain, root: claim.open_regular(path),
    "copy": lambda path, plain, root: claim.copy(path, plain + "2", NOWHERE),
    "copy into": lambda path, plain, root: claim.copy(plain, path + "2", _stamp(plain)),
    "read_order": lambda path, plain, root: claim.read_order(path, NOWHERE),
}


def _stamp(path: str) -> Stamp:
    return Stamp.of(os.lstat(path))


@pytest.mark.usefixtures("_both_ways")
@pytest.mark.parametrize("name", OPERATIONS)
def test_nothing_goes_through_a_link(root: Path, outside: Path, name: str) -> None:
    """Each operation on a name below a swapped folder says which part is the link, the last or one above, and neither
    side is changed.
    """
    before = _state(outside), _state(root)
    for below in ("card/Fog.tif", "card/A4/Fog.tif"):
        with pytest.raises(LinkedError) as caught:
            OPERATIONS[name](str(root / below), str(root / PLAIN), str(root))
        assert f"{root}/card is a symbolic link" in caught.value.says
        assert (_state(outside), _state(root)) == before


@pytest.mark.usefixtures("_both_ways")
def test_scan_of_a_swapped_folder(root: Path, outside: Path) -> None:
    """A listing is refused too, by way of a link or of the link itself; a true folder is listed, and its entries known."""
    for path in ("card", "card/A4"):
        with pytest.raises(LinkedError), folders.scan_folder(str(root / path)):
            pytest.fail("it was listed")
    with folders.scan_folder(str(root / "plain")) as entries:
        assert [(one.name, one.stat(follow_symlinks=False).st_size) for one in entries] == [("Net.tif", 4)]


@pytest.mark.parametrize("refused", [None, errno.ENOSYS, errno.EPERM, errno.EINVAL], ids=str)
def test_paths_that_open(root: Path, monkeypatch: pytest.MonkeyPatch, refused: int | None) -> None:
    """Relative paths, dots, doubled and trailing slashes open the folder that they name; so does the root. With openat2,
    and where an old kernel or a filter refuses it.
    """
    if refused is not None:
        monkeypatch.setattr(folders, "_openat2", lambda *_: (-1, refused))
    monkeypatch.chdir(root)
    wanted = os.stat(root / "plain")
    for path in ("plain", "./plain", "plain/../plain", "plain//", f"{root}//plain/.", f"{root}/plain"):
        for flags in (os.O_PATH, os.O_RDONLY):
            descriptor = folders.open_folder(path, flags)
            assert os.path.samestat(os.fstat(descriptor), wanted)
            assert not os.get_inheritable(descriptor)
            os.close(descriptor)
    os.close(folders.open_folder("/"))


@pytest.mark.usefixtures("_both_ways")
@pytest.mark.parametrize(
    ("path", "error"),
    [
        ("none", FileNotFoundError),
        ("none/x", FileNotFoundError),
        ("plain/Net.tif", NotADirectoryError),
        ("plain/Net.tif/x", NotADirectoryError),
        ("x" * 256, OSError),
        ("plain\0card", ValueError),
    ],
)
def test_paths_that_do_not_open(root: Path, path: str, error: type[Exception]) -> None:
    """What is missing, no folder, too long or cut by a zero byte raises what open(2) does, and is never called a link."""
    with pytest.raises(error) as caught:
        folders.open_folder(str(root / path))
    assert not isinstance(caught.value, LinkedError)


def test_no_descriptor_is_left_open(root: Path) -> None:
    """However an operation ends, its descriptors are closed."""
    before = len(os.listdir("/proc/self/fd"))
    for operation in OPERATIONS.values():
        with pytest.raises(LinkedError):
            operation(str(root / "card/Fog.tif"), str(root / PLAIN), str(root))
    assert len(os.listdir("/proc/self/fd")) == before


def test_swapped_after_it_was_opened(root: Path, outside: Path) -> None:
    """A folder swapped between opening it and naming the file in it: the file comes into the true folder."""
    before = _state(outside)
    with folders.parent(str(root / "plain" / "new")) as (folder, name):
        (root / "plain").rename(root / "away")
        (root / "plain").symlink_to(outside)
        os.close(os.open(name, os.O_WRONLY | os.O_CREAT | os.O_EXCL, dir_fd=folder))
    assert (root / "away" / "new").exists()
    assert _state(outside) == before


def test_a_link_is_the_worlds_fault() -> None:
    """It is waited for like a full disk by whoever waits for one, escaped, and no picture is blamed."""
    error = LinkedError("/mill/re\x1bady")
    assert isinstance(error, WorldError)
    assert isinstance(error, OSError)
    assert error.errno == errno.ELOOP
    assert error.strerror == "it is a symbolic link"
    assert "re\\x1bady is a symbolic link" in str(error)
    with pytest.raises(LinkedError), durable.world("Writing", "x"):
        raise error


def test_named_by_a_person(root: Path, outside: Path) -> None:
    """Links in a path that a person names are meant; one in the last place is still not followed."""
    assert folders.as_named(str(root / "card" / "Fog.tif")) == str(outside / "Fog.tif")
    assert folders.as_named(str(root / "card")) == str(root / "card")


# -- a studio -----------------------------------------------------------------


@pytest.fixture
def studio(tmp_path: Path) -> Studio:
    """A studio with print/card/."""
    made = make_studio(str(tmp_path / "studio"))
    os.mkdir(made.path("print", "card"))
    prepare_state(made)
    return made


def _swap(path: str, outside: Path) -> None:
    os.rename(path, path + ".away")
    os.symlink(outside, path)


def _swap_back(path: str) -> None:
    os.unlink(path)
    os.rename(path + ".away", path)


def test_studio_named_by_a_link(studio: Studio, tmp_path: Path) -> None:
    """A studio that is named by way of a link works, in the place that the link led to when it was opened."""
    (tmp_path / "link").symlink_to(studio.root)
    opened = open_studio(str(tmp_path / "link"))
    opened.require_marker()
    assert (opened.root, opened.state) == (studio.root, studio.state)
    (tmp_path / "link").unlink()
    opened.require_marker()


def test_state_by_way_of_a_link(studio: Studio, tmp_path: Path, outside: Path) -> None:
    """A private folder that is a link is taken for where it leads when the studio is opened, and stays there."""
    os.rename(studio.private(), tmp_path / "local")
    os.symlink(tmp_path / "local", studio.path(".printqueue"))
    opened = open_studio(studio.root)
    assert opened.state == str(tmp_path / "local")
    opened.require_marker()
    os.unlink(studio.path(".printqueue"))
    os.symlink(outside, studio.path(".printqueue"))
    opened.require_marker()
    assert opened.state == str(tmp_path / "local")


@pytest.mark.parametrize("name", ["ready", "print", "review", "masters", "rules", "profiles"])
def test_folder_of_the_studio_is_a_link(studio: Studio, outside: Path, name: str) -> None:
    """A studio with a link for a folder does not work, and says which one; put back, it does."""
    _swap(studio.path(name), outside)
    with pytest.raises(LinkedError, match=f"{name} is a symbolic link"):
        studio.require_folders()
    _swap_back(studio.path(name))
    studio.require_folders()


def test_private_folder_swapped(studio: Studio, outside: Path) -> None:
    """A private folder that becomes a link after the studio was opened is not followed."""
    (outside / "studio").write_text("marker")
    _swap(studio.state, outside)
    with pytest.raises(LinkedError):
        studio.require_marker()
    os.unlink(studio.state)
    os.rename(studio.state + ".away", studio.state)
    os.rmdir(studio.private("spool"))
    os.symlink(outside, studio.private("spool"))
    with pytest.raises(LinkedError):
        prepare_state(studio)


@pytest.mark.parametrize("swapped", ["print", "print/card"])
def test_publication_into_a_swapped_folder(studio: Studio, outside: Path, swapped: str) -> None:
    """Nothing is shown, hidden or taken back through a link; when the true folder is back, it goes on."""
    digest = durable.write_temp(studio.path("print/card/.t"), b"pixels")
    intent = Publication("print", [Placed("print", "print/card/.t", "print/card/Fog2.tif", digest)])
    before = _state(outside)
    _swap(studio.path(swapped), outside)
    for step in (publish.verify_temps, publish.show, publish.hide, publish.take_back, publish.print_is_visible):
        with pytest.raises(LinkedError):
            step(studio, intent)
    assert _state(outside) == before
    _swap_back(studio.path(swapped))
    publish.show(studio, intent)
    assert durable.sha256(studio.path("print/card/Fog2.tif")) == digest


@pytest.mark.parametrize("swapped", ["ready", "masters"])
def test_original_and_a_swapped_folder(studio: Studio, outside: Path, swapped: str) -> None:
    """The original stays where it is while either of its folders is a link; then it is moved."""
    os.mkdir(studio.path("masters", "card"))
    os.mkdir(studio.path("ready", "card"))
    Path(studio.path("ready", "card", "Fog.tif")).write_text("original")
    stamp = _stamp(studio.path("ready", "card", "Fog.tif"))
    digest = durable.sha256(studio.path("ready", "card", "Fog.tif"))
    moved = publish.moved_from("ready/card/Fog.tif", "masters/card/Fog.tif", stamp, sha256=digest)
    before = _state(outside)
    _swap(studio.path(swapped, "card"), outside)
    with pytest.raises(LinkedError):
        originals.move_originals(studio, Publication("print", [], [moved]))
    assert _state(outside) == before
    _swap_back(studio.path(swapped, "card"))
    _, unusual = originals.move_originals(studio, Publication("print", [], [moved]))
    assert unusual == []
    assert _stamp(studio.path("masters", "card", "Fog.tif")).same_file(stamp)
