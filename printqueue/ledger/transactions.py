"""One connection, one lock: the service's threads take turns; readers are never blocked.

WAL with synchronous=FULL: what COMMIT acknowledged survives a power cut. A commit that need not survive one on its own
runs with synchronous=NORMAL: it costs no fsync, readers see it at once, and because the WAL is one file written in
order, the next full commit makes it durable too. So a power cut loses only the newest of such rows, never one that a
later row relies on. Measured with `strace -c`: one fdatasync for a full commit, none for the others.
"""

from __future__ import annotations

import json
import os
import sqlite3
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from typing import Any, TypeVar

from printqueue.core.disk import durable
from printqueue.core.text import shown
from printqueue.ledger import schema
from printqueue.ledger.errors import (
    FAILURES,
    NONSENSE,
    Failure,
    LedgerBusyError,
    LedgerDamagedError,
    LedgerError,
    damaged,
    is_damage,
    read_error,
    write_error,
)
from printqueue.ledger.file import require_known, require_plain

Record = TypeVar("Record")
Run = Callable[..., sqlite3.Cursor]
_PRAGMAS = ("trusted_schema = OFF", "journal_mode = WAL", "synchronous = FULL", "foreign_keys = ON")


def suspect_mark(path: str) -> str:
    """The file that marks a ledger found damaged in use: the next start checks that ledger thoroughly."""
    return path + ".suspect"


class Transactions:
    """The connection of a studio's one service, and its two kinds of commit."""

    def __init__(self, path: str, now: Callable[[], str]) -> None:
        self._now, self._path = now, path
        self._lock = threading.RLock()
        self._full, self._joined = True, False
        require_plain(path, own=True)
        try:
            self._connection = _opened(path)
        except FAILURES as error:
            raise _open_error(path, error) from error

    def close(self) -> None:
        """Close the connection; a later start finds everything committed."""
        with self._lock:
            self._connection.close()

    @contextmanager
    def together(self) -> Iterator[None]:
        """Record everything in the block in one durable commit, or nothing after an error.

        Keep the block short: the other threads wait.
        """
        with self._transaction(None, ""):
            self._joined = True
            try:
                yield
            finally:
                self._joined = False

    @contextmanager
    def undisturbed(self) -> Iterator[None]:
        """Keep other threads from recording while the block reads and records; each record commits on its own.

        Keep the block short: the other threads wait.
        """
        with self._lock:
            yield

    @contextmanager
    def _transaction(
        self, fact: str | None, detail: str, arrival: int | None = None, *, durably: bool = True
    ) -> Iterator[Run]:
        """One write transaction, which also appends `fact` to the record of transitions."""
        with self._lock:
            if self._joined:
                yield self._connection.execute
                self._add_fact(fact, detail, arrival)
                return
            try:
                self._commit_fully(durably)
                self._connection.execute("BEGIN IMMEDIATE")
                yield self._connection.execute
                self._add_fact(fact, detail, arrival)
                self._connection.execute("COMMIT")
            except FAILURES as error:
                self._roll_back()
                raise self._noticed(write_error(error)) from error
            except BaseException:
                self._roll_back()
                raise

    def _add_fact(self, fact: str | None, detail: str, arrival: int | None) -> None:
        if fact is not None:
            self._connection.execute(
                "INSERT INTO facts (at, arrival, fact, detail) VALUES (?, ?, ?, ?)",
                (self._now(), arrival, fact, detail),
            )

    def _commit_fully(self, full: bool) -> None:
        """Set whether the next commit survives a power cut. Not to be called inside a transaction (pragma.html)."""
        if full is not self._full:
            self._connection.execute(f"PRAGMA synchronous = {'FULL' if full else 'NORMAL'}")
            self._full = full

    def _roll_back(self) -> None:
        with suppress(sqlite3.Error):  # the caller raises the error that led here
            if self._connection.in_transaction:
                self._connection.execute("ROLLBACK")

    def _all(self, sql: str, *values: object) -> list[sqlite3.Row]:
        with self._lock:
            try:
                return self._connection.execute(sql, values).fetchall()
            except FAILURES as error:
                raise self._noticed(read_error(error)) from error

    def _records(self, record: Callable[[sqlite3.Row], Record], sql: str, *values: object) -> list[Record]:
        """Rows as `record` parses them. One that makes no sense is damage that SQLite does not see."""
        found = self._all(sql, *values)
        try:
            return [record(row) for row in found]
        except NONSENSE as error:
            raise self._noticed(damaged(f"a row makes no sense: {error}")) from error

    def _value(self, sql: str, *values: object) -> Any:
        return self._all(sql, *values)[0][0]

    def _noticed(self, error: LedgerError) -> LedgerError:
        """Mark damage found in use, so that the next start checks even after a clean end."""
        if isinstance(error, LedgerDamagedError):
            with suppress(OSError):
                durable.write_temp(suspect_mark(self._path), f"{self._now()} {error.says}\n".encode())
        return error


def json_text(value: Any) -> str:
    """JSON as the ledger stores it: ASCII, keys sorted, no NaN."""
    return json.dumps(value, ensure_ascii=True, allow_nan=False, sort_keys=True)


def _opened(path: str) -> sqlite3.Connection:
    with suppress(OSError):  # SQLite reports errors better, but would make a new file world-readable
        os.close(os.open(path, os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600))
    connection = sqlite3.connect(path, check_same_thread=False, isolation_level=None, timeout=10)
    try:
        connection.row_factory = sqlite3.Row
        require_known(connection, path)  # before the first pragma that writes
        for pragma in _PRAGMAS:
            connection.execute(f"PRAGMA {pragma}")
        schema.migrate(connection)
    except BaseException:
        connection.close()
        raise
    return connection


def _open_error(path: str, error: Failure) -> LedgerError:
    says = f"The ledger {shown(path)} cannot be opened ({error}). Pictures and prints are untouched."
    if isinstance(busy := read_error(error), LedgerBusyError):
        return busy
    if is_damage(error):
        return LedgerDamagedError(says, do="Starting the service sets the file aside and rebuilds it.", why=error)
    return LedgerError(says, do="Check disk and rights.")
