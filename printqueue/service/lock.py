"""One service per studio: kernel locks keep out a second one on this machine, a note in the marker keeps out other
machines.

Two files are locked: the marker, because a studio must not be served twice, and `lock` in the state folder, because two
studios may name the same folder. While the service runs, these two and the ledger must remain the files it opened.
"""

from __future__ import annotations

import errno
import fcntl
import os
import stat
import threading
import time
from collections.abc import Callable
from contextlib import ExitStack, suppress
from dataclasses import replace
from datetime import UTC, datetime

from printqueue.core.disk import durable, filesystems, folders
from printqueue.core.errors import StudioError, WorldError
from printqueue.core.text import shown
from printqueue.service import state_folder
from printqueue.studio import marker
from printqueue.studio.folders import Studio, prepare_state
from printqueue.studio.marker import Served

_LOCK_TRIES, _LOCK_PAUSE_S = 5, 0.05
_HELD = (errno.EWOULDBLOCK, errno.EACCES)
_NO_LOCKS = (errno.ENOLCK, errno.EOPNOTSUPP, errno.ENOSYS, errno.EINVAL)  # shares without locks
_OPEN = os.O_CLOEXEC | os.O_NOFOLLOW | os.O_NONBLOCK
_BEAT_S = 20.0  # between notes in the marker
_FRESH_S = 180.0  # a note from another machine counts while younger than this


def utc_now() -> str:
    """The wall-clock time: RFC 3339, UTC, whole seconds."""
    return datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


class StudioLock:
    """Holds a studio for its one service (`studio.folders.Held`). The locks end with the process, however it ends.
    Raises `StudioError` if another service holds the studio or its state folder, or the state folder is not the
    studio's own.
    """

    def __init__(
        self, studio: Studio, now: Callable[[], str] = utc_now, clock: Callable[[], float] = time.monotonic
    ) -> None:
        self._studio, self._now, self._clock = studio, now, clock
        self._turn = threading.Lock()
        self._opened_as: dict[str, tuple[int, int]] = {}  # path → device and inode
        self._due_s = 0.0
        self._run = marker.this_run(now())
        with ExitStack() as opened:
            self._marker = _locked_marker(studio)
            opened.callback(lambda: os.close(self._marker))
            self._require_free()
            self.identity = marker.id_in(marker.text_of(self._marker)) or state_folder.adopt(studio)
            state_folder.require_state_of(studio, self.identity, os.geteuid())
            prepare_state(studio)
            lock = _opened(studio.private("lock"), os.O_RDWR | os.O_CREAT)
            opened.callback(os.close, lock)
            if not _taken(lock):
                raise _served_already(studio)
            self._opened_as[studio.private("lock")] = _device_and_inode(lock)
            self._opened_as[studio.marker] = _device_and_inode(self._marker)
            self._opened = opened.pop_all()
        self._network = _is_network(studio.root)
        self.beat()

    def text(self) -> str:
        """The marker's current text."""
        with self._turn:
            return marker.text_of(self._marker)

    def watch(self, path: str) -> None:
        """Require the ledger, just opened, to stay at `path`. It is checked by name: closing another descriptor on it
        would drop SQLite's locks (sqlite.org/howtocorrupt.html, 2.2).
        """
        seen = os.lstat(path)
        self._opened_as[path] = seen.st_dev, seen.st_ino

    def require(self) -> None:
        """Raise `WorldError` unless lock, ledger and marker are still the files that were opened."""
        with self._turn:
            for path, opened_as in self._opened_as.items():
                stamp = durable.lstamp(path)
                if stamp is not None and (stamp.device, stamp.inode) == opened_as:
                    continue
                if path != self._studio.marker:
                    raise _displaced(path)
                self._reopen_marker()

    def beat(self) -> None:
        """Once per scan, check that this is still our studio and only ours; every `_BEAT_S`, renew our note in the
        marker.
        """
        with self._turn, durable.world("Reading", self._studio.marker):
            if marker.id_in(marker.text_of(self._marker)) != self.identity:
                raise _displaced(self._studio.marker)
            self._require_mine()
            if self._clock() >= self._due_s:
                self._due_s = self._clock() + _BEAT_S
                with suppress(OSError):  # a full or read-only disk is noticed elsewhere, where it matters
                    self._run = replace(self._run, seen=self._now())
                    self._write(self._run)

    def _write(self, served: Served | None) -> None:
        """Opens it only for the write: a file system with a file open for writing cannot be remounted read-only."""
        descriptor = marker.opened(self._studio.marker)
        try:
            if _device_and_inode(descriptor) == self._opened_as[self._studio.marker]:
                marker.write_served(descriptor, served)
                if self._network:  # otherwise other machines would not see it for a while
                    os.fsync(descriptor)
        finally:
            os.close(descriptor)

    def _require_mine(self) -> None:
        """Another machine may have started at the same instant, or while the share was gone."""
        if (other := self._elsewhere()) is not None:
            raise WorldError(
                f"A service on another machine, {shown(other.host)}, looks after this studio since {shown(other.since)}. This "
                "one takes no more pictures; nothing is lost.",
                do="One machine for one studio: stop one of the two.",
            )

    def _require_free(self) -> None:
        if (other := self._elsewhere()) is not None:
            age_s = max(_age_s(self._studio, self._marker), 0.0)
            raise StudioError(
                f"A service on another machine, {shown(other.host)}, looks after {shown(self._studio.root)} since "
                f"{shown(other.since)}, and was last seen {age_s:.0f} s ago. Nothing was changed.",
                do=f"Stop that one first. If it has ended by itself, start again in {_FRESH_S - age_s:.0f} s.",
            )

    def _elsewhere(self) -> Served | None:
        """The service on another machine, if its note in the marker is fresh. On this machine the lock decides."""
        served = marker.served_in(marker.text_of(self._marker))
        if served is None or served.token == self._run.token or not self._run.may_live(served):
            return None
        return served if _age_s(self._studio, self._marker) < _FRESH_S else None

    def _reopen_marker(self) -> None:
        """Another file now has the marker's name. If the share was merely remounted, lock that file and go on;
        otherwise the studio is no longer ours.
        """
        try:
            descriptor = _locked_marker(self._studio)
        except StudioError as error:
            raise WorldError(error.says, do=error.do) from error
        if marker.id_in(marker.text_of(descriptor)) != self.identity:
            os.close(descriptor)
            raise WorldError(
                f"Another studio stands at {shown(self._studio.root)} now. This service takes no pictures from it.",
                do="Put the studio back, or stop the service and start it again for the new one.",
            )
        before, self._marker = self._marker, descriptor
        os.close(before)
        self._opened_as[self._studio.marker] = _device_and_inode(descriptor)
        self._due_s = 0.0

    def release(self) -> None:
        """Release the studio and remove our note."""
        with self._turn:
            with suppress(OSError):
                served = marker.served_in(marker.text_of(self._marker))
                if served is not None and served.token == self._run.token:
                    self._write(None)
            self._opened.close()


