"""A rename that never replaces anything, on any file system.

Tries these in order, moving on whenever the file system refuses:

1. renameat2(2) with RENAME_NOREPLACE;
2. a second hard link, then removal of the first name: NFS, sshfs. A kill in between leaves one file with two names:
   nothing is lost, and `drop_second_name` cleans up;
3. an empty placeholder under the new name, made with O_EXCL, which the file is then renamed over: folders of a
   VirtualBox host (Linux's fs/vboxsf takes no flags and has no links), exfat-fuse, rclone, sshfs to a server without
   links (these three tried on Debian 12). Only in this case is an empty file visible under a final name, for the
   duration of two system calls; without it, a file somebody puts there at that instant would be replaced. A hidden
   note beside the placeholder, synced first, says it is ours. After a kill in between, the next attempt takes the
   placeholder over; `release` removes it, and so does the clean-up at the next start by removing the note.

Folders are given as descriptors, files as the last name in them: see `folders`.
"""

from __future__ import annotations

import ctypes
import errno
import hashlib
import os
import stat
import threading
from contextlib import suppress

PLACE_PREFIX = ".printqueue-place-"
_NOREPLACE = 1  # RENAME_NOREPLACE, linux/fs.h
_NO_RENAMEAT2 = (errno.EINVAL, errno.ENOSYS, errno.EOPNOTSUPP)
# How link(2) fails if there are no hard links (EIO: FUSE servers in Go); EMLINK: the file has too many names.
_NO_LINK = (errno.EPERM, errno.EOPNOTSUPP, errno.ENOSYS, errno.EINVAL, errno.EMLINK, errno.EACCES, errno.EIO)
_MAX_NOTE = 4096
_LIBC = ctypes.CDLL(None, use_errno=True)
_one_at_a_time = threading.RLock()  # or a second thread would take over the first one's placeholder


def rename(from_folder: int, source: str, to_folder: int, target: str) -> None:
    """Rename; raises `FileExistsError` instead of replacing anything, otherwise `OSError`."""
    code = _renameat2(from_folder, source, to_folder, target)
    if code == errno.EEXIST and is_kept_place(to_folder, target):
        return _into_place(from_folder, source, to_folder, target)
    if code in _NO_RENAMEAT2:
        return _link_and_unlink(from_folder, source, to_folder, target)
    if code:
        raise OSError(code, os.strerror(code), source, None, target)
    return None


def _renameat2(from_folder: int, source: str, to_folder: int, target: str) -> int:
    """0, or errno."""
    done = _LIBC.renameat2(from_folder, os.fsencode(source), to_folder, os.fsencode(target), _NOREPLACE)
    return 0 if done == 0 else ctypes.get_errno()


def _link_and_unlink(from_folder: int, source: str, to_folder: int, target: str) -> None:
    try:
        os.link(source, target, src_dir_fd=from_folder, dst_dir_fd=to_folder, follow_symlinks=False)
    except OSError as error:
        if error.errno not in _NO_LINK:
            raise
        return _into_place(from_folder, source, to_folder, target)
    try:
        os.unlink(source, dir_fd=from_folder)
    except OSError:  # it must not remain in both places
        with suppress(OSError):
            os.unlink(target, dir_fd=to_folder)
        raise
    return None


def drop_second_name(from_folder: int, source: str, to_folder: int, target: str) -> None:
    """Remove `source` if it and `target` are two names of one file, left by a rename that was killed."""
    one, other = _seen(from_folder, source), _seen(to_folder, target)
    if one is not None and other is not None and one.st_nlink > 1 and os.path.samestat(one, other):
        os.unlink(source, dir_fd=from_folder)


def _into_place(from_folder: int, source: str, to_folder: int, target: str) -> None:
    with _one_at_a_time:
        if not is_kept_place(to_folder, target):
            _keep_place(to_folder, target)
        try:
            os.rename(source, target, src_dir_fd=from_folder, dst_dir_fd=to_folder)
        except OSError:
            release(to_folder, target)
            raise
        _unlink(to_folder, _note(target))


def _keep_place(folder: int, name: str) -> None:
    note = _note(name)
    _unlink(folder, note)
    _make(folder, note, os.fsencode(name))
    try:
        _make(folder, name, b"")
    except OSError:
        _unlink(folder, note)
        raise


def _make(folder: int, name: str, data: bytes) -> None:
    flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC
    descriptor = os.open(name, flags, 0o666, dir_fd=folder)
    try:
        if data:
            os.write(descriptor, data)
            os.fsync(descriptor)
    finally:
        os.close(descriptor)


def is_kept_place(folder: int, name: str) -> bool:
    """Whether `name` is just an empty placeholder from a rename of ours that was killed."""
    with _one_at_a_time:
        seen = _seen(folder, name)
        empty = seen is not None and stat.S_ISREG(seen.st_mode) and seen.st_size == 0
        return empty and _seen(folder, _note(name)) is not None


def release(folder: int, name: str) -> None:
    """Remove the placeholder `name`; anything else with that name stays."""
    with _one_at_a_time:
        if is_kept_place(folder, name):
            os.unlink(name, dir_fd=folder)
        _unlink(folder, _note(name))


def release_by_note(folder: int, note: str) -> None:
    """The same by the note's name, for the clean-up."""
    name = _noted(folder, note)
    if name is not None:
        release(folder, name)
    _unlink(folder, note)


def _noted(folder: int, note: str) -> str | None:
    """The name in a note; None if the note is not ours."""
    try:
        descriptor = os.open(note, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC, dir_fd=folder)
    except OSError:
        return None
    try:
        regular = stat.S_ISREG(os.fstat(descriptor).st_mode)
        name = os.fsdecode(os.read(descriptor, _MAX_NOTE)) if regular else ""
    finally:
        os.close(descriptor)
    return name if _note(name) == note and not {"/", "\0"} & set(name) and name not in ("", ".", "..") else None


def _note(name: str) -> str:
    return PLACE_PREFIX + hashlib.sha256(os.fsencode(name)).hexdigest()[:16]


def _unlink(folder: int, name: str) -> None:
    with suppress(FileNotFoundError):
        os.unlink(name, dir_fd=folder)


def _seen(folder: int, name: str) -> os.stat_result | None:
    try:
        return os.stat(name, dir_fd=folder, follow_symlinks=False)
    except FileNotFoundError:
        return None
