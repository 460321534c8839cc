"""File events, used for one thing only: to wake the scan earlier than its clock would.

The watchdog library listens. It says nothing of a queue that overflowed, of a share that was mounted anew, or of a folder that
the kernel refused to watch; so what a scan finds is held against what was announced, and where that does not agree,
listening is built anew.
"""

from __future__ import annotations

import errno
import logging
import os
import threading
import warnings
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from printqueue.core.disk import filesystems
from printqueue.core.text import shown
from printqueue.studio import passing

if TYPE_CHECKING:
    from watchdog.events import FileSystemEvent
    from watchdog.observers.inotify import InotifyObserver

    from printqueue.service.intake.scan import Sweep

log = logging.getLogger("printqueue")

LATEST_S = 2.0  # an event that comes later than that after its file was found does not come
_IN_VAIN = 3  # times that listening is built anew before the clock alone is trusted
_MOST_PATHS = 50_000  # announced between two looks; beyond, everything counts as announced
_JOIN_S = 5.0
_GONE = (errno.ENOENT, errno.ENOTDIR)
_LIMITS = {
    errno.ENOSPC: "limit fs.inotify.max_user_watches reached, the disk is not full: "
    "raise it with sysctl fs.inotify.max_user_watches=524288",
    errno.EMFILE: "limit fs.inotify.max_user_instances reached: "
    "end programs that watch folders, or raise it with sysctl fs.inotify.max_user_instances=1024",
    errno.ENOENT: "ready/ is not there",
}


class Waker:
    """Calls `wake` soon after something happens below `folder` (ready/). Polling alone must do where it cannot, and
    is what it leaves things to where others may write without an event.

    `why` is one clause: why events are not had, or not in all folders; empty where all is well.
    """

    def __init__(self, folder: str, wake: Callable[[], None]) -> None:
        self.why = ""
        self._folder, self._wake = folder, wake
        self._observer: InotifyObserver | None = None
        self._top: tuple[int, int] | None = None  # device and inode of the folder that is watched
        self._hearing = _Hearing(folder, wake)
        self._deaf_folder: str | None = None  # where the kernel refuses a watch
        self._in_vain = 0
        self.check()

    @property
    def mode(self) -> str:
        """`events` while they can be had, else `poll`."""
        return "events" if self._is_alive() else "poll"

    def check(self) -> None:
        """Watch what is there now: to be called before every scan, so that no file falls between the two. Everything anew
        where ready/ is another folder than before (unmounted, replaced) or listening has ended. Never raises.
        """
        try:
            why = self._watch()
        except (OSError, RuntimeError) as error:  # the second: no more threads allowed (TasksMax=, RLIMIT_NPROC)
            self.close()
            self._in_vain = 0
            why = f"file events cannot be had: {refused(error)}"
        if why and why != self.why:
            log.warning("%s; ready/ is looked through on the clock", why)
        elif self.why and not why:
            log.info("file events are to be had again")
        self.why = why

    def scanned(self, found: Sweep, now_s: float) -> None:
        """Hold what a full look has found against what was announced; `now_s`: monotonic seconds."""
        if self._observer is None:
            return
        missed = self._hearing.missed(found, now_s)
        if missed is None:
            return
        folder = os.path.dirname(os.path.join(self._folder, missed))
        code = refusal(folder)
        if code and code not in _GONE:
            self._deaf_folder = folder
            return
        self._in_vain += 1
        log.warning("no file event told of %s, found by looking; listening is built anew", shown(missed))
        self.close()

    def close(self) -> None:
        """Stop listening."""
        observer, self._observer, self._top = self._observer, None, None
        if observer is not None:
            observer.stop()
            observer.join(_JOIN_S)

    def _is_alive(self) -> bool:
        observer = self._observer
        return observer is not None and observer.is_alive() and all(one.is_alive() for one in observer.emitters)

    def _watch(self) -> str:
        seen = os.stat(self._folder)
        top = seen.st_dev, seen.st_ino
        if self._observer is not None and top != self._top:
            log.warning("ready/ is another folder than the one that was watched (mounted again?); watched anew")
            self._in_vain = 0
            self.close()
        if self._observer is not None and not self._is_alive():
            log.warning("listening for file events has ended; it is started again")
            self.close()
        if self._observer is None:
            return self._begin(top)
        if self._deaf_folder is None:
            return ""
        code = refusal(self._deaf_folder)
        if code and code not in _GONE:
            return f"file events cannot be had in all folders: {refused(OSError(code, os.strerror(code)))}"
        self.close()
        return self._begin(top)

    def _begin(self, top: tuple[int, int]) -> str:
        system = filesystems.of(self._folder)
        if system.is_network:
            return f"ready/ is on {shown(system.kind)}: no events for what other machines write"
        if self._hearing.heard_since_begun:
            self._in_vain = 0
        if self._in_vain >= _IN_VAIN:
            return "file events do not tell of all that comes into ready/"
        self._hearing, self._deaf_folder = _Hearing(self._folder, self._wake), None
        self._observer, self._top = _observer(self._folder, self._hearing.take), top
        return ""


