"""Backs up the ledger: a consistent snapshot, verified before it gets its name."""

from __future__ import annotations

import os
import sqlite3
from contextlib import closing

from printqueue.core.disk import durable
from printqueue.core.errors import UsageError, WorldError
from printqueue.core.text import shown
from printqueue.ledger import schema
from printqueue.ledger.errors import FAILURES, Failure, LedgerError, is_full
from printqueue.ledger.file import PARTS, read_only, require_known, require_plain
from printqueue.ledger.rescue.care import integrity


def back_up(path: str, target: str) -> int:
    """Copy the ledger at `path` to the new file `target` while the service may be running; return its size in bytes.

    SQLite's backup copies one snapshot (a -wal included) into a hidden file beside the target; that is turned into a
    single file, reopened, checked, synced, and only then given its name. Mode 0600: it holds the names of pictures.
    Raises `UsageError` (the name is taken, no such folder), `LedgerError`, `WorldError`. A kill leaves at most the
    hidden file.
    """
    folder = _folder_for(target)
    target = os.path.join(folder, os.path.basename(target))
    temp = os.path.join(folder, f"{durable.TEMP_PREFIX}backup-{os.getpid()}.sqlite")
    require_plain(path, own=False)
    try:
        with durable.world("Writing", target):
            os.close(durable.create(temp))
            os.chmod(temp, 0o600)
            _copy(path, temp)
            _prove(temp)
            durable.sync(temp)
            durable.rename_no_clobber(temp, target)
            durable.sync_folder(folder)
            return os.stat(target).st_size
    except FileExistsError as error:
        raise _taken(target) from error
    except FAILURES as error:
        raise _failed(error) from error
    finally:
        for part in PARTS:
            durable.remove(temp + part)


def _folder_for(target: str) -> str:
    """The real folder of the copy; links in its path are allowed."""
    if os.path.lexists(target):
        raise _taken(target)
    folder = os.path.realpath(os.path.dirname(os.path.abspath(target)))
    if not os.path.basename(target):
        raise UsageError(f"{shown(target)} names a folder. Nothing was written.", do="Name a new file.")
    if not os.path.isdir(folder):
        raise UsageError(f"There is no folder {shown(folder)}. Nothing was written.", do="Make it, or name another.")
    return folder


def _taken(target: str) -> UsageError:
    return UsageError(
        f"{shown(target)} is there already. Nothing is ever overwritten, and nothing was written.",
        do="Name a new file, with the date perhaps.",
    )


def _copy(path: str, temp: str) -> None:
    with closing(read_only(path)) as source, closing(sqlite3.connect(temp, isolation_level=None)) as copy:
        require_known(source, path)
        source.backup(copy)
        copy.execute("PRAGMA journal_mode = DELETE")  # a single file, readable from a read-only disk


def _prove(temp: str) -> None:
    with closing(read_only(temp)) as copy:
        problems = list(integrity(copy))
        if problems or not 0 < schema.version(copy) <= schema.NEWEST:
            why = shown("; ".join(problems[:3]) or "it has no version", limit=400)
            raise LedgerError(
                f"The copy is not sound ({why}), so it was thrown away. The ledger itself was not touched.",
                do="Look at it with `printqueue ledger check`.",
            )


def _failed(error: Failure) -> LedgerError | WorldError:
    if is_full(error):
        return WorldError("There is no room for the copy. The ledger was not touched.", do="Name another disk.")
    return LedgerError(f"The copy cannot be made ({error}). The ledger was not touched.", do="Run `printqueue doctor`.")
