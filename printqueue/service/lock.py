"""Holding a studio: one service for it, on this machine by kernel locks, on others by what its marker says; and nothing
of anybody else's in its private folder.

Two files are locked: the marker, since the studio is what must not be served twice, and `lock` in the state folder, since
two studios may name the same one. While the service runs, both and the ledger must stay the very files that were opened.
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
from datetime import UTC, datetime

from printqueue import ledger
from printqueue.core.disk import durable, filesystems, folders
from printqueue.core.errors import StudioError, WorldError
from printqueue.core.text import shown
from printqueue.studio import marker as marks
from printqueue.studio.folders import MARKED_FOLDERS, Studio, prepare_state, takes_no_mark
from printqueue.studio.marker import MARK, MARKER, Served

_LOCK_TRIES, _LOCK_PAUSE_S = 5, 0.05
_HELD = (errno.EWOULDBLOCK, errno.EACCES)
_NO_LOCKS = (errno.ENOLCK, errno.EOPNOTSUPP, errno.ENOSYS, errno.EINVAL)  # shares that know none
_OPEN = os.O_CLOEXEC | os.O_NOFOLLOW | os.O_NONBLOCK
_BEAT_S = 20.0  # between two notes in the marker that the service lives
_FRESH_S = 180.0  # a note from another machine that is younger is believed
_MOST_NAMED = 3
# What stands in a state folder that an earlier version made; `ledger.sqlite` alone proves nothing where it is damaged.
_OUR_NAMES = ("spool", "past", "lock", "log", "ledger.sqlite", "ledger-set-aside-")


def utc_now() -> str:
    """The time for people: RFC 3339, UTC, whole seconds."""
    return datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


# -- whose is the state folder? -------------------------------------------------------


def require_own_state(studio: Studio) -> None:
    """Refuse a state folder that is neither new, nor this studio's by its mark, nor one that an earlier version made for
    it. Looks only. Raises `StudioError`.
    """
    require_state_of(studio, _identity_to_be(studio))


def require_state_of(studio: Studio, identity: str, user: int | None = None) -> None:
    """The same for a known `identity`; "" is that of a studio which still has to get one, so any mark is another's.
    The `user` who is to work there must own it.
    """
    if studio.state == os.path.dirname(studio.marker):  # the marker itself tells whose it is
        if user is not None and user != (owner := os.stat(studio.state).st_uid):
            raise _swapped(studio, owner)
        return
    try:
        seen = os.lstat(studio.state)
    except FileNotFoundError:
        return
    if not stat.S_ISDIR(seen.st_mode):
        raise _refused(studio, "which is no folder")
    if user is not None and user != seen.st_uid:
        raise _refused(studio, f"which belongs to another user (number {seen.st_uid})")
    mark = _mark_of(studio)
    if mark is None:
        _require_harmless(studio, identity)
    elif mark != identity or not mark:
        raise _refused(studio, "which belongs to another studio")


def _mark_of(studio: Studio) -> str | None:
    """The identity that a state folder outside `.printqueue/` is marked with, None without any mark; "" where it is the
    private folder of a studio that has no identity yet. A mark that another user made counts for nothing.
    """
    for name in (MARK, MARKER):
        path = studio.private(name)
        if (text := marks.read(path)) and os.lstat(path).st_uid == os.lstat(studio.state).st_uid:
            return marks.id_in(text)
    return None


def _require_harmless(studio: Studio, identity: str) -> None:
    """Without a mark: an empty folder, or one with a ledger of an earlier version."""
    names = [name for name in folders.names(studio.state) if not _is_nobodys(name)]
    if not names or _holds_our_ledger(studio, identity, names):
        return
    more = f" and {len(names) - _MOST_NAMED} more" if len(names) > _MOST_NAMED else ""
    listed = ", ".join(shown(name, limit=60) for name in sorted(names)[:_MOST_NAMED])
    raise _refused(studio, f"which holds files that are not this studio's ({listed}{more})")


def _is_nobodys(name: str) -> bool:
    """Of a file system's own root, or left by a kill while the mark was made."""
    return name in ("lost+found", durable.TEMP_PREFIX + MARK)


def _holds_our_ledger(studio: Studio, identity: str, names: list[str]) -> bool:
    try:
        if os.lstat(studio.ledger).st_uid != os.lstat(studio.state).st_uid:  # put there by somebody who may write there
            return False
        owner = ledger.owner(studio.ledger)
    except FileNotFoundError:
        return False
    except ledger.LedgerDamagedError:
        owner = None
    except (ledger.LedgerNewerError, ledger.LedgerBusyError):
        raise
    except ledger.LedgerError:
        return False
    if owner is None:  # damaged, or killed before its first table
        return all(name.startswith((*_OUR_NAMES, durable.TEMP_PREFIX)) for name in names)
    return owner in ("", identity)


