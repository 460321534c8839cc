"""Opens folders without following a symbolic link in any part of the path.

Uses openat2(2) with RESOLVE_NO_SYMLINKS; if the kernel lacks it or a filter forbids it, one openat(2) with O_NOFOLLOW
for each part. After that, files are named by the folder's descriptor and a last name, so that swapping a folder for a
link between two steps has no effect.
"""

from __future__ import annotations

import ctypes
import errno
import os
import stat
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache

from printqueue.core.errors import WorldError
from printqueue.core.text import shown

_OPENAT2 = 437  # the same number on every architecture but alpha: asm-generic/unistd.h
_AT_FDCWD = -100
_NO_MAGICLINKS, _NO_SYMLINKS = 0x02, 0x04  # linux/openat2.h
# No such call, forbidden by a filter, unknown to an old kernel; or there is a link and we must find out which part.
_WALK = (errno.ENOSYS, errno.EPERM, errno.EINVAL, errno.E2BIG, errno.EAGAIN, errno.ELOOP)
_FOLDER = os.O_DIRECTORY | os.O_CLOEXEC
_LIBC = ctypes.CDLL(None, use_errno=True)
_LIBC.syscall.restype = ctypes.c_long
_LIBC.syscall.argtypes = [ctypes.c_long, ctypes.c_int, ctypes.c_char_p, ctypes.c_void_p, ctypes.c_size_t]


class LinkedError(WorldError, OSError):
    """A part of a path is a symbolic link. Also an `OSError`: code that waits for the disk waits for this too."""

    def __init__(self, path: str) -> None:
        WorldError.__init__(
            self,
            f"{shown(path)} is a symbolic link, and links are not followed inside a studio. Nothing was read or "
            "written through it, and nothing is lost; it is tried again.",
            do="Put the true folder back in its place.",
        )
        self.errno, self.strerror, self.filename = errno.ELOOP, "it is a symbolic link", path


class _How(ctypes.Structure):
    """struct open_how of openat2(2)."""

    _fields_ = [("flags", ctypes.c_uint64), ("mode", ctypes.c_uint64), ("resolve", ctypes.c_uint64)]


def open_folder(path: str, flags: int = os.O_PATH) -> int:
    """A descriptor of the folder `path`; `flags`: O_PATH for naming files in it, O_RDONLY for listing or syncing it.

    Raises `LinkedError` if any part of the path is a link, otherwise `OSError` like open(2).
    """
    raw = os.fsencode(path)
    if b"\0" in raw:  # C would stop reading the path there
        raise ValueError("embedded null byte")
    descriptor, code = _openat2(raw, flags | _FOLDER)
    if code == 0:
        return descriptor
    if code in _WALK:
        return _walk(path, flags)
    raise OSError(code, os.strerror(code), path)


def _openat2(path: bytes, flags: int) -> tuple[int, int]:
    """(descriptor, 0), or (-1, errno)."""
    descriptor = _LIBC.syscall(_OPENAT2, _AT_FDCWD, path, ctypes.byref(_how(flags)), ctypes.sizeof(_How))
    return descriptor, 0 if descriptor >= 0 else ctypes.get_errno()


@cache
def _how(flags: int) -> _How:
    """Shared by all threads, since the kernel only reads it."""
    return _How(flags, 0, _NO_SYMLINKS | _NO_MAGICLINKS)


def _walk(path: str, flags: int) -> int:
    """Open part by part: needs only openat(2), and finds out which part is the link."""
    done = "/" if path.startswith("/") else ""
    folder = os.open(done or ".", os.O_PATH | _FOLDER)
    try:
        for part in path.split("/"):
            if part not in ("", "."):
                done = os.path.join(done, part)
                inner = _step(folder, part, done)
                os.close(folder)
                folder = inner
        if flags == os.O_PATH:
            return os.dup(folder)  # close-on-exec, like all descriptors Python makes
        return os.open(".", flags | _FOLDER, dir_fd=folder)
    finally:
        os.close(folder)


def _step(folder: int, part: str, done: str) -> int:
    try:
        return os.open(part, os.O_PATH | os.O_NOFOLLOW | _FOLDER, dir_fd=folder)
    except NotADirectoryError:
        if stat.S_ISLNK(os.stat(part, dir_fd=folder, follow_symlinks=False).st_mode):
            raise LinkedError(done) from None
        raise


@contextmanager
def parent(path: str) -> Iterator[tuple[int, str]]:
    """A descriptor of the folder that contains `path`, and the last name. Raises like `open_folder`."""
    folder, name = os.path.split(path)
    if name in ("", ".", ".."):
        raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR), path)
    descriptor = open_folder(folder or ".")
    try:
        yield descriptor, name
    finally:
        os.close(descriptor)


def open_file(path: str) -> int | None:
    """A regular file, opened for reading; None if there is none, or if it is a link, pipe or device. Never waits.
    Raises `LinkedError` if a folder above it is a link, otherwise `OSError` like open(2).
    """
    try:
        with parent(path) as (folder, name):
            descriptor = os.open(name, os.O_RDONLY | os.O_NONBLOCK | os.O_NOFOLLOW | os.O_CLOEXEC, dir_fd=folder)
    except LinkedError:
        raise
    except OSError as error:
        if error.errno in (errno.ENOENT, errno.ELOOP, errno.ENXIO, errno.ENOTDIR, errno.ENAMETOOLONG):
            return None
        raise
    if stat.S_ISREG(os.fstat(descriptor).st_mode):
        return descriptor
    os.close(descriptor)
    return None


@contextmanager
def opened(path: str) -> Iterator[int]:
    """The folder `path`, opened for listing. Raises like `open_folder`."""
    descriptor = open_folder(path, os.O_RDONLY)
    try:
        yield descriptor
    finally:
        os.close(descriptor)


@contextmanager
def scan_folder(path: str) -> Iterator[Iterator[os.DirEntry[str]]]:
    """`os.scandir` of a folder reached without a link. Its entries (whose `path` is just the name) answer `stat` only
    inside the block. Raises like `open_folder`.
    """
    with opened(path) as descriptor, os.scandir(descriptor) as entries:
        yield entries


def names(path: str) -> list[str]:
    """The names in a folder; none if there is no such folder. Raises like `open_folder`."""
    try:
        with opened(path) as descriptor:
            return os.listdir(descriptor)
    except FileNotFoundError:
        return []


def standing(path: str) -> str:
    """`path`, or the nearest existing folder above it."""
    while not os.path.isdir(path) and path != os.path.dirname(path):
        path = os.path.dirname(path)
    return path


def as_named(path: str) -> str:
    """A path from the command line, with the links in its folder part resolved once, since the user meant them."""
    folder, name = os.path.split(path)
    return os.path.join(os.path.realpath(folder or "."), name)
