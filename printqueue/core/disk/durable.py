"""The only module that creates, renames or removes product files (with `renaming`, which it alone uses).

Nothing half-written is ever visible under its final name: write a hidden temp on the target's file system, fsync it,
rename it once without clobbering, fsync the folder.

No symbolic link in any part of a path is followed (`folders`): `LinkedError` is raised instead, and nothing is read or
written through the link.
"""

from __future__ import annotations

import errno
import hashlib
import os
import stat
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress

from printqueue.core import text
from printqueue.core.disk import folders, renaming
from printqueue.core.errors import WorldError
from printqueue.core.model.seen import Stamp

TEMP_PREFIX = ".printqueue-"
_CHUNK = 1 << 20
_PAUSES_S = (0.02, 0.05, 0.1, 0.2)  # between attempts at a rename
# Temporary: a virus scanner or an indexer has the file open on the other side of a share.
_FOR_A_MOMENT = (errno.EBUSY, errno.ETXTBSY, errno.EACCES)
_WRITE_NEW = os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC | os.O_NOFOLLOW
_READ = os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC
_NO_TMPFILE = (errno.EOPNOTSUPP, errno.EISDIR, errno.EINVAL)  # open(2): file system or kernel lacks it
# Errors of the machine, which say nothing about the picture.
_WORLD_NAMES = (
    "ENOSPC EDQUOT EROFS EIO EACCES EPERM ESTALE ENODEV ENXIO ENOTCONN ETIMEDOUT EHOSTDOWN ENFILE EMFILE ENOMEM EXDEV"
)
_WORLD = frozenset(getattr(errno, name) for name in _WORLD_NAMES.split())
_ADVICE = {
    errno.ENOSPC: "The disk is full: free some space; the work goes on by itself.",
    errno.EDQUOT: "The disk quota is used up: free some space; the work goes on by itself.",
    errno.EROFS: "The folder is read-only here: mount it writable (under systemd: add it to ReadWritePaths=).",
    errno.EACCES: "The service has no right to that: check owner and mode of the folder.",
    errno.EPERM: "The service has no right to that: check owner and mode of the folder.",
    errno.EXDEV: "Keep ready/, print/, review/ and masters/ on one file system.",
}


class WrongBytesError(Exception):
    """A file to be copied does not contain the bytes it should."""


@contextmanager
def world(doing: str, path: str) -> Iterator[None]:
    """Turn the machine's errors into `WorldError`, with a sentence and a remedy."""
    try:
        yield
    except OSError as error:
        if error.errno not in _WORLD:
            raise
        reason = os.strerror(error.errno or 0)
        says = f"{doing} {text.shown(path)} was not possible ({reason}). Nothing is lost; it is tried again."
        raise WorldError(says, do=_ADVICE.get(error.errno or 0, "See `printqueue doctor`.")) from error


def exists(path: str) -> bool:
    """Whether anything has that name, even a link."""
    return _lstat(path) is not None


def lstamp(path: str) -> Stamp | None:
    """The stamp of a regular file, None if there is none (links are not followed)."""
    try:
        seen = _lstat(path)
    except OSError as error:
        if error.errno == errno.ENAMETOOLONG:  # so no such file can exist
            return None
        raise
    return Stamp.of(seen) if seen is not None and stat.S_ISREG(seen.st_mode) else None


def _lstat(path: str) -> os.stat_result | None:
    try:
        with folders.parent(path) as (folder, name):
            return os.stat(name, dir_fd=folder, follow_symlinks=False)
    except (FileNotFoundError, NotADirectoryError):
        return None


def make_folder(root: str, folder: str, mode: int = 0o777) -> None:
    """Create `folder` and its parents below the existing `root`, each durably."""
    if folder == root or _is_folder(folder):
        return
    make_folder(root, os.path.dirname(folder), mode)
    with folders.parent(folder) as (above, name), suppress(FileExistsError):
        os.mkdir(name, mode, dir_fd=above)
    sync_folder(os.path.dirname(folder))