def _swapped(studio: Studio, owner: int) -> StudioError:
    """Whoever may write into the studio's folder can put a private folder of their own there, ledger and all."""
    return StudioError(
        f"The private folder {shown(studio.state)} belongs to another user (number {owner}), so its ledger may say anything. "
        "Nothing in it was changed or removed, and pictures stay in ready/.",
        do="Run the service as that user, or, if you know the folder, give it to this one: chown -R.",
    )


def _refused(studio: Studio, why: str) -> StudioError:
    return StudioError(
        f"`state:` in studio.yaml names {shown(studio.state)}, {why}. Nothing in it was changed or removed, and pictures "
        "stay in ready/.",
        do="Name a new or an empty folder there, or leave the line out.",
    )


# -- a studio that an earlier version made -----------------------------------------------


def _identity_to_be(studio: Studio) -> str:
    """The studio's identity; of a marker without one, that which its folders agree on; else "" (a new one)."""
    if identity := studio.identity:
        return identity
    found = {marks.id_in(marks.read(studio.path(name, MARK))) for name in MARKED_FOLDERS} - {""}
    if len(found) > 1:
        raise StudioError(
            f"The folders of {shown(studio.root)} carry the marks of {len(found)} different studios, and its marker names "
            "none. Nothing was changed.",
            do=f"Put the true folders back, or remove {MARK} from those that are to be this studio's.",
        )
    return found.pop() if found else ""


def _adopted(studio: Studio) -> str:
    """Give a studio of an earlier version its identity, and its folders their marks; the marker last, so that a kill in
    between is made good at the next start.
    """
    identity, places = _identity_to_be(studio) or marks.new_id(), {}
    for name in MARKED_FOLDERS:
        folder = studio.path(name)
        if os.path.islink(folder) or not os.path.isdir(folder):
            continue
        with durable.world("Marking", folder):
            number = marks.place_in(marks.read(os.path.join(folder, MARK)))
            if number or not takes_no_mark(name, folder):
                places[name] = number or marks.put(folder, identity)
    with durable.world("Marking", studio.marker):
        marker = marks.opened(studio.marker)
        try:
            marks.write_marker(marker, marks.marker_text(identity, places))
        finally:
            os.close(marker)
    return identity


# -- locks ---------------------------------------------------------------------------------


