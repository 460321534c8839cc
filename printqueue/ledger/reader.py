"""Looking into the ledger without touching it: `status`, `history`, `doctor`. Never blocks the service."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from typing import NoReturn, TypeVar

from printqueue.errors import StudioError
from printqueue.ledger import earlier, rows, schema
from printqueue.ledger.connect import read_only, tolerate_texts
from printqueue.ledger.errors import (
    FAILURES,
    NONSENSE,
    Failure,
    LedgerDamagedError,
    LedgerError,
    LedgerNewerError,
    is_damage,
)
from printqueue.ledger.identity import require_plain
from printqueue.ledger.rebuilt import Rebuilt
from printqueue.model.earlier import EarlierPrint
from printqueue.model.job import Arrival, Heartbeat, PrintRecord, Sighting, State
from printqueue.text import shown

Record = TypeVar("Record")
_OPEN = "('waiting', 'working', 'review', 'stuck')"
_NO_PRINTS = "NOT EXISTS (SELECT 1 FROM prints p WHERE p.arrival = a.id)"


class LedgerReader:
    """Read-only view; each call is one short read transaction, all calls within `at_once` are the same one."""

    def __init__(self, path: str) -> None:
        self._path = path
        self._held: sqlite3.Connection | None = None

    @property
    def exists(self) -> bool:
        """Whether a ledger has been made yet."""
        return os.path.lexists(self._path)

    @contextmanager
    def at_once(self) -> Iterator[None]:
        """Everything asked in the block is answered from one moment, whatever the service commits meanwhile."""
        with self._connection() as connection:
            if connection is None:
                yield
                return
            connection.execute("BEGIN")
            self._held = connection
            try:
                yield
            finally:
                self._held = None

    def heartbeat(self) -> Heartbeat:
        """What the service last said of itself."""
        found = self._records(rows.heartbeat, "SELECT * FROM heartbeat")
        return found[0] if found else Heartbeat(None, "poll", ())

    def counts(self) -> dict[str, int]:
        """Jobs per state: prints, and arrivals of which no print was planned yet."""
        sql = "SELECT a.state, count(*) FROM arrivals a LEFT JOIN prints p ON p.arrival = a.id GROUP BY a.state"
        counted = dict.fromkeys((str(state) for state in State), 0)
        return counted | {row[0]: row[1] for row in self._all(sql)}

    def prints(self, *, open_only: bool = False, name: str | None = None, most: int = 1000) -> list[PrintRecord]:
        """Prints, newest first; `open_only`: those not made; `name`: paths that contain it."""
        where, values = ["1"], []
        if open_only:
            where.append(f"a.state IN {_OPEN}")
        if name:
            where.append("instr(lower(a.shown), lower(?)) > 0")
            values.append(name)
        sql = (
            f"SELECT {rows.PRINT} FROM prints p JOIN arrivals a ON a.id = p.arrival"  # noqa: S608 - constants
            f" WHERE {' AND '.join(where)} ORDER BY p.job DESC LIMIT ?"
        )
        return self._records(rows.print_record, sql, *values, most)

    def thumbnails(self) -> dict[int, str]:
        """Job → name of its thumbnail in daybook/pictures/, where there is one."""
        if not self._all(
            "SELECT 1 FROM pragma_table_info('prints') WHERE name = 'thumbnail'"
        ):  # older than migration 5
            return {}
        return dict(map(tuple, self._all("SELECT job, thumbnail FROM prints WHERE thumbnail != ''")))

    def earlier_prints(self, sha256: str) -> list[EarlierPrint]:
        """Prints of the same bytes that were made or are in work, by job."""
        return self._records(earlier.record, earlier.SQL, sha256, earlier.NOBODY)

    def unplanned(self, most: int = 1000) -> list[Arrival]:
        """Open arrivals of which no print was planned yet (deferred or stuck before that), newest first."""
        sql = f"SELECT {rows.ARRIVAL} FROM arrivals a WHERE state IN {_OPEN} AND {_NO_PRINTS} ORDER BY id DESC LIMIT ?"  # noqa: S608 - constants
        return self._records(rows.arrival, sql, most)

    def sightings(self) -> list[Sighting]:
        """What stands in ready/ and is no job."""
        return self._records(rows.sighting, "SELECT * FROM sightings ORDER BY shown")

    def rebuilds(self) -> list[Rebuilt]:
        """Rebuilds whose damaged file still stands beside the ledger: a human has not seen to it yet."""
        if not self._all("SELECT 1 FROM sqlite_master WHERE name = 'rebuilds'"):  # older than migration 3
            return []
        found = self._records(Rebuilt.of, "SELECT * FROM rebuilds ORDER BY at")
        return [one for one in found if one.stands(self._path)]

    def damage(self) -> list[str]:
        """What SQLite's own quick check finds; empty where the file is sound or was not made yet."""
        found = [str(row[0]) for row in self._all("PRAGMA quick_check(10)")]
        return [] if found == ["ok"] else found

    def _all(self, sql: str, *values: object) -> list[sqlite3.Row]:
        with self._connection() as connection:
            if connection is None:
                return []
            try:
                return connection.execute(sql, values).fetchall()
            except FAILURES as error:
                _unreadable(error)

    def _records(self, record: Callable[[sqlite3.Row], Record], sql: str, *values: object) -> list[Record]:
        found = self._all(sql, *values)
        try:
            return [record(row) for row in found]
        except NONSENSE as error:
            says = f"The ledger cannot be read (a row makes no sense: {shown(str(error))}). Pictures and prints are untouched."
            raise LedgerDamagedError(says, do="Run `printqueue ledger check`.") from error

    @contextmanager
    def _connection(self) -> Iterator[sqlite3.Connection | None]:
        """The connection of `at_once`, or one for this call; None where there is no ledger to read yet."""
        if self._held is not None or not self.exists:
            yield self._held
            return
        require_plain(self._path, own=False)
        with closing(self._opened()) as connection:
            yield connection if _is_made(connection) else None

    def _opened(self) -> sqlite3.Connection:
        try:
            connection = read_only(self._path)
            tolerate_texts(connection)  # one damaged sentence is no reason to hide the rest
            return connection
        except FAILURES as error:
            _unreadable(error)


def _is_made(connection: sqlite3.Connection) -> bool:
    """False while a service is just making it. Raises where a newer printqueue wrote it."""
    try:
        version = schema.version(connection)
    except FAILURES as error:
        _unreadable(error)
    if version > schema.NEWEST:
        raise LedgerNewerError("The ledger was written by a newer printqueue.", do="Upgrade this one.")
    return version != 0


def _unreadable(error: Failure) -> NoReturn:
    kind: type[StudioError] = LedgerDamagedError if is_damage(error) else LedgerError
    says = f"The ledger cannot be read ({shown(str(error))}). Pictures and prints are untouched."
    raise kind(says, do="Run `printqueue doctor`.") from error