def _is_folder(path: str) -> bool:
    try:
        os.close(folders.open_folder(path))
    except FileNotFoundError:
        return False
    return True


def create(path: str) -> int:
    """A new file, opened for reading and writing; an old one with that (temp) name is ours and gets replaced."""
    with folders.parent(path) as (folder, name):
        with suppress(FileNotFoundError):
            os.unlink(name, dir_fd=folder)
        return os.open(name, _WRITE_NEW, 0o666, dir_fd=folder)


def nameless(folder: str) -> int:
    """A new nameless file that is gone once closed (O_TMPFILE; if the file system lacks that, the file has a name for a
    moment).
    """
    path = os.path.join(folder, f"{TEMP_PREFIX}{os.getpid()}.scratch")
    try:
        with folders.parent(path) as (above, _):
            return os.open(".", os.O_TMPFILE | os.O_RDWR | os.O_CLOEXEC, 0o600, dir_fd=above)
    except OSError as error:
        if error.errno not in _NO_TMPFILE:
            raise
    descriptor = create(path)
    remove(path)
    return descriptor


def write_temp(path: str, data: bytes, *, synced: bool = True) -> str:
    """Write and fsync a whole temp file; returns its SHA-256. Without `synced`, any fsync is up to the caller."""
    descriptor = create(path)
    try:
        _write(descriptor, data)
        if synced:
            os.fsync(descriptor)
    finally:
        os.close(descriptor)
    return hashlib.sha256(data).hexdigest()


def replace_own(path: str, data: bytes) -> None:
    """Overwrite an earlier version of a file that is ours alone; at any moment the old or the new one is there, whole.

    Nothing else replaces files: this is for daybook pages and reasons marked as superseded, never for a picture.
    """
    folder, name = os.path.split(path)
    temp = os.path.join(folder, f"{TEMP_PREFIX}{name}")
    write_temp(temp, data)
    with folders.parent(temp) as (inside, old):
        os.rename(old, name, src_dir_fd=inside, dst_dir_fd=inside)


def read_plain(path: str, limit: int) -> bytes:
    """At most `limit` bytes of a file written by a person, who may use links. Never waits: raises `OSError` unless it
    is a regular file.
    """
    descriptor = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
    with os.fdopen(descriptor, "rb") as stream:
        if not stat.S_ISREG(os.fstat(descriptor).st_mode):
            raise OSError(errno.EINVAL, "it is not a regular file", path)
        return stream.read(limit)


def tail(path: str, size: int) -> bytes:
    """The last `size` bytes of a regular file; empty if there is none."""
    descriptor = folders.open_file(path)
    if descriptor is None:
        return b""
    try:
        return os.pread(descriptor, size, max(0, os.fstat(descriptor).st_size - size))
    finally:
        os.close(descriptor)


def _write(descriptor: int, data: bytes) -> None:
    view = memoryview(data)
    while view:
        view = view[os.write(descriptor, view) :]


