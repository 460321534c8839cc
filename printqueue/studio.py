"""The folders of a studio: where everything stands, and proof that the folder really is one."""

from __future__ import annotations

import errno
import fcntl
import os
import time
from contextlib import suppress
from dataclasses import dataclass, field

from printqueue import config
from printqueue.config import Config
from printqueue.disk import durable
from printqueue.disk.folders import LinkedError, open_folder, parent
from printqueue.errors import StudioError, UsageError, WorldError
from printqueue.strictyaml import MAX_BYTES
from printqueue.text import shown

MARKER = "studio"
_LOCK_TRIES, _LOCK_PAUSE_S = 5, 0.05
_MARKER_TEXT = b"This folder is a printqueue studio. Without this file the service takes the share for not mounted.\n"
PUBLIC_FOLDERS = ("rules", "profiles", "ready", "print", "review", "masters", "strips", "comparisons", "daybook")


@dataclass(frozen=True, slots=True)
class Studio:
    """Paths of one studio. `state` holds ledger, lock and spool; by default `.printqueue` inside.

    Links in the way to `root`, `state` and the marker are meant, and resolved once, here; none is followed below.
    """

    root: str
    config: Config
    state: str = field(init=False, repr=False)
    _marker: str = field(init=False, repr=False)

    def __post_init__(self) -> None:
        """Resolve the three paths that may be named by way of links."""
        object.__setattr__(self, "root", os.path.realpath(self.root))
        object.__setattr__(self, "state", os.path.realpath(os.path.join(self.root, self.config.state)))
        object.__setattr__(self, "_marker", os.path.join(os.path.realpath(self.path(".printqueue")), MARKER))

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

    def make_folder(self, folder: str) -> None:
        """Make `folder` (a full path below the root) and its parents, durably; never below a bare mount point."""
        self.require_marker()
        durable.make_folder(self.root, folder)

    def require_folders(self) -> None:
        """As `require_marker`; also `LinkedError`, which is a `WorldError`, where a folder of the studio is a link: it
        would lead work away from what carries the marker. For once a scan: no single step follows a link anyway.
        """
        for name in PUBLIC_FOLDERS:
            if os.path.islink(self.path(name)):
                raise LinkedError(self.path(name))
        self.require_marker()

    def require_marker(self) -> None:
        """Raise `WorldError` where the share is not mounted: an empty mount point is no empty inbox."""
        if durable.lstamp(self._marker) is None:
            raise WorldError(
                f"The studio {shown(self.root)} is not there (its marker .printqueue/{MARKER} is missing). "
                "Nothing is written and nothing is taken for gone.",
                do="Mount the share. For a new folder run `printqueue init`.",
            )


def open_studio(root: str) -> Studio:
    """The studio at `root`. Raises `StudioError` where there is none, `UsageError` for a broken studio.yaml."""
    root = os.path.realpath(root)
    if not os.path.isfile(os.path.join(root, ".printqueue", MARKER)):
        raise StudioError(
            f"{shown(root)} is no studio (it holds no .printqueue/{MARKER}).",
            do="Go into your studio's folder, name it with -C, or make one with `printqueue init`.",
        )
    return Studio(root, load_config(root))


def load_config(root: str) -> Config:
    """`studio.yaml` of a studio, or the defaults where it has none."""
    try:
        with open(os.path.join(root, config.FILE), "rb") as stream:
            return config.load(stream.read(MAX_BYTES + 1))
    except FileNotFoundError:
        return Config()
    except OSError as error:
        raise UsageError(f"{config.FILE} cannot be read: {error.strerror}.") from error


def make_studio(root: str) -> Studio:
    """Create the folders of a studio at `root`, which must be new or empty. The marker comes last."""
    root = os.path.realpath(root)
    os.makedirs(root, exist_ok=True)
    if os.listdir(root):
        raise StudioError(
            f"{shown(root)} is not empty. Nothing was changed.", do="Name a new folder: printqueue init NEW-FOLDER."
        )
    for name in PUBLIC_FOLDERS:
        os.mkdir(os.path.join(root, name))
    private = os.path.join(root, ".printqueue")
    os.mkdir(private, 0o700)
    studio = Studio(root, Config())
    durable.write_temp(os.path.join(private, MARKER), _MARKER_TEXT)
    durable.sync_folder(private)
    return studio


def prepare_state(studio: Studio) -> None:
    """Make the private folder and its parts where they are missing (0700)."""
    with durable.world("Preparing", studio.state):
        os.makedirs(studio.state, 0o700, exist_ok=True)
        for name in ("spool", "past"):
            with suppress(FileExistsError):
                os.mkdir(studio.private(name), 0o700)
            os.close(open_folder(studio.private(name)))  # a link there would lead private copies away


class StudioLock:
    """One service per studio: a kernel lock, gone with the process however it ends."""

    def __init__(self, studio: Studio) -> None:
        flags = os.O_RDWR | os.O_CREAT | os.O_CLOEXEC | os.O_NOFOLLOW
        with parent(studio.private("lock")) as (folder, name):
            self._descriptor = os.open(name, flags, 0o600, dir_fd=folder)
        if not self._taken():
            os.close(self._descriptor)
            raise StudioError(
                f"Another printqueue service already looks after {shown(studio.root)}.",
                do="Use that one (`printqueue status`), or stop it first.",
            )

    def _taken(self) -> bool:
        """Take the lock; a reader that asks `is_served` holds it for an instant, so try a few times."""
        for _ in range(_LOCK_TRIES):
            try:
                fcntl.flock(self._descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except OSError as error:
                if error.errno not in (errno.EWOULDBLOCK, errno.EACCES):
                    raise
                time.sleep(_LOCK_PAUSE_S)
            else:
                return True
        return False

    def release(self) -> None:
        """Give the studio up."""
        os.close(self._descriptor)


def is_served(studio: Studio) -> bool:
    """Whether a service holds the studio's lock right now."""
    try:
        descriptor = os.open(studio.private("lock"), os.O_RDONLY | os.O_CLOEXEC | os.O_NOFOLLOW)
    except OSError:
        return False
    try:
        fcntl.flock(descriptor, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except OSError:
        return True
    finally:
        os.close(descriptor)
    return False