@dataclass(slots=True)
class _Hearing:
    """What was announced lately, and what was found without: paths below `folder`. Events come from other threads."""

    folder: str
    wake: Callable[[], None]
    heard_since_begun: bool = False  # something that was found had been announced
    _lock: threading.Lock = field(default_factory=threading.Lock)
    _announced: set[str] = field(default_factory=set)
    _before: set[str] = field(default_factory=set)  # what was announced before the last look
    _last: tuple[object, object] | None = None  # pictures and what was passed over, as the last look gave them
    _known: set[str] | None = None  # what the last look found
    _suspects: dict[str, float] = field(default_factory=dict)  # found without an announcement, and when

    def take(self, event: FileSystemEvent) -> None:
        """Remember what an event names, and wake the scan where it is something that the scan looks at."""
        paths = [os.fsdecode(path)[len(self.folder) + 1 :] for path in (event.src_path, event.dest_path) if path]
        visible = [path for path in paths if _is_looked_at(path)]
        if not visible:
            return
        with self._lock:
            if len(self._announced) < _MOST_PATHS:
                self._announced.update(visible)
        self.wake()

    def missed(self, found: Sweep, now_s: float) -> str | None:
        """One path that was found, and that no event has told of in time; None where there is none."""
        with self._lock:
            announced, self._before, self._announced = self._before | self._announced, self._announced, set()
        paths = self._paths(found)
        new = set() if self._known is None else paths - self._known
        self._known = paths
        if len(announced) >= _MOST_PATHS:
            announced |= new | self._suspects.keys()
        self._suspects |= dict.fromkeys(new, now_s)
        told = {path for path in self._suspects if _tells_of(announced, path)}
        self.heard_since_begun |= bool(told)
        self._suspects = {path: at for path, at in self._suspects.items() if path not in told and path in paths}
        late = (path for path, at in self._suspects.items() if now_s - at > LATEST_S)
        return min(late, default=None)

    def _paths(self, found: Sweep) -> set[str]:
        """All that a look has found; with thousands of files that only stand there, the set of the last one."""
        last, self._last = self._last, (found.pictures, found.passed_over)
        if self._known is not None and last is not None and found.pictures is last[0] and found.passed_over == last[1]:
            return self._known
        return {one.path for one in found.pictures} | {path for path, _ in found.passed_over} | set(found.lone_orders)


def _tells_of(announced: set[str], path: str) -> bool:
    """Whether `path` or a folder above it is among `announced`."""
    while path:
        if path in announced:
            return True
        path = path.rpartition("/")[0]
    return False


def _is_looked_at(path: str) -> bool:
    """Whether the scan looks at this path below ready/: nothing in it is hidden or a file server's own."""
    *folders, name = path.split("/")
    if passing.hidden(name) or any(passing.hidden(one) for one in folders):
        return False
    return all(passing.folder_reason(one) is None for one in folders)


def _observer(folder: str, take: Callable[[FileSystemEvent], None], *, recursive: bool = True) -> InotifyObserver:
    """Listening to `folder`, begun. Raises `OSError`, and `RuntimeError` where there is no thread to be had."""
    from watchdog.events import (
        DirCreatedEvent,
        DirDeletedEvent,
        DirMovedEvent,
        FileClosedEvent,
        FileCreatedEvent,
        FileDeletedEvent,
        FileMovedEvent,
        FileSystemEventHandler,
    )
    from watchdog.observers.inotify import InotifyObserver

    class Handler(FileSystemEventHandler):
        def on_any_event(self, event: FileSystemEvent) -> None:
            take(event)

    _require_thread()
    _quieten()
    observer = InotifyObserver()
    # Not what was modified: a file written block by block would wake us thousands of times, and is not done before it is closed.
    wanted: list[type[FileSystemEvent]] = [
        *(FileClosedEvent, FileCreatedEvent, FileMovedEvent, FileDeletedEvent),
        *(DirCreatedEvent, DirMovedEvent, DirDeletedEvent),
    ]
    try:
        observer.schedule(Handler(), folder, recursive=recursive, event_filter=wanted)
        observer.start()
    except BaseException:
        observer.stop()
        raise
    return observer


def _quieten() -> None:
    """The library warns, with the names of files in it, of races that harm nothing here."""
    warnings.filterwarnings("ignore", "Callback with id", RuntimeWarning)
    logging.getLogger("watchdog").setLevel(logging.CRITICAL)  # also of its own end, as an error


def _require_thread() -> None:
    """Raise `RuntimeError` where no thread can be had, before the library opens descriptors that it would then leave open."""
    trial = threading.Thread(target=int)
    trial.start()
    trial.join()


def refused(error: OSError | RuntimeError) -> str:
    """Pure: what the kernel's refusal means, and what to do about it."""
    if isinstance(error, RuntimeError):
        return str(error)
    return _LIMITS.get(error.errno or 0) or error.strerror or "the kernel does not say why"


def refusal(folder: str) -> int:
    """The errno of trying to listen to `folder` alone once more, 0 where it works."""
    try:
        observer = _observer(folder, lambda _: None, recursive=False)
    except OSError as error:
        return error.errno or errno.EIO
    except RuntimeError:
        return errno.EAGAIN
    observer.stop()
    observer.join(_JOIN_S)
    return 0


def folders_inside(top: str) -> Iterator[str]:
    """All folders below `top`, each of which takes a watch; none behind a link."""
    for folder, inside, _ in os.walk(top):
        yield from (os.path.join(folder, name) for name in inside if not os.path.islink(os.path.join(folder, name)))
