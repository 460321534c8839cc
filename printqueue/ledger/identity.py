"""Is this file our ledger? Asked before SQLite opens it, and before anything is written to it."""

from __future__ import annotations

import os
import sqlite3
import stat

from printqueue.core.text import shown
from printqueue.ledger import schema
from printqueue.ledger.errors import LedgerDamagedError, LedgerError, LedgerNewerError

# Of one database, see sqlite.org/tempfiles.html: in WAL mode two, and a journal until it is in that mode.
PARTS = ("", "-wal", "-shm", "-journal")
_NO_VERSION = 10_000  # no printqueue will ever have changed its tables as often: a damaged number, no newer one
_TABLES = {"arrivals", "prints", "kept", "facts", "sightings", "heartbeat"}


def require_plain(path: str, *, own: bool) -> None:
    """Refuse what is no regular file: SQLite would follow a link, and wait for ever at a FIFO.

    `own`: refuse another user's as well; one who only looks may belong to its group.
    """
    for part in PARTS:
        try:
            seen = os.lstat(path + part)
        except FileNotFoundError:
            continue
        except OSError as error:
            raise LedgerError(
                f"The ledger {shown(path)} cannot be looked at ({error.strerror}).",
                do="Check owner and mode of the folder it stands in.",
            ) from error
        if not stat.S_ISREG(seen.st_mode):
            raise LedgerError(
                f"The ledger {shown(path + part)} is {_kind(seen.st_mode)}, not a file. Nothing was opened or changed.",
                do="Move it away; to keep the ledger elsewhere, set `state:` in studio.yaml.",
            )
        if own and os.geteuid() not in (0, seen.st_uid):
            raise LedgerError(
                f"The ledger {shown(path + part)} belongs to another user (number {seen.st_uid}). Nothing was changed.",
                do="Run the service as the user that made it, or give the whole folder to this one.",
            )


def _kind(mode: int) -> str:
    kinds = {stat.S_IFLNK: "a symbolic link", stat.S_IFDIR: "a folder", stat.S_IFIFO: "a named pipe"}
    return kinds.get(stat.S_IFMT(mode), "a device or socket")


def require_known(connection: sqlite3.Connection, path: str) -> None:
    """Refuse a database that is not ours, or is newer. Raises `LedgerDamagedError` where its own marks disagree."""
    number = schema.version(connection)
    if number > _NO_VERSION:
        raise _contradictory(path, f"its version number is {number}")
    tables = {row[0] for row in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
    if number > schema.NEWEST:
        raise LedgerNewerError(
            f"The ledger {shown(path)} was written by a newer printqueue (its version {number}, this one knows "
            f"{schema.NEWEST}). It was not touched.",
            do="Upgrade printqueue. To go on without it, move ledger.sqlite (with its -wal and -shm) away yourself: "
            "what stands in print/ is then remembered, and nothing is printed twice.",
        )
    if not tables and number == 0:
        return
    if not tables & _TABLES:
        raise LedgerError(
            f"{shown(path)} is a database, but no ledger of printqueue. It was not touched.",
            do="Move it away; the service makes its ledger at its next start.",
        )
    if number < 1:
        raise _contradictory(path, "its version number is lost")
    if missing := schema.missing(connection):
        raise _contradictory(path, f"these are not as they were made: {', '.join(sorted(missing))}")


def _contradictory(path: str, why: str) -> LedgerDamagedError:
    return LedgerDamagedError(
        f"The ledger {shown(path)} is damaged ({why}). Pictures and prints are untouched.",
        do="Start the service again: it sets the file aside and rebuilds it.",
        why=why,
    )
