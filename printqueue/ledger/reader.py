"""Reads the ledger without changing it, for `status`, `history` and `doctor`. Never blocks the service."""

from __future__ import annotations

import json
import os
import sqlite3
from collections.abc import Callable, Collection, Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from typing import NoReturn, TypeVar

from printqueue.core.errors import StudioError
from printqueue.core.model.earlier import EarlierPrint
from printqueue.core.model.job import Arrival, Fact, Heartbeat, MonthCount, PrintRecord, Sighting, State
from printqueue.core.text import shown
from printqueue.ledger import earlier, rows, schema
from printqueue.ledger.errors import (
    FAILURES,
    NONSENSE,
    Failure,
    LedgerDamagedError,
    LedgerError,
    LedgerNewerError,
    interrupted,
    is_damage,
    is_interrupted,
)
from printqueue.ledger.file import read_only, require_plain, tolerate_texts
from printqueue.ledger.rescue.rebuild import Rebuilt

Record = TypeVar("Record")
_OPEN = "('waiting', 'working', 'review', 'stuck')"
_MADE = "(a.state = 'printable')"
# Judged, and acted on: the print is made, or the picture was turned back (and perhaps taken since).
_JUDGED = "(a.state IN ('printable', 'review') OR (a.state = 'withdrawn' AND p.verdict = 'turned-back' AND a.intent IS NOT NULL))"
# Earlier versions recorded no verdict for a picture turned back because of its order.
_TURNED_BACK = "(p.verdict = 'turned-back' OR (p.verdict IS NULL AND a.state = 'review'))"
_WHEN = "coalesce(CASE WHEN a.state = 'printable' THEN p.made END, a.since)"
_STUCK_FIRST = "a.state = 'review', a.state != 'stuck', "
_NO_PRINTS = "NOT EXISTS (SELECT 1 FROM prints p WHERE p.arrival = a.id)"


@dataclass(frozen=True, slots=True)
class Wanted:
    """Which prints to select; None or False sets no condition.

    name         part of the picture's or the print file's path, ignoring case
    paper, size  the paper's key, the size's name
    since, until RFC 3339 or a prefix of it ("2026", "2026-11"), both inclusive
    month        "2026-11", in local time
    made, not_made, turned_back   in an order for several prints, an accepted one is not made if another is turned back
    open_only    neither made nor withdrawn
    judged       made or turned back
    """

    name: str | None = None
    paper: str | None = None
    size: str | None = None
    since: str | None = None
    until: str | None = None
    month: str | None = None
    made: bool = False
    not_made: bool = False
    turned_back: bool = False
    open_only: bool = False
    judged: bool = False


ALL = Wanted()


def _conditions(wanted: Wanted) -> list[tuple[str, str | bool | None]]:
    """Each condition with its value: True if it takes none, None if it is not wanted."""
    return [
        (f"a.state IN {_OPEN}", wanted.open_only or None),
        (_JUDGED, wanted.judged or None),
        (_MADE, wanted.made or None),
        (f"NOT {_MADE}", wanted.not_made or wanted.turned_back or None),
        (_TURNED_BACK, wanted.turned_back or None),
        ("instr(lower(a.shown || ' ' || coalesce(CAST(p.output AS TEXT), '')), lower(?)) > 0", wanted.name or None),
        ("p.paper = ?", wanted.paper),
        ("lower(p.size) = lower(?)", wanted.size),
        (f"{_WHEN} >= ?", wanted.since),
        (f"{_WHEN} <= ? || '~'", wanted.until),
        (f"strftime('%Y-%m', {_WHEN}, 'localtime') = ?", wanted.month),
    ]


