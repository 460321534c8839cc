"""A studio's folders: where everything is, and proof that each folder is really the studio's."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from itertools import count
from typing import Protocol

from printqueue.core import naming
from printqueue.core.disk import durable, mounts
from printqueue.core.disk.folders import LinkedError, open_folder
from printqueue.core.disk.folders import names as names_in
from printqueue.core.errors import StudioError, UsageError, WorldError
from printqueue.core.text import shown
from printqueue.core.yaml.plain_yaml import MAX_BYTES
from printqueue.studio import marker, settings
from printqueue.studio.marker import MARK, MARKER
from printqueue.studio.settings import Config

MARKED_FOLDERS = ("ready", "print", "review", "masters", "strips", "comparisons", "daybook")
PUBLIC_FOLDERS = ("rules", "profiles", *MARKED_FOLDERS)
_AFTERWARDS = {
    "profiles": " Copy your profiles into it; until then pictures wait.",
    "rules": " Copy your papers' files into it; until then pictures wait.",
}
WORK_FOLDERS = ("ready", "print", "review", "masters")  # while one of these is missing, no picture is taken


class FolderGoneError(WorldError):
    """One of the studio's folders is missing, or belongs to another studio."""

    def __init__(self, name: str, *, other: bool = False) -> None:
        what = "carries the mark of another studio"
        if not other:
            what = "is not there, or a folder without the studio's mark stands in its place"
        super().__init__(
            f"{name}/ {what}. Pictures wait, and nothing that lay in it counts as lost.",
            do="Mount the disk or put the folder back; work goes on by itself. Gone for good? `printqueue init` in the "
            "studio makes a new one.",
        )


class Held(Protocol):
    """A running service's hold on its studio (`service.lock.StudioLock`)."""

    identity: str

    def text(self) -> str:
        """The marker's current text."""

    def require(self) -> None:
        """Raise `WorldError` if the marker's name no longer refers to the file held open."""

    def beat(self) -> None:
        """Called once per scan: do the same, and note in the marker that the service is alive."""


