"""File events, used for one thing only: to wake the scan earlier than its clock would."""

from __future__ import annotations

import errno
import logging
import os
from collections.abc import Callable, Iterator

from printqueue.disk import filesystems
from printqueue.intake import passing
from printqueue.intake.listening import Listener
from printqueue.intake.scan import DEEPEST
from printqueue.text import shown

log = logging.getLogger("printqueue")

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
        self._listener: Listener | None = None
        self._watched: set[int] = set()
        self._top = 0
        self.check()

    @property
    def mode(self) -> str:
        """`events` while they can be had, else `poll`."""
        return "events" if self._listener is not None and self._listener.is_alive else "poll"

    def check(self) -> None:
        """Watch what is there now: to be called before every scan, so that no file falls between the two. One system
        call where nothing has changed; everything anew where ready/ is another folder than before (unmounted and
        mounted again, replaced) or the listener has died. Never raises.
        """
        try:
            why = self._watch()
        except OSError as error:
            self.close()
            why = f"file events cannot be had: {refused(error)}"
        if why and why != self.why:
            log.warning("%s; ready/ is looked through on the clock", why)
        elif self.why and not why:
            log.info("file events are to be had again")
        self.why = why

    def close(self) -> None:
        """Stop listening."""
        if self._listener is not None:
            self._listener.close()
        self._listener, self._watched, self._top = None, set(), 0

    def _watch(self) -> str:
        if self._listener is not None and not self._listener.is_alive:
            log.warning("the listener for file events has ended; it is started again")
            self.close()
        if self._listener is not None:
            if self._listener.add(self._folder) != self._top:
                log.warning("ready/ is another folder than the one that was watched (mounted again?); watched anew")
                self.close()
            elif not self._listener.folders_changed.is_set():
                return self.why
        system = filesystems.of(self._folder)
        if system.is_network:
            self.close()
            return f"ready/ is on {shown(system.kind)}: no events for what other machines write"
        if self._listener is None:
            self._listener = Listener(self._wake)
        return self._cover(self._listener)

    def _cover(self, listener: Listener) -> str:
        """Watch every folder that the scan looks into, and no other; what cannot be watched is tried again."""
        listener.folders_changed.clear()
        self._top = listener.add(self._folder)
        now, failures = {self._top}, []
        for folder in folders_inside(self._folder):
            try:
                now.add(listener.add(folder))
            except (FileNotFoundError, NotADirectoryError):
                continue  # it went again, which is an event
            except OSError as error:
                failures.append(error)
        for number in self._watched - now:
            listener.drop(number)
        self._watched = now
        if not failures:
            return ""
        listener.folders_changed.set()
        return f"file events cannot be had in {len(failures)} of {len(now) + len(failures)} folders: {refused(failures[0])}"


def refused(error: OSError) -> str:
    """Pure: what the kernel's refusal means, and what to do about it."""
    return _LIMITS.get(error.errno or 0) or error.strerror or "the kernel does not say why"


def folders_inside(top: str, deep: int = 1) -> Iterator[str]:
    """Folders below `top` that the scan looks into: none that is hidden or the file server's, none behind a link.
    Each is given before it is looked into, so that it can be watched first.
    """
    try:
        with os.scandir(top) as listing:
            found = [entry.path for entry in listing if _is_looked_into(entry)]
    except OSError:  # the scan says so
        return
    for folder in found:
        yield folder
        if deep < DEEPEST:
            yield from folders_inside(folder, deep + 1)


def _is_looked_into(entry: os.DirEntry[str]) -> bool:
    if passing.hidden(entry.name) or passing.folder_reason(entry.name) is not None:
        return False
    try:
        return entry.is_dir(follow_symlinks=False)
    except OSError:
        return False
