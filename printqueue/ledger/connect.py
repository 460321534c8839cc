"""A ledger opened to be looked at only."""

from __future__ import annotations

import os
import sqlite3
from urllib.parse import quote


def read_only(path: str) -> sqlite3.Connection:
    """Never writes a row, and never makes the file. Functions in a foreign schema are not trusted.

    Raises `UnicodeDecodeError` or `sqlite3.OperationalError` for damaged texts, unless `tolerate_texts`.
    """
    address = f"file:{quote(os.fsencode(path))}?mode=ro"
    connection = sqlite3.connect(address, uri=True, timeout=5, isolation_level=None)
    connection.row_factory = sqlite3.Row
    connection.execute("PRAGMA trusted_schema = OFF")
    return connection


def tolerate_texts(connection: sqlite3.Connection) -> None:
    """Texts that are no UTF-8 any more are read with marks in the damaged places."""
    connection.text_factory = lambda raw: raw.decode("utf-8", "replace")