@dataclass(frozen=True, slots=True)
class Studio:
    """The paths of one studio. `state` holds ledger, lock and spool; by default it is `.printqueue` inside `root`.

    Links on the way to `root`, `state` and the marker are intended, and resolved here, once; below, none is followed.
    """

    root: str
    config: Config
    held: Held | None = field(default=None, repr=False, compare=False)
    state: str = field(init=False, repr=False)
    marker: str = field(init=False, repr=False)

    def __post_init__(self) -> None:
        """Resolve the three paths that may lead through links."""
        object.__setattr__(self, "root", os.path.realpath(self.root))
        object.__setattr__(self, "state", os.path.realpath(os.path.join(self.root, self.config.state)))
        object.__setattr__(self, "marker", os.path.join(os.path.realpath(self.path(".printqueue")), MARKER))

    @property
    def ledger(self) -> str:
        """The SQLite file."""
        return os.path.join(self.state, "ledger.sqlite")

    def path(self, *parts: str) -> str:
        """A path below the studio's root."""
        return os.path.join(self.root, *parts)

    def private(self, *parts: str) -> str:
        """A path below the private folder."""
        return os.path.join(self.state, *parts)

    @property
    def identity(self) -> str:
        """The studio's identity; "" if an older version made the studio and it has not been served since."""
        return self.held.identity if self.held is not None else marker.id_in(self._text)

    @property
    def _text(self) -> str:
        return self.held.text() if self.held is not None else marker.read(self.marker)

    def make_folder(self, folder: str) -> None:
        """Make `folder` (a full path inside one of the marked folders) and its parents, durably; but never a marked folder
        itself, which may simply not be mounted. Raises `WorldError`.
        """
        self.require_marker()
        within = os.path.relpath(folder, self.root)
        top = within.split(os.sep, maxsplit=1)[0]
        self.require_folder(top)
        self.require_mounts(within)
        try:
            durable.make_folder(self.path(top), folder)
        except (NotADirectoryError, FileExistsError) as error:
            raise _in_the_way(self.root, folder) from error
        self.note_mounts(within)

    def note_mounts(self, folder: str) -> None:
        """If this is the service, record which parts of `folder` (relative) are mount points."""
        if self.held is not None:
            mounts.note(self.root, self.private(mounts.FILE), folder)

    def require_mounts(self, *folders: str) -> None:
        """Raise `MountGoneError` if any part of these (relative) was a mount point and no longer is."""
        for folder in folders:
            if lost := self.lost_mount(folder):
                raise mounts.MountGoneError(lost)

    def lost_mount(self, folder: str) -> str:
        """The part of `folder` (relative) whose mount is gone; "" if none is."""
        return mounts.gone(self.root, self.private(mounts.FILE), folder)

    def require_folders(self) -> None:
        """`require_marker`, and `require_folder` for every folder work passes through. Raises `LinkedError`, a
        `WorldError`, if one of the studio's folders is a link, which would lead work away from the marked folder.
        Once per scan is enough, since no single step follows a link anyway.
        """
        for name in PUBLIC_FOLDERS:
            if os.path.islink(self.path(name)):
                raise LinkedError(self.path(name))
        self.require_marker()
        if self.held is not None:
            self.held.beat()
        self.require_folder(*WORK_FOLDERS)

    def require_folder(self, *names: str) -> None:
        """Raise `FolderGoneError` unless all these marked folders are the studio's own; an empty mount point is not."""
        text = self._text
        identity, numbers = marker.id_in(text), marker.numbers_in(text)
        for name in names:
            folder = self.path(name)
            mark = marker.read(os.path.join(folder, MARK))
            found = marker.id_in(mark)
            if found == identity != "" and marker.number_in(mark) == numbers.get(name):
                continue
            if not os.path.isdir(folder) or (identity and not (found == "" and takes_no_mark(name, folder))):
                raise FolderGoneError(name, other=found not in ("", identity))

    def require_marker(self) -> None:
        """Raise `WorldError` if the share is not mounted: an empty mount point must not pass for an empty ready/."""
        if durable.lstamp(self.marker) is None:
            raise WorldError(
                f"The studio {shown(self.root)} is not there (its marker .printqueue/{MARKER} is missing). "
                "Nothing is written and nothing is taken for gone.",
                do="Mount the share. For a new folder run `printqueue init`.",
            )
        if self.held is not None:
            self.held.require()


def takes_no_mark(name: str, folder: str) -> bool:
    """Whether this is a read-only ready/: we never write there, so it needs no mark."""
    return name == "ready" and bool(os.statvfs(folder).f_flag & os.ST_RDONLY)


def _in_the_way(root: str, folder: str) -> WorldError:
    """A file has the name of a folder we need: a group folder in ready/ has the same name as an earlier picture."""
    path = folder
    while path != root and not os.path.lexists(path):
        path = os.path.dirname(path)
    return WorldError(
        f"{shown(os.path.relpath(path, root))} is a file, so no folder can be made under that name. It is left as it is, "
        "and the picture waits in ready/.",
        do="Give the folder in ready/ another name.",
    )


def open_studio(root: str) -> Studio:
    """The studio at `root`. Raises `StudioError` if there is none, `UsageError` for a broken studio.yaml."""
    root = os.path.realpath(root)
    if not marker.is_studio(root):
        raise StudioError(
            f"{shown(root)} is no studio (it holds no .printqueue/{MARKER}).",
            do="Go into your studio's folder, name it with -C, or make one with `printqueue init`.",
        )
    return Studio(root, _config(root))


def _config(root: str) -> Config:
    """`studio.yaml`, or the defaults if there is none."""
    try:
        return settings.load(durable.read_plain(os.path.join(root, settings.FILE), MAX_BYTES + 1))
    except FileNotFoundError:
        return Config()
    except OSError as error:
        raise UsageError(f"{settings.FILE} cannot be read: {error.strerror}.") from error