class LedgerReader:
    """Read-only view: each call is one short read transaction; all calls within `at_once` share one."""

    def __init__(self, path: str) -> None:
        self._path = path
        self._held: sqlite3.Connection | None = None

    @property
    def exists(self) -> bool:
        """Whether a ledger has been made yet."""
        return os.path.lexists(self._path)

    @contextmanager
    def at_once(self) -> Iterator[None]:
        """Answer everything in the block from one snapshot, whatever the service commits meanwhile."""
        with self._connection() as connection:
            if connection is None or self._held is not None:
                yield
                return
            connection.execute("BEGIN")
            self._held = connection
            try:
                yield
            finally:
                self._held = None

    def heartbeat(self) -> Heartbeat:
        """What the service last reported about itself."""
        found = self._records(rows.heartbeat, "SELECT * FROM heartbeat")
        return found[0] if found else Heartbeat(None, "poll", ())

    def counts(self) -> dict[str, int]:
        """Jobs per state: prints, and arrivals without a planned print."""
        sql = "SELECT a.state, count(*) FROM arrivals a LEFT JOIN prints p ON p.arrival = a.id GROUP BY a.state"
        counted = dict.fromkeys((str(state) for state in State), 0)
        return counted | {row[0]: row[1] for row in self._all(sql)}

    def prints(self, wanted: Wanted = ALL, *, limit: int = 1000) -> list[PrintRecord]:
        """Prints that match `wanted`, newest first. With `open_only`, stuck ones come first and those in review/ last,
        or a thousand of the latter would hide the rest.
        """
        conditions = [(sql, value) for sql, value in _conditions(wanted) if value is not None]
        where = " AND ".join(["1", *(sql for sql, _ in conditions)])
        # Open prints are few and found by state. Otherwise jobs are read newest first, and no more than are wanted.
        # CROSS JOIN fixes the order of the tables (sqlite.org/optoverview.html).
        tables = "arrivals a CROSS JOIN prints p" if wanted.open_only else "prints p CROSS JOIN arrivals a"
        sql = (
            f"SELECT {rows.PRINT} FROM {tables} ON a.id = p.arrival"  # noqa: S608 - constants
            f" WHERE {where} ORDER BY {_STUCK_FIRST if wanted.open_only else ''}p.job DESC LIMIT ?"
        )
        values = [value for _, value in conditions if value is not True]
        return self._records(rows.print_record, sql, *values, limit)

    def months(self) -> list[MonthCount]:
        """Months (local time) in which anything was made or turned back, newest first."""
        sql = (
            f"SELECT strftime('%Y-%m', {_WHEN}, 'localtime') AS month, sum({_MADE}) AS made, sum(NOT {_MADE}) AS back,"  # noqa: S608 - constants
            " count(*) || ' ' || max(p.job) || ' ' || max(a.since) || ' ' || sum(a.state = 'review') AS mark"
            f" FROM prints p JOIN arrivals a ON a.id = p.arrival WHERE {_JUDGED} AND month IS NOT NULL"
            " GROUP BY month ORDER BY month DESC"
        )
        return self._records(rows.month, sql)

    def in_review(self) -> list[Arrival]:
        """Pictures in review/, newest first."""
        sql = f"SELECT {rows.ARRIVAL} FROM arrivals WHERE state = 'review' ORDER BY id DESC"  # noqa: S608 - a constant
        return self._records(rows.arrival, sql)

    def superseded(self) -> frozenset[int]:
        """Pictures in review/ that are marked as older than another at the same path."""
        sql = "SELECT f.arrival FROM facts f JOIN arrivals a ON a.id = f.arrival WHERE f.fact = 'superseded' AND a.state = 'review'"
        return frozenset(int(row[0]) for row in self._all(sql))

    def newest_fact(self) -> int:
        """The number of the newest transition: while it stays the same, nothing has changed."""
        found = self._all(rows.NEWEST_FACT)
        return int(found[0][0]) if found else 0

    def facts(self, after: int) -> list[Fact]:
        """Transitions of pictures recorded after the one numbered `after`, oldest first, a thousand at a time."""
        path = "coalesce(a.shown, CASE WHEN f.fact = 'claimed' THEN f.detail END)"  # a claim names its picture itself
        sql = (
            f"SELECT f.id, f.at, {path} AS path, f.fact, f.detail FROM facts f LEFT JOIN arrivals a ON a.id = f.arrival"  # noqa: S608 - a constant
            f" WHERE f.id > ? AND {path} IS NOT NULL ORDER BY f.id LIMIT 1000"
        )
        return self._records(rows.fact, sql, after)

    def thumbnails(self, jobs: Collection[int] | None = None) -> dict[int, str]:
        """Job → name of its thumbnail in daybook/pictures/, if it has one; for all jobs, or only for `jobs`."""
        if not self._all("SELECT 1 FROM pragma_table_info('prints') WHERE name = 'thumbnail'"):  # before migration 5
            return {}
        sql = "SELECT job, thumbnail FROM prints WHERE thumbnail != ''"
        if jobs is None:
            return dict(map(tuple, self._all(sql)))
        sql += " AND job IN (SELECT value FROM json_each(?))"
        return dict(map(tuple, self._all(sql, json.dumps(list(jobs)))))

    def earlier_prints(self, sha256: str) -> list[EarlierPrint]:
        """Prints of the same bytes that were made or are in progress, ordered by job."""
        return self._records(earlier.record, earlier.SQL, sha256, earlier.NOBODY)

    def unplanned(self) -> list[Arrival]:
        """Open arrivals without a planned print (deferred or stuck before that), in the order of `prints`."""
        sql = (
            f"SELECT {rows.ARRIVAL} FROM arrivals a WHERE state IN {_OPEN} AND {_NO_PRINTS}"  # noqa: S608 - constants
            f" ORDER BY {_STUCK_FIRST}id DESC LIMIT 1000"
        )
        return self._records(rows.arrival, sql)

    def sightings(self) -> list[Sighting]:
        """What is in ready/ but is not a job."""
        return self._records(rows.sighting, "SELECT * FROM sightings ORDER BY shown")

    def rebuilds(self) -> list[Rebuilt]:
        """Rebuilds whose damaged file is still beside the ledger: nobody has dealt with it yet."""
        if not self._all("SELECT 1 FROM sqlite_master WHERE name = 'rebuilds'"):  # older than migration 3
            return []
        found = self._records(Rebuilt.of, "SELECT * FROM rebuilds ORDER BY at")
        return [one for one in found if one.stands(self._path)]

    def damage(self) -> list[str]:
        """What SQLite's own quick check finds; empty if the file is sound or does not exist yet."""
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
        """The connection of `at_once`, or one for this call; None if there is no ledger yet."""
        if self._held is not None or not self.exists:
            yield self._held
            return
        require_plain(self._path, own=False)
        with closing(self._opened()) as connection:
            yield connection if _is_made(connection) else None

    def _opened(self) -> sqlite3.Connection:
        try:
            connection = read_only(self._path)
            tolerate_texts(connection)  # one damaged sentence must not hide the rest
            return connection
        except FAILURES as error:
            _unreadable(error)


def _is_made(connection: sqlite3.Connection) -> bool:
    """False while a service is still creating it. Raises if a newer printqueue wrote it."""
    try:
        version = schema.version(connection)
    except FAILURES as error:
        _unreadable(error)
    if version > schema.NEWEST:
        raise LedgerNewerError("The ledger was written by a newer printqueue.", do="Upgrade this one.")
    return version != 0


def _unreadable(error: Failure) -> NoReturn:
    if is_interrupted(error):
        raise interrupted() from error
    kind: type[StudioError] = LedgerDamagedError if is_damage(error) else LedgerError
    says = f"The ledger cannot be read ({shown(str(error))}). Pictures and prints are untouched."
    raise kind(says, do="Run `printqueue doctor`.") from error
