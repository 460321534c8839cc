"""Looking into the ledger without touching it: `status`, `history`, `doctor`. Never blocks the service."""

from __future__ import annotations

import json
import os
import sqlite3
from contextlib import closing

from printqueue.errors import StudioError
from printqueue.ledger import rows, schema
from printqueue.model.job import Heartbeat, PrintRecord, Sighting, State


class LedgerReader:
    """Read-only view; each call is one short read transaction."""

    def __init__(self, path: str) -> None:
        self._path = path

    @property
    def exists(self) -> bool:
        """Whether a ledger has been made yet."""
        return os.path.exists(self._path)

    def heartbeat(self) -> Heartbeat:
        """What the service last said of itself."""
        found = self._all("SELECT last_scan, watch, problems FROM heartbeat")
        row = found[0] if found else None
        return Heartbeat(row[0], row[1], tuple(json.loads(row[2]))) if row else Heartbeat(None, "poll", ())

    def counts(self) -> dict[str, int]:
        """Jobs per state."""
        sql = "SELECT a.state, count(*) FROM prints p JOIN arrivals a ON a.id = p.arrival GROUP BY a.state"
        counted = dict.fromkeys((str(state) for state in State), 0)
        return counted | {row[0]: row[1] for row in self._all(sql)}

    def prints(self, *, open_only: bool = False, name: str | None = None, most: int = 1000) -> list[PrintRecord]:
        """Prints, newest first; `open_only`: those not made; `name`: paths that contain it."""
        where, values = ["1"], []
        if open_only:
            where.append("a.state IN ('waiting', 'working', 'review', 'stuck')")
        if name:
            where.append("instr(lower(a.shown), lower(?)) > 0")
            values.append(name)
        sql = (
            f"SELECT {rows.PRINT} FROM prints p JOIN arrivals a ON a.id = p.arrival"  # noqa: S608 - constants
            f" WHERE {' AND '.join(where)} ORDER BY p.job DESC LIMIT ?"
        )
        return [rows.print_record(row) for row in self._all(sql, *values, most)]

    def sightings(self) -> list[Sighting]:
        """What stands in ready/ and is no job."""
        return [rows.sighting(row) for row in self._all("SELECT * FROM sightings ORDER BY shown")]

    def damage(self) -> list[str]:
        """What SQLite's own quick check finds; empty where the file is sound or was not made yet."""
        found = [str(row[0]) for row in self._all("PRAGMA quick_check(10)")]
        return [] if found == ["ok"] else found

    def _all(self, sql: str, *values: object) -> list[sqlite3.Row]:
        if not self.exists:
            return []
        try:
            with closing(sqlite3.connect(f"file:{_quoted(self._path)}?mode=ro", uri=True, timeout=5)) as connection:
                connection.execute("PRAGMA trusted_schema = OFF")
                connection.row_factory = sqlite3.Row
                version = schema.version(connection)
                if version == 0:  # a service is just making it
                    return []
                if version > schema.NEWEST:
                    raise StudioError("The ledger was written by a newer printqueue.", do="Upgrade this one.")
                return connection.execute(sql, values).fetchall()
        except sqlite3.Error as error:
            raise StudioError(
                f"The ledger cannot be read ({error}). Pictures and prints are untouched.",
                do="Run `printqueue doctor`.",
            ) from error


def _quoted(path: str) -> str:
    from urllib.parse import quote

    return quote(os.fsencode(path))