class StudioLock:
    """The one service of a studio (`studio.Held`): its locks are gone with the process, however it ends. Raises
    `StudioError` where another service holds the studio or its state folder, or the state folder is not its own.
    """

    def __init__(
        self, studio: Studio, now: Callable[[], str] = utc_now, clock: Callable[[], float] = time.monotonic
    ) -> None:
        self._studio, self._now, self._clock = studio, now, clock
        self._turn = threading.Lock()
        self._very: dict[str, tuple[int, int]] = {}  # path → device and inode of what was opened
        self._due_s = 0.0
        self._run = marks.this_run(now())
        with ExitStack() as opened:
            self._marker = _marker_of(studio)
            opened.callback(lambda: os.close(self._marker))
            self._require_free(self._marker)
            self.identity = marks.id_in(marks.text_of(self._marker)) or _adopted(studio)
            require_state_of(studio, self.identity, os.geteuid())
            prepare_state(studio)
            lock = _opened(studio.private("lock"), os.O_RDWR | os.O_CREAT)
            opened.callback(os.close, lock)
            if not _taken(lock):
                raise _served_already(studio)
            self._keep(studio.private("lock"), lock)
            self._keep(studio.marker, self._marker)
            self._opened = opened.pop_all()
        self._network = _is_network(studio.root)
        self.beat()

    def text(self) -> str:
        """The marker's text as it is now."""
        with self._turn:
            return marks.text_of(self._marker)

    def watch(self, path: str) -> None:
        """The ledger, just opened by that name: it must stay there. By name, since its descriptor is SQLite's own, and
        to open and close it once more would drop SQLite's locks (sqlite.org/howtocorrupt.html, 2.2).
        """
        seen = os.lstat(path)
        self._very[path] = seen.st_dev, seen.st_ino

    def require(self) -> None:
        """Raise `WorldError` unless lock, ledger and marker are the very files that were opened."""
        with self._turn:
            for path, very in self._very.items():
                if _very(path) == very:
                    continue
                if path != self._studio.marker:
                    raise _displaced(path)
                self._come_back()

    def beat(self) -> None:
        """Once a scan: is it still this studio, and served by this service alone? Now and then, say so to others."""
        with self._turn, durable.world("Reading", self._studio.marker):
            text = marks.text_of(self._marker)
            if marks.id_in(text) != self.identity:
                raise _displaced(self._studio.marker)
            self._require_mine()
            if self._clock() >= self._due_s:
                self._due_s = self._clock() + _BEAT_S
                with suppress(OSError):  # a full or read-only disk is noticed where it matters
                    self._note()

    def _note(self) -> None:
        run = self._run
        self._run = Served(run.host, run.machine, run.boot, run.token, run.since, self._now())
        self._write(self._run)

    def _write(self, served: Served | None) -> None:
        """Opened for that alone: a file system with a file open for writing cannot be remounted read-only."""
        descriptor = marks.opened(self._studio.marker)
        try:
            if _numbers(descriptor) == self._very[self._studio.marker]:
                marks.write_served(descriptor, served)
                if self._network:  # or other machines would not see it for a while
                    os.fsync(descriptor)
        finally:
            os.close(descriptor)

    def _require_mine(self) -> None:
        """Another machine may have started in the same instant, or while the share was not there."""
        if (other := self._elsewhere(self._marker)) is not None:
            raise WorldError(
                f"A service on another machine, {shown(other.host)}, looks after this studio since {shown(other.since)}. This "
                "one takes no more pictures; nothing is lost.",
                do="One machine for one studio: stop one of the two.",
            )

    def _require_free(self, marker: int) -> None:
        if (other := self._elsewhere(marker)) is not None:
            age_s = max(_age_s(self._studio, marker), 0.0)
            raise StudioError(
                f"A service on another machine, {shown(other.host)}, looks after {shown(self._studio.root)} since "
                f"{shown(other.since)}, and was last seen {age_s:.0f} s ago. Nothing was changed.",
                do=f"Stop that one first. If it has ended by itself, start again in {_FRESH_S - age_s:.0f} s.",
            )

    def _elsewhere(self, marker: int) -> Served | None:
        """The service of another machine that said so in the marker a short while ago. Of this one, the lock tells."""
        served = marks.served_in(marks.text_of(marker))
        if served is None or served.token == self._run.token or not self._run.may_live(served):
            return None
        return served if _age_s(self._studio, marker) < _FRESH_S else None

    def _come_back(self) -> None:
        """Another file under the marker's name: the share was mounted again (go on, with its lock), or it is no longer ours."""
        try:
            marker = _marker_of(self._studio)
        except StudioError as error:
            raise WorldError(error.says, do=error.do) from error
        text = marks.text_of(marker)
        if marks.id_in(text) != self.identity:
            os.close(marker)
            raise WorldError(
                f"Another studio stands at {shown(self._studio.root)} now. This service takes no pictures from it.",
                do="Put the studio back, or stop the service and start it again for the new one.",
            )
        before, self._marker = self._marker, marker
        os.close(before)
        self._keep(self._studio.marker, marker)
        self._due_s = 0.0

    def _keep(self, path: str, descriptor: int) -> None:
        self._very[path] = _numbers(descriptor)

    def release(self) -> None:
        """Give the studio up, and say so."""
        with self._turn:
            with suppress(OSError):
                served = marks.served_in(marks.text_of(self._marker))
                if served is not None and served.token == self._run.token:
                    self._write(None)
            self._opened.close()


def is_served(studio: Studio) -> bool:
    """Whether a service of this machine holds the studio right now."""
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


def _marker_of(studio: Studio) -> int:
    """The marker, opened and locked. Raises `StudioError` where another service has it."""
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
    """Take the lock; a reader that asks `is_served` holds it for an instant, so try a few times. Where a share knows no
    locks, the note in the marker must do.
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


def _numbers(descriptor: int) -> tuple[int, int]:
    seen = os.fstat(descriptor)
    return seen.st_dev, seen.st_ino


def _very(path: str) -> tuple[int, int] | None:
    stamp = durable.lstamp(path)
    return None if stamp is None else (stamp.device, stamp.inode)


def _age_s(studio: Studio, marker: int) -> float:
    """How long ago the marker was written, by the clock of the disk or share that it lies on: ours may be another."""
    try:
        descriptor = durable.nameless(os.path.dirname(studio.marker))
    except OSError:
        return time.time() - os.fstat(marker).st_mtime
    try:
        return os.fstat(descriptor).st_mtime - os.fstat(marker).st_mtime
    finally:
        os.close(descriptor)


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
