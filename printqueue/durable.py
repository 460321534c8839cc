"""The only module that creates, renames or removes product files.

Nothing half-written is ever visible under its final name: a hidden temp on the
target's file system, fsync, one no-clobber rename, fsync of the folder.
"""

from __future__ import annotations

import ctypes
import errno
import hashlib
import os
import shutil
import stat
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass

from printqueue import text
from printqueue.errors import WorldError

TEMP_PREFIX = ".printqueue-"
_AT_FDCWD = -100
_RENAME_NOREPLACE = 1
_NO_RENAMEAT2 = (errno.EINVAL, errno.ENOSYS, errno.EOPNOTSUPP)
# The world's errors: they say nothing about the picture.
_WORLD = frozenset(
    getattr(errno, name)
    for name in [
        "ENOSPC",
        "EDQUOT",
        "EROFS",
        "EIO",
        "EACCES",
        "EPERM",
        "ESTALE",
        "ENODEV",
        "ENXIO",
        "ENOTCONN",
        "ETIMEDOUT",
        "EHOSTDOWN",
        "ENFILE",
        "EMFILE",
        "ENOMEM",
        "EXDEV",
    ]
)
_ADVICE = {
    errno.ENOSPC: "The disk is full: free some space; the work goes on by itself.",
    errno.EDQUOT: "The disk quota is used up: free some space; the work goes on by itself.",
    errno.EROFS: "The folder is read-only here: mount it writable (under systemd: add it to ReadWritePaths=).",
    errno.EACCES: "The service has no right to that: check owner and mode of the folder.",
    errno.EPERM: "The service has no right to that: check owner and mode of the folder.",
    errno.EXDEV: "Keep ready/, print/, review/ and masters/ on one file system.",
}


@dataclass(frozen=True, slots=True)
class Stamp:
    """What tells one state of a file from another, without reading it."""

    device: int
    inode: int
    size: int
    mtime_ns: int
    ctime_ns: int

    @classmethod
    def of(cls, seen: os.stat_result) -> Stamp:
        """The stamp of a stat result."""
        return cls(seen.st_dev, seen.st_ino, seen.st_size, seen.st_mtime_ns, seen.st_ctime_ns)

    def same_file(self, other: Stamp) -> bool:
        """Same bytes as far as stat can tell; a rename changes ctime, a reboot may change the device."""
        return (self.inode, self.size, self.mtime_ns) == (other.inode, other.size, other.mtime_ns)


@contextmanager
def world(doing: str, path: str) -> Iterator[None]:
    """Turn the machine's errors into `WorldError`, with a sentence and what to do."""
    try:
        yield
    except OSError as error:
        if error.errno not in _WORLD:
            raise
        reason = os.strerror(error.errno or 0)
        says = f"{doing} {text.shown(path)} was not possible ({reason}). Nothing is lost; it is tried again."
        raise WorldError(says, do=_ADVICE.get(error.errno or 0, "See `printqueue doctor`.")) from error


def lstamp(path: str) -> Stamp | None:
    """The stamp of a regular file, None where there is none (links are not followed)."""
    try:
        seen = os.lstat(path)
    except (FileNotFoundError, NotADirectoryError):
        return None
    except OSError as error:
        if error.errno == errno.ENAMETOOLONG:  # then no file can have it
            return None
        raise
    return Stamp.of(seen) if stat.S_ISREG(seen.st_mode) else None


def make_folder(root: str, folder: str) -> None:
    """Create `folder` and its parents below the existing `root`, each made durable."""
    if folder == root or os.path.isdir(folder):
        return
    make_folder(root, os.path.dirname(folder))
    with suppress(FileExistsError):
        os.mkdir(folder)
    sync_folder(os.path.dirname(folder))


def create(path: str) -> int:
    """A new file opened for reading and writing; an old one of that (temp) name is ours and is replaced."""
    with suppress(FileNotFoundError):
        os.unlink(path)
    return os.open(path, os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC | os.O_NOFOLLOW, 0o666)


def write_temp(path: str, data: bytes) -> str:
    """Write and fsync a whole temp file; returns its SHA-256."""
    descriptor = create(path)
    try:
        view = memoryview(data)
        while view:
            view = view[os.write(descriptor, view) :]
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
    return hashlib.sha256(data).hexdigest()


def sync(path: str) -> None:
    """fsync a file by name. A failed fsync is final: the caller throws the file away."""
    descriptor = os.open(path, os.O_RDONLY | os.O_CLOEXEC | os.O_NOFOLLOW)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def sync_folder(path: str) -> None:
    """fsync a folder, so that renames in it survive a power cut."""
    descriptor = os.open(path, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        os.fsync(descriptor)
    except OSError as error:
        if error.errno not in (errno.EINVAL, errno.ENOTSUP):  # some network file systems cannot
            raise
    finally:
        os.close(descriptor)


def sha256(path: str) -> str | None:
    """SHA-256 of a regular file, None where there is none."""
    try:
        descriptor = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
    except (FileNotFoundError, NotADirectoryError):
        return None
    except OSError as error:
        if error.errno in (errno.ELOOP, errno.ENAMETOOLONG):
            return None
        raise
    with os.fdopen(descriptor, "rb") as stream:
        if not stat.S_ISREG(os.fstat(descriptor).st_mode):
            return None
        return hashlib.file_digest(stream, "sha256").hexdigest()


def rename_no_clobber(source: str, target: str) -> None:
    """Rename; raises `FileExistsError` instead of replacing anything.

    renameat2(RENAME_NOREPLACE); where the file system lacks it, link and unlink.
    """
    libc = ctypes.CDLL(None, use_errno=True)
    done = libc.renameat2(_AT_FDCWD, os.fsencode(source), _AT_FDCWD, os.fsencode(target), _RENAME_NOREPLACE)
    if done == 0:
        return
    code = ctypes.get_errno()
    if code not in _NO_RENAMEAT2:
        raise OSError(code, os.strerror(code), source, None, target)
    os.link(source, target, follow_symlinks=False)
    os.unlink(source)


def move_aside(source: str, target: str) -> None:
    """Move a file of ours to a private place that may be on another file system; a taken name gets a number."""
    stem, dot, extension = target.rpartition(".")
    for number in range(1, 10_000):
        name = target if number == 1 else f"{stem} ({number}){dot}{extension}"
        if os.path.lexists(name):
            continue
        try:
            rename_no_clobber(source, name)
        except OSError as error:
            if error.errno != errno.EXDEV:
                raise
            copy_to(source, name)
            os.unlink(source)
        return


def copy_to(source: str, target: str) -> None:
    """A whole, synced copy of `source` under the free name `target`, through a temp beside it."""
    temp = os.path.join(
        os.path.dirname(target), TEMP_PREFIX + "copy-" + hashlib.sha256(os.fsencode(target)).hexdigest()[:12]
    )
    with open(source, "rb") as reading, os.fdopen(create(temp), "wb") as writing:
        shutil.copyfileobj(reading, writing, 1 << 20)
        writing.flush()
        os.fsync(writing.fileno())
    rename_no_clobber(temp, target)


def replace(source: str, target: str) -> None:
    """Rename over a file of our own (pages of the service, never a user's file)."""
    os.replace(source, target)


def remove(path: str) -> None:
    """Remove a file of our own; no error where it has gone already."""
    with suppress(FileNotFoundError):
        os.unlink(path)
