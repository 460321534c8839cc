"""The kernel's file events (inotify(7)) for a set of folders, as one nudge: what happened is not asked.

Four calls of the C library and a thread that reads. Names in events are never looked at, so no name can do harm,
and a full queue is only one more reason to look.
"""

from __future__ import annotations

import ctypes
import errno
import logging
import os
import select
import struct
import threading
from collections.abc import Callable
from contextlib import ExitStack

log = logging.getLogger("printqueue")

_CLOSE_WRITE, _MOVED_FROM, _MOVED_TO = 0x8, 0x40, 0x80
_CREATE, _DELETE = 0x100, 0x200
_Q_OVERFLOW, _IGNORED, _ISDIR = 0x4000, 0x8000, 0x4000_0000
_ONLYDIR, _DONT_FOLLOW, _EXCL_UNLINK = 0x0100_0000, 0x0200_0000, 0x0400_0000
# Not MODIFY: a file written block by block would wake us thousands of times, and is not done before it is closed.
_WANTED = _CLOSE_WRITE | _MOVED_FROM | _MOVED_TO | _CREATE | _DELETE | _ONLYDIR | _DONT_FOLLOW | _EXCL_UNLINK
_INIT_FLAGS = os.O_NONBLOCK | os.O_CLOEXEC
_READ_BYTES = 65536
_HEAD = struct.Struct("iIII")  # struct inotify_event: wd, mask, cookie, bytes of the name that follows
_LIBC = ctypes.CDLL(None, use_errno=True)


class Listener:
    """Calls `nudge` after any change in the folders that were added. `folders_changed` is set when folders came,
    went, or may have: then the caller must add again what is there. Raises `OSError`.
    """

    def __init__(self, nudge: Callable[[], None]) -> None:
        self.folders_changed = threading.Event()
        self._nudge = nudge
        self._thread = threading.Thread(target=self._run, name="watch", daemon=True)
        with ExitStack() as undo:
            self._events = open_instance()
            undo.callback(os.close, self._events)
            self._stop = os.eventfd(0, os.EFD_CLOEXEC)
            undo.callback(os.close, self._stop)
            _start(self._thread)
            self._undo = undo.pop_all()

    @property
    def is_alive(self) -> bool:
        """Whether events are being read."""
        return self._thread.is_alive()

    def add(self, folder: str) -> int:
        """Listen to one folder, not to those inside; its number stays the same exactly as long as it is the same
        folder of the same mounted file system. Raises `OSError`.
        """
        number = int(_LIBC.inotify_add_watch(self._events, os.fsencode(folder), _WANTED))
        if number < 0:
            raise _failure(folder)
        return number

    def drop(self, number: int) -> None:
        """Listen to that folder no longer; it may be gone already."""
        _LIBC.inotify_rm_watch(self._events, number)

    def close(self) -> None:
        """End the thread and give everything back to the kernel."""
        os.eventfd_write(self._stop, 1)
        self._thread.join()
        self._undo.close()

    def _run(self) -> None:
        try:
            while self._wait():
                self._take(os.read(self._events, _READ_BYTES))
        except OSError as error:
            log.warning("file events can no longer be read: %s", error.strerror)
            self._nudge()

    def _wait(self) -> bool:
        """Until there are events; False when the end was asked for."""
        poll = select.poll()
        poll.register(self._events, select.POLLIN)
        poll.register(self._stop, select.POLLIN)
        return self._stop not in {number for number, _ in poll.poll()}

    def _take(self, data: bytes) -> None:
        if any(tells_of_folders(mask) for mask in masks(data)):
            self.folders_changed.set()
        self._nudge()


def masks(data: bytes) -> list[int]:
    """Pure: the mask of each event in a buffer that the kernel filled."""
    found, at = [], 0
    while at + _HEAD.size <= len(data):
        _, mask, _, name_bytes = _HEAD.unpack_from(data, at)
        found.append(mask)
        at += _HEAD.size + name_bytes
    return found


def tells_of_folders(mask: int) -> bool:
    """Pure: whether an event may mean that the set of folders has changed. `IGNORED` is what the kernel says when
    a folder is gone or its file system was unmounted.
    """
    return bool(mask & (_Q_OVERFLOW | _IGNORED)) or bool(
        mask & _ISDIR and mask & (_CREATE | _DELETE | _MOVED_TO | _MOVED_FROM)
    )


def _start(thread: threading.Thread) -> None:
    try:
        thread.start()
    except RuntimeError as error:  # no more threads allowed (TasksMax=, RLIMIT_NPROC)
        raise OSError(errno.EAGAIN, str(error)) from error


def open_instance() -> int:
    """A new inotify descriptor. Raises `OSError`: EMFILE where the user's are all taken."""
    descriptor = int(_LIBC.inotify_init1(_INIT_FLAGS))
    if descriptor < 0:
        raise _failure(None)
    return descriptor


def refusal(folder: str) -> int:
    """The errno of trying to listen to `folder` once more, 0 where it works."""
    try:
        descriptor = open_instance()
    except OSError as error:
        return error.errno or errno.EIO
    try:
        number = _LIBC.inotify_add_watch(descriptor, os.fsencode(folder), _WANTED)
        return ctypes.get_errno() if number < 0 else 0
    finally:
        os.close(descriptor)


def _failure(folder: str | None) -> OSError:
    code = ctypes.get_errno()
    return OSError(code, os.strerror(code), folder)
