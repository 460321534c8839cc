"""File events only wake the scan earlier than its timer would.

The watchdog library receives them. It does not report a queue overflow, a remounted share or the kernel's refusal to
watch a folder, so each scan's results are compared with what was announced; if they disagree, watching restarts.
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

LATEST_S = 2.0  # after a file is found; an event that has not come by then will not come
_MAX_RESTARTS = 3  # of watching, before only the timer is trusted
_MAX_PATHS = 50_000  # announced between two looks; beyond that, everything counts as announced
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
    """Calls `wake` soon after something happens below `folder` (ready/). If it cannot, or others may write without an
    event, polling must do. `why` says in one clause why there are no events, or not from all folders; empty if all is
    well.
    """

    def __init__(self, folder: str, wake: Callable[[], None]) -> None:
        self.why = ""
        self._folder, self._wake = folder, wake
        self._observer: InotifyObserver | None = None
        self._top: tuple[int, int] | None = None  # device and inode of the watched folder
        self._announcements = _Announcements(folder, wake)
        self._unwatched: str | None = None  # a folder that the kernel refuses to watch
        self._restarts = 0
        self.check()

    @property
    def mode(self) -> str:
        """`events` while there are any, else `poll`."""
        return "events" if self._is_alive() else "poll"

    def check(self) -> None:
        """Watch what is there now. Called before every scan, so that no file falls between the two. Restarts if ready/
        is a different folder than before (unmounted, replaced) or watching has ended. Never raises.
        """
        try:
            why = self._watch()
        except (OSError, RuntimeError) as error:  # RuntimeError: no more threads allowed (TasksMax=, RLIMIT_NPROC)
            self.close()
            self._restarts = 0
            why = f"file events cannot be had: {refusal_words(error)}"
        if why and why != self.why:
            log.warning("%s; ready/ is looked through on the clock", why)
        elif self.why and not why:
            log.info("file events are to be had again")
        self.why = why

    def scanned(self, found: Sweep, now_s: float) -> None:
        """Compare what a full look found with what was announced; `now_s`: monotonic seconds."""
        if self._observer is None or (missed := self._announcements.missed(found, now_s)) is None:
            return
        folder = os.path.dirname(os.path.join(self._folder, missed))
        code = refusal(folder)
        if code and code not in _GONE:
            self._unwatched = folder
            return
        self._restarts += 1
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
            self._restarts = 0
            self.close()
        elif self._observer is not None and not self._is_alive():
            log.warning("listening for file events has ended; it is started again")
            self.close()
        if self._observer is None:
            return self._begin(top)
        if self._unwatched is None:
            return ""
        code = refusal(self._unwatched)
        if code and code not in _GONE:
            return f"file events cannot be had in all folders: {refusal_words(OSError(code, os.strerror(code)))}"
        self.close()
        return self._begin(top)

    def _begin(self, top: tuple[int, int]) -> str:
        system = filesystems.of(self._folder)
        if system.is_network:
            return f"ready/ is on {shown(system.kind)}: no events for what other machines write"
        if self._announcements.any_matched:
            self._restarts = 0
        if self._restarts >= _MAX_RESTARTS:
            return "file events do not tell of all that comes into ready/"
        self._announcements, self._unwatched = _Announcements(self._folder, self._wake), None
        self._observer, self._top = _observer(self._folder, self._announcements.take), top
        return ""


@dataclass(slots=True)
class _Announcements:
    """What events announced lately, and what was found without one: paths below `folder`. Other threads deliver events."""

    folder: str
    wake: Callable[[], None]
    any_matched: bool = False  # something that was found had been announced
    _lock: threading.Lock = field(default_factory=threading.Lock)
    _announced: set[str] = field(default_factory=set)
    _before: set[str] = field(default_factory=set)  # announced before the last look
    _last: tuple[object, object] | None = None  # pictures and passed-over files from the last look
    _known: set[str] | None = None  # what the last look found
    _unannounced: dict[str, float] = field(default_factory=dict)  # found without an event, and when

    def take(self, event: FileSystemEvent) -> None:
        """Remember what an event names, and wake the scan if it would look there."""
        paths = [os.fsdecode(path)[len(self.folder) + 1 :] for path in (event.src_path, event.dest_path) if path]
        visible = [path for path in paths if _is_looked_at(path)]
        if not visible:
            return
        with self._lock:
            if len(self._announced) < _MAX_PATHS:
                self._announced.update(visible)
        self.wake()

    def missed(self, found: Sweep, now_s: float) -> str | None:
        """A path found without an event in time, if there is one."""
        with self._lock:
            announced, self._before, self._announced = self._before | self._announced, self._announced, set()
        paths = self._paths(found)
        new = set() if self._known is None else paths - self._known
        self._known = paths
        if len(announced) >= _MAX_PATHS:
            announced |= new | self._unannounced.keys()
        self._unannounced |= dict.fromkeys(new, now_s)
        told = {path for path in self._unannounced if _tells_of(announced, path)}
        self.any_matched |= bool(told)
        self._unannounced = {path: at for path, at in self._unannounced.items() if path not in told and path in paths}
        late = (path for path, at in self._unannounced.items() if now_s - at > LATEST_S)
        return min(late, default=None)

    def _paths(self, found: Sweep) -> set[str]:
        """All paths that a look found. The last set is reused while thousands of files merely stay put."""
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
    """A running observer of `folder`. Raises `OSError`, and `RuntimeError` if no thread can start."""
    from watchdog import events
    from watchdog.observers.inotify import InotifyObserver

    class Handler(events.FileSystemEventHandler):
        def on_any_event(self, event: FileSystemEvent) -> None:
            take(event)

    _require_thread()
    _quieten()
    observer = InotifyObserver()
    # Not "modified": a file written block by block would wake us thousands of times, and is complete only when closed.
    wanted: list[type[FileSystemEvent]] = [
        *(events.FileClosedEvent, events.FileCreatedEvent, events.FileMovedEvent, events.FileDeletedEvent),
        *(events.DirCreatedEvent, events.DirMovedEvent, events.DirDeletedEvent),
    ]
    try:
        observer.schedule(Handler(), folder, recursive=recursive, event_filter=wanted)
        observer.start()
    except BaseException:
        observer.stop()
        raise
    return observer


def _quieten() -> None:
    """Silence the library's warnings, which name files, about races that do no harm here."""
    warnings.filterwarnings("ignore", "Callback with id", RuntimeWarning)
    logging.getLogger("watchdog").setLevel(logging.CRITICAL)  # it also logs its own end as an error


def _require_thread() -> None:
    """Raise `RuntimeError` if no thread can start, before the library opens descriptors that it would leak."""
    trial = threading.Thread(target=int)
    trial.start()
    trial.join()


def refusal_words(error: OSError | RuntimeError) -> str:
    """What the kernel's refusal means, and what to do about it."""
    if isinstance(error, RuntimeError):
        return str(error)
    return _LIMITS.get(error.errno or 0) or error.strerror or "the kernel does not say why"


def refusal(folder: str) -> int:
    """The errno of trying to watch `folder` alone, 0 if that works."""
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
    """All folders below `top`, each of which needs a watch; none behind a link."""
    for folder, inside, _ in os.walk(top):
        yield from (os.path.join(folder, name) for name in inside if not os.path.islink(os.path.join(folder, name)))