def sync(path: str) -> None:
    """fsync a file by name. A failed fsync is final: the caller must throw the file away."""
    descriptor = open_to_read(path)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def sync_folder(path: str) -> None:
    """fsync a folder, so that renames in it survive a power cut."""
    descriptor = folders.open_folder(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    except OSError as error:
        if error.errno not in (errno.EINVAL, errno.ENOTSUP):  # some network file systems cannot sync folders
            raise
    finally:
        os.close(descriptor)


def open_to_read(path: str) -> int:
    """A read-only descriptor of a file."""
    with folders.parent(path) as (folder, name):
        return os.open(name, _READ, dir_fd=folder)


def sha256(path: str) -> str | None:
    """SHA-256 of a regular file, None if there is none."""
    descriptor = folders.open_file(path)
    if descriptor is None:
        return None
    with os.fdopen(descriptor, "rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def rename_no_clobber(source: str, target: str) -> None:
    """Rename; raises `FileExistsError` instead of replacing anything (`renaming`).

    Retries for 0.4 s if a share refuses temporarily.
    """
    with folders.parent(source) as (from_folder, old), folders.parent(target) as (to_folder, new):
        for pause_s in _PAUSES_S:
            try:
                return renaming.rename(from_folder, old, to_folder, new)
            except OSError as error:
                if error.errno not in _FOR_A_MOMENT:
                    raise
            time.sleep(pause_s)
        return renaming.rename(from_folder, old, to_folder, new)


def drop_second_name(source: str, target: str) -> None:
    """Remove `source` if it and `target` are two names of one file, left by a rename that was killed."""
    with folders.parent(source) as (from_folder, old), folders.parent(target) as (to_folder, new):
        renaming.drop_second_name(from_folder, old, to_folder, new)


def is_kept_place(path: str) -> bool:
    """Whether the file is just a placeholder from a rename that was killed, in which case its name is free."""
    with folders.parent(path) as (folder, name):
        return renaming.is_kept_place(folder, name)


def release(path: str) -> None:
    """Remove a placeholder; no error if there is none, or no folder."""
    with suppress(FileNotFoundError), folders.parent(path) as (folder, name):
        renaming.release(folder, name)


def move_aside(source: str, target: str) -> None:
    """Move one of our files to a private place, possibly on another file system; if the name is taken, add a number."""
    stem, dot, extension = target.rpartition(".")
    for number in range(1, 10_000):
        name = target if number == 1 else f"{stem} ({number}){dot}{extension}"
        try:
            return _move_to(source, name)
        except FileExistsError:
            continue
    return None


def _move_to(source: str, target: str) -> None:
    if exists(target):
        raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), target)
    try:
        rename_no_clobber(source, target)
    except OSError as error:
        if error.errno != errno.EXDEV:
            raise
        copy_to(source, target)
        remove(source)


def copy_to(source: str, target: str, *, expected: str | None = None, mtime_ns: int | None = None) -> None:
    """Copy `source`, whole and synced, to the free name `target` by way of a temp beside it, with its modification time
    (or `mtime_ns`). Raises `WrongBytesError` if the copy, read back, does not have the SHA-256 `expected`.
    """
    mark = hashlib.sha256(os.fsencode(target)).hexdigest()[:12]
    temp = os.path.join(os.path.dirname(target), f"{TEMP_PREFIX}copy-{mark}")
    try:
        _pour(source, temp, mtime_ns)
        if expected is not None and sha256(temp) != expected:
            raise WrongBytesError(source)
        rename_no_clobber(temp, target)
    finally:
        remove(temp)


def _pour(source: str, temp: str, mtime_ns: int | None) -> None:
    with (
        os.fdopen(open_to_read(source), "rb", buffering=0) as stream,
        os.fdopen(create(temp), "wb", buffering=0) as copy,
    ):
        seen = os.fstat(stream.fileno())
        if not stat.S_ISREG(seen.st_mode):
            raise WrongBytesError(source)
        while data := stream.read(_CHUNK):
            _write(copy.fileno(), data)
        os.utime(copy.fileno(), ns=(seen.st_atime_ns, seen.st_mtime_ns if mtime_ns is None else mtime_ns))
        os.fsync(copy.fileno())


def remove(path: str) -> None:
    """Remove one of our files; no error if it is already gone. A placeholder's note takes the placeholder with it."""
    with suppress(FileNotFoundError), folders.parent(path) as (folder, name):
        if name.startswith(renaming.PLACE_PREFIX):
            renaming.release_by_note(folder, name)
        else:
            os.unlink(name, dir_fd=folder)


def drop_empty(name: str, inside: int) -> bool:
    """Remove the empty folder `name` in the open folder `inside`; False if it is not empty or not a folder."""
    try:
        os.rmdir(name, dir_fd=inside)
    except OSError:
        return False
    return True
