"""A ledger opened to be looked at only."""

from __future__ import annotations

import os
import sqlite3
from urllib.parse import quote


def read_only(path: str) -> sqlite3.Connection:
    """Never writes a row, and never makes the file. Functions in a foreign schema are not trusted."""
    address = f"file:{quote(os.fsencode(path))}?mode=ro"
    connection = sqlite3.connect(address, uri=True, timeout=5, isolation_level=None)
    connection.row_factory = sqlite3.Row
    connection.execute("PRAGMA trusted_schema = OFF")
    return connection
