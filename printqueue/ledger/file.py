"""The ledger as a file: is it ours, whose is it, and how to open it read-only. Checked before anything is written."""

from __future__ import annotations

import logging
import os
import sqlite3
import stat
from contextlib import closing, suppress
from urllib.parse import quote

from printqueue.core.text import shown
from printqueue.ledger import schema
from printqueue.ledger.errors import (
    FAILURES,
    LedgerDamagedError,
    LedgerError,
    LedgerNewerError,
    is_interrupted,
    read_error,
)

log = logging.getLogger("printqueue")

# The files of one database (sqlite.org/tempfiles.html): in WAL mode two more, before that a journal.
PARTS = ("", "-wal", "-shm", "-journal")
_MAX_VERSION = 10_000  # the tables never change this often: a greater number is damage, not a newer version
_UNTOUCHED = "ro&immutable=1"  # no journal is played back, no -wal made: sqlite.org/uri.html#uriimmutable
_TABLES = {"arrivals", "prints", "kept", "facts", "sightings", "heartbeat"}


def require_plain(path: str, *, own: bool) -> None:
    """Refuse anything but a regular file: SQLite would follow a link, and wait forever on a FIFO.

    `own`: also refuse another user's file; a reader need only be in its group.
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
    """Refuse a database that is not ours, or newer. Raises `LedgerDamagedError` if it contradicts itself."""
    number = schema.version(connection)
    if number > _MAX_VERSION:
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


def owner(path: str) -> str | None:
    """The identity of the studio that the ledger at `path` belongs to: "" in an earlier version, None without a ledger.

    Raises `LedgerError` if it is not one of ours, `LedgerDamagedError` if the owner cannot be determined.
    """
    if not os.path.lexists(path):
        return None
    require_plain(path, own=True)
    try:
        with closing(_opened(path, "ro" if os.path.lexists(path + "-wal") else _UNTOUCHED)) as connection:
            require_known(connection, path)
            if schema.version(connection) == 0:
                return None
            if not connection.execute("SELECT name FROM sqlite_master WHERE name = 'studio'").fetchone():
                return ""
            found = connection.execute("SELECT id FROM studio").fetchone()
            return str(found[0]) if found else ""
    except FAILURES as error:
        raise read_error(error) from error


def read_only(path: str) -> sqlite3.Connection:
    """A connection that never writes a row, never creates the file, and does not trust functions in a foreign schema.

    A kill before the ledger had its write-ahead log leaves a journal, which a read-only connection may not play back; a
    writable one does so first. Damaged texts raise `UnicodeDecodeError` or `sqlite3.OperationalError` until
    `tolerate_texts`.
    """
    connection = _opened(path, "ro")
    try:
        _look(connection)
    except FAILURES as error:
        if is_interrupted(error):
            connection.close()
            _play_back(path)
            connection = _opened(path, "ro")
    return connection  # any other fault shows up again when the connection is used


def _play_back(path: str) -> None:
    """SQLite does it when a writable connection reads (sqlite.org/lockingv3.html, "Dealing with hot journals")."""
    with suppress(*FAILURES), closing(_opened(path, "rw")) as connection:
        _look(connection)
        log.warning("a change of the ledger that a kill or a power cut had interrupted was undone; it is whole")


def _opened(path: str, mode: str) -> sqlite3.Connection:
    address = f"file:{quote(os.fsencode(path))}?mode={mode}"
    connection = sqlite3.connect(address, uri=True, timeout=5, isolation_level=None)
    connection.row_factory = sqlite3.Row
    connection.execute("PRAGMA trusted_schema = OFF")
    return connection


def _look(connection: sqlite3.Connection) -> None:
    connection.execute("PRAGMA schema_version").fetchone()


def tolerate_texts(connection: sqlite3.Connection) -> None:
    """Read texts that are no longer valid UTF-8, with replacement characters in the damaged places."""
    connection.text_factory = lambda raw: raw.decode("utf-8", "replace")
