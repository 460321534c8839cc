"""A ledger opened to be looked at only."""

from __future__ import annotations

import logging
import os
import sqlite3
from contextlib import closing, suppress
from urllib.parse import quote

from printqueue.ledger.errors import FAILURES, is_interrupted

log = logging.getLogger("printqueue")


def read_only(path: str, *, untouched: bool = False) -> sqlite3.Connection:
    """Never writes a row, and never makes the file. Functions in a foreign schema are not trusted.

    A kill before the ledger had its write-ahead log leaves a journal that must be played back before anybody can read,
    which a connection that only reads may not do. Then it is played back first, by one that may.
    Raises `UnicodeDecodeError` or `sqlite3.OperationalError` for damaged texts, unless `tolerate_texts`.

    `untouched`: nothing is played back, and where no -wal stands beside it, none is made either; for a file that nobody
    has open (sqlite.org/uri.html#uriimmutable).
    """
    if untouched:
        return _opened(path, "ro" if os.path.lexists(path + "-wal") else "ro&immutable=1")
    connection = _opened(path, "ro")
    try:
        _look(connection)
    except FAILURES as error:
        if is_interrupted(error):
            connection.close()
            _play_back(path)
            connection = _opened(path, "ro")
    return connection  # whatever else is wrong with the file, its user meets again


def _play_back(path: str) -> None:
    """SQLite does it as soon as a connection that may write looks (sqlite.org/lockingv3.html, "Dealing with hot journals")."""
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
    """Texts that are no UTF-8 any more are read with marks in the damaged places."""
    connection.text_factory = lambda raw: raw.decode("utf-8", "replace")