def make_studio(root: str) -> Studio:
    """Create a studio's folders at `root`, which must be new or empty. The marker comes last."""
    root = os.path.realpath(root)
    os.makedirs(root, exist_ok=True)
    if os.listdir(root):
        raise StudioError(
            f"{shown(root)} is not empty. Nothing was changed.", do="Name a new folder: printqueue init NEW-FOLDER."
        )
    identity = marker.new_id()
    for name in PUBLIC_FOLDERS:
        os.mkdir(os.path.join(root, name))
    numbers = {name: marker.put(os.path.join(root, name), identity) for name in MARKED_FOLDERS}
    private = os.path.join(root, ".printqueue")
    os.mkdir(private, 0o700)
    durable.write_temp(os.path.join(private, MARKER), marker.marker_text(identity, numbers))
    durable.sync_folder(private)
    return Studio(root, Config())


def put_back(studio: Studio) -> Iterator[str]:
    """Make the studio's missing folders and mark the unmarked ones. Only at the photographer's request, since a folder
    that is not mounted looks the same. Yields what was done. Raises `StudioError`, `WorldError`.
    """
    for name in PUBLIC_FOLDERS:
        folder = studio.path(name)
        with durable.world("Making", folder):
            if not os.path.lexists(folder):
                os.mkdir(folder)
                yield f"{name}/ is back, and empty.{_AFTERWARDS.get(name, '')}"
            if name in MARKED_FOLDERS and studio.identity and not _has_its_mark(studio, name):
                _mark_anew(studio, name)
                yield f"{name}/ carries the studio's mark again."
    with durable.world("Writing", studio.private(mounts.FILE)):
        lost = mounts.forget(studio.root, studio.private(mounts.FILE))
    yield from (f"{shown(name)}/ is a plain folder from now on." for name in lost)


def _has_its_mark(studio: Studio, name: str) -> bool:
    try:
        studio.require_folder(name)
    except FolderGoneError:
        return False
    return True


def _mark_anew(studio: Studio, name: str) -> None:
    """Write the mark first: if killed before its number is in the marker, the folder is still not the studio's."""
    folder = studio.path(name)
    found = marker.id_in(marker.read(os.path.join(folder, MARK)))
    if found not in ("", studio.identity):
        raise StudioError(
            f"{name}/ carries the mark of another studio ({name}/{MARK}). It was left as it is.",
            do="Put the true folder back; or, to make it this studio's, remove that file and run `printqueue init` again.",
        )
    number = marker.put(folder, studio.identity)
    descriptor = marker.opened(studio.marker)
    try:
        marker.write_numbers(descriptor, marker.numbers_in(marker.text_of(descriptor)) | {name: number})
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def prepare_state(studio: Studio) -> None:
    """Make whatever is missing in the private folder (0700), its mark first."""
    with durable.world("Preparing", studio.state):
        os.makedirs(studio.state, 0o700, exist_ok=True)
        identity = studio.identity if studio.state != os.path.dirname(studio.marker) else ""
        if identity and not marker.id_in(marker.read(studio.private(MARK))):
            marker.put(studio.state, identity)
        for name in ("spool", "past"):
            with suppress(FileExistsError):
                os.mkdir(studio.private(name), 0o700)
            os.close(open_folder(studio.private(name)))  # refuse links, which would lead private copies elsewhere


def free_number(studio: Studio, groups: Mapping[str, Callable[[int], Iterable[str]]]) -> int:
    """The smallest number whose names are all free; `groups`: folder → the names a number would take there."""
    taken = {folder: set(map(naming.twin_key, names_in(studio.path(folder)))) for folder in groups}
    return next(
        number
        for number in count(1)
        if not any(naming.twin_key(name) in taken[folder] for folder, names in groups.items() for name in names(number))
    )
