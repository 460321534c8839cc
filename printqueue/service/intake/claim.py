"""Makes a private copy of a settled picture, hashed on the way, with proof that nothing changed meanwhile.

A rename alone would not stop a writer that holds the file open. The copy is never fsynced: the original still exists.
"""

from __future__ import annotations

import hashlib
import os

from printqueue.core.disk import durable, folders
from printqueue.core.model.seen import Stamp
from printqueue.core.yaml.plain_yaml import MAX_BYTES

_CHUNK = 1 << 20
PICTURE, ORDER = "picture", "order.yaml"


class ChangedError(Exception):
    """The file changed or went away while it was being copied: it has not settled yet."""


def open_regular(path: str) -> int:
    """Open a regular file, never a link, pipe or device. Raises `ChangedError` if there is none, `LinkedError` if a
    folder above it is a link.
    """
    descriptor = folders.open_file(path)
    if descriptor is None:
        raise ChangedError(path)
    return descriptor


def read_regular(path: str, max_bytes: int) -> bytes | None:
    """At most `max_bytes` of a small file of ours; None if there is no regular file, or it cannot be read."""
    try:
        descriptor = open_regular(path)
    except (ChangedError, OSError):
        return None
    with os.fdopen(descriptor, "rb") as stream:
        return stream.read(max_bytes)


def copy(original: str, target: str, expected: Stamp) -> str:
    """Copy `original` to `target` and return its SHA-256. Raises `ChangedError` unless it stays `expected` throughout.

    If only its attributes changed (a file server indexes it), its bytes are reread to prove that.
    """
    descriptor = open_regular(original)
    try:
        before = Stamp.of(os.fstat(descriptor))
        digest = _pour(descriptor, target)
        stamps = {before, Stamp.of(os.fstat(descriptor)), durable.lstamp(original)}
        if stamps != {expected} and not _only_touched(descriptor, stamps, expected, digest):
            raise ChangedError(original)
    finally:
        os.close(descriptor)
    return digest


def _only_touched(descriptor: int, stamps: set[Stamp | None], expected: Stamp, digest: str) -> bool:
    if not all(one is not None and one.device == expected.device and one.same_file(expected) for one in stamps):
        return False
    os.lseek(descriptor, 0, os.SEEK_SET)
    with os.fdopen(os.dup(descriptor), "rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest() == digest


def read_order(path: str, expected: Stamp) -> bytes:
    """The bytes of an order file, at most one more than is allowed. Raises `ChangedError` like `copy`.

    Changed attributes alone do not count: before anything is published, the file is compared with these bytes.
    """
    descriptor = open_regular(path)
    with os.fdopen(descriptor, "rb") as stream:
        data = stream.read(MAX_BYTES + 1)
        if not Stamp.of(os.fstat(descriptor)).same_file(expected):
            raise ChangedError(path)
    return data


def _pour(source: int, target: str) -> str:
    digest = hashlib.sha256()
    out = durable.create(target)
    try:
        while chunk := os.read(source, _CHUNK):
            digest.update(chunk)
            view = memoryview(chunk)
            while view:
                view = view[os.write(out, view) :]
    finally:
        os.close(out)
    return digest.hexdigest()