def is_served(studio: Studio) -> bool:
    """Whether a service on this machine holds the studio right now."""
    return any(_is_locked(path) for path in (studio.private("lock"), studio.marker))


def _is_locked(path: str) -> bool:
    try:
        descriptor = os.open(path, os.O_RDONLY | _OPEN)
    except OSError:
        return False
    try:
        fcntl.flock(descriptor, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except OSError as error:
        return error.errno in _HELD
    finally:
        os.close(descriptor)
    return False


def _locked_marker(studio: Studio) -> int:
    """The locked marker's descriptor. Raises `StudioError` if another service holds it."""
    descriptor = _opened(studio.marker, os.O_RDONLY)
    try:
        taken = _taken(descriptor)
    except OSError as error:
        os.close(descriptor)
        if error.errno != errno.EBADF:
            raise
        descriptor = _opened(studio.marker, os.O_RDWR)  # NFS locks only what is open for writing: flock(2)
        taken = _taken(descriptor)
    if not taken:
        os.close(descriptor)
        raise _served_already(studio)
    return descriptor


def _opened(path: str, flags: int) -> int:
    with folders.parent(path) as (folder, name):
        descriptor = os.open(name, flags | _OPEN, 0o600, dir_fd=folder)
    if not stat.S_ISREG(os.fstat(descriptor).st_mode):
        os.close(descriptor)
        raise StudioError(f"{shown(path)} is not a regular file. Nothing was changed.", do="Move it away.")
    return descriptor


def _taken(descriptor: int) -> bool:
    """Take the lock; False if another holds it. It takes several tries because `is_served` holds it for an instant; on
    a share without locks the note in the marker must suffice.
    """
    for _ in range(_LOCK_TRIES):
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            if error.errno in _NO_LOCKS:
                return True
            if error.errno not in _HELD:
                raise
            time.sleep(_LOCK_PAUSE_S)
        else:
            return True
    return False


def _device_and_inode(descriptor: int) -> tuple[int, int]:
    seen = os.fstat(descriptor)
    return seen.st_dev, seen.st_ino


def _age_s(studio: Studio, descriptor: int) -> float:
    """Seconds since the marker was written, by the clock of its own disk or share, which may differ from ours."""
    try:
        newer = durable.nameless(os.path.dirname(studio.marker))
    except OSError:
        return time.time() - os.fstat(descriptor).st_mtime
    try:
        return os.fstat(newer).st_mtime - os.fstat(descriptor).st_mtime
    finally:
        os.close(newer)


def _is_network(path: str) -> bool:
    try:
        return filesystems.of(path).is_network
    except OSError:
        return False


def _served_already(studio: Studio) -> StudioError:
    return StudioError(
        f"Another printqueue service already looks after {shown(studio.root)}, or after its state folder.",
        do="Use that one (`printqueue status`), or stop it first.",
    )


def _displaced(path: str) -> WorldError:
    return WorldError(
        f"{shown(path)} is no longer the file that this service opened: it was taken away, or another stands there. No more "
        "pictures are taken; those in ready/ stay as they are.",
        do="Put it back, and it goes on by itself; or stop the service and start it again.",
    )
