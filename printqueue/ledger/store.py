"""The service's ledger: one row per arrival and print, one transaction per transition.

WAL with synchronous=FULL: what COMMIT answered survives a power cut. One connection,
one lock: the threads of the service take turns, readers are never blocked.
"""

from __future__ import annotations

import json
import os
import sqlite3
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from typing import Any

from printqueue.errors import StudioError
from printqueue.ledger import rows, schema
from printqueue.model.job import Arrival, Phase, PrintRecord, Sighting, State
from printqueue.text import shown


class LedgerError(StudioError):
    """The ledger cannot be written or trusted; the service must stop instead of working without it."""


class LedgerFullError(LedgerError):
    """There is no room for a row: nothing may go on until there is; the ledger itself is whole."""


class Ledger:
    """Read and write; held by the one service of a studio."""

    def __init__(self, path: str, now: Callable[[], str]) -> None:
        self._now = now
        self._lock = threading.RLock()
        try:
            self._connection = sqlite3.connect(path, check_same_thread=False, isolation_level=None, timeout=10)
            self._connection.row_factory = sqlite3.Row
            for pragma in ("trusted_schema = OFF", "journal_mode = WAL", "synchronous = FULL", "foreign_keys = ON"):
                self._connection.execute(f"PRAGMA {pragma}")
            self._refuse_newer(path)
            schema.migrate(self._connection)
        except sqlite3.Error as error:
            raise LedgerError(
                f"The ledger {shown(path)} cannot be opened ({error}). Pictures and prints are untouched.",
                do="Check disk and rights; if the file is damaged, set it aside under another name and start again.",
            ) from error

    def _refuse_newer(self, path: str) -> None:
        if schema.version(self._connection) > schema.NEWEST:
            raise LedgerError(
                f"The ledger {shown(path)} was written by a newer printqueue. Nothing was changed.",
                do="Upgrade this one.",
            )

    def close(self) -> None:
        """Close the connection; a later start finds everything committed."""
        with self._lock:
            self._connection.close()

    @property
    def is_new(self) -> bool:
        """Whether nothing has ever been recorded here (a first start, or the ledger was lost)."""
        return bool(self._one("SELECT count(*) FROM arrivals")[0] == 0)

    # -- arrivals ---------------------------------------------------------

    def claim(self, path: str, inode: int, size: int, mtime_ns: int) -> Arrival:
        """A new attempt at the picture standing at `path`: a new row, or the next attempt of its waiting row."""
        raw = os.fsencode(path)
        with self._transaction("claimed", shown(path)) as run:
            known = run(
                "SELECT id FROM arrivals WHERE path = ? AND inode = ? AND size = ? AND mtime_ns = ? AND state = 'waiting'",
                (raw, inode, size, mtime_ns),
            ).fetchone()
            if known is None:
                cursor = run(
                    "INSERT INTO arrivals (path, shown, inode, size, mtime_ns, state, phase, attempt, strikes, since, says)"
                    " VALUES (?, ?, ?, ?, ?, 'working', 'claimed', 1, 0, ?, '')",
                    (raw, shown(path), inode, size, mtime_ns, self._now()),
                )
                return self._arrival(int(cursor.lastrowid or 0))
            run(
                "UPDATE arrivals SET state = 'working', phase = 'claimed', attempt = attempt + 1, since = ?, says = ''"
                " WHERE id = ?",
                (self._now(), known["id"]),
            )
            return self._arrival(known["id"])

    def arrival(self, number: int) -> Arrival:
        """The row as it is now."""
        with self._lock:
            return self._arrival(number)

    def _arrival(self, number: int) -> Arrival:
        row = self._one(f"SELECT {rows.ARRIVAL} FROM arrivals WHERE id = ?", number)  # noqa: S608 - a constant
        return rows.arrival(row)

    def arrivals(self, *states: State) -> list[Arrival]:
        """All arrivals in any of `states`, oldest first."""
        marks = ", ".join("?" * len(states))
        sql = f"SELECT {rows.ARRIVAL} FROM arrivals WHERE state IN ({marks}) ORDER BY id"  # noqa: S608 - marks only
        return [rows.arrival(row) for row in self._all(sql, *(str(s) for s in states))]

    def last_at(self, path: str) -> Arrival | None:
        """The newest arrival that stood at `path`."""
        found = self._all(
            f"SELECT {rows.ARRIVAL} FROM arrivals WHERE path = ? ORDER BY id DESC LIMIT 1",  # noqa: S608 - a constant
            os.fsencode(path),
        )
        return rows.arrival(found[0]) if found else None

    def with_hash(self, sha256: str, state: State) -> list[Arrival]:
        """Arrivals of the same bytes in `state`, oldest first."""
        sql = f"SELECT {rows.ARRIVAL} FROM arrivals WHERE sha256 = ? AND state = ? ORDER BY id"  # noqa: S608 - a constant
        return [rows.arrival(row) for row in self._all(sql, sha256, str(state))]

    def copied(self, arrival: int, sha256: str) -> None:
        """The spool copy is whole; this is the picture's identity."""
        with self._transaction("copied", sha256, arrival) as run:
            run("UPDATE arrivals SET sha256 = ? WHERE id = ?", (sha256, arrival))

    def intend(self, arrival: int, intent: str, *, finishes: Sequence[str] = ()) -> None:
        """Record what is about to become visible, before any of it is; `finishes`: recipes of prints found again."""
        with self._transaction("publishing", "", arrival) as run:
            run("UPDATE arrivals SET phase = 'publishing', intent = ? WHERE id = ?", (intent, arrival))
            for recipe in finishes:
                run("DELETE FROM found_prints WHERE recipe = ?", (recipe,))

    def unpublish(self, arrival: int) -> None:
        """Nothing of the last intent is visible any more."""
        with self._transaction("unpublished", "", arrival) as run:
            run("UPDATE arrivals SET phase = 'claimed', intent = NULL WHERE id = ?", (arrival,))

    def published(self, arrival: int, intent: str) -> None:
        """Everything made is visible and durable; the original may still stand in ready/."""
        with self._transaction("published", "", arrival) as run:
            run("UPDATE arrivals SET phase = 'published', intent = ? WHERE id = ?", (intent, arrival))

    def say(self, arrival: int, says: str) -> None:
        """Why it does not go on, for status; nothing else changes."""
        with self._transaction("said", says, arrival) as run:
            run("UPDATE arrivals SET says = ? WHERE id = ?", (says, arrival))

    def settle(self, arrival: int, state: State, says: str, *, strike: bool = False) -> None:
        """Move to `state`; a strike counts one more child that this picture has ended."""
        phase = Phase.CLAIMED if state in (State.WAITING, State.WORKING) else Phase.DONE
        with self._transaction(str(state), says, arrival) as run:
            run(
                "UPDATE arrivals SET state = ?, phase = ?, since = ?, says = ?, strikes = strikes + ?,"
                " intent = CASE WHEN ? = 'done' THEN intent END WHERE id = ?",
                (str(state), str(phase), self._now(), says, int(strike), str(phase), arrival),
            )

    def interrupted(self, arrival: int, says: str) -> int:
        """Back to waiting after a kill of the whole service; how often that has happened to this picture."""
        self.settle(arrival, State.WAITING, says)
        with self._transaction("interrupted", says, arrival):
            pass
        return int(self._one("SELECT count(*) FROM facts WHERE arrival = ? AND fact = 'interrupted'", arrival)[0])

    # -- prints -----------------------------------------------------------

    def plan_prints(self, arrival: int, wanted: Sequence[tuple[str, str, int, str]]) -> list[int]:
        """Job numbers for (paper, size, copies, settings JSON); the same ones again at a next attempt."""
        with self._transaction("planned", f"{len(wanted)} print(s)", arrival) as run:
            jobs = [
                r["job"] for r in run("SELECT job FROM prints WHERE arrival = ? ORDER BY job", (arrival,)).fetchall()
            ]
            for job in jobs[len(wanted) :]:
                run("DELETE FROM prints WHERE job = ?", (job,))
            for job, (paper, size, copies, settings) in zip(jobs, wanted, strict=False):
                run(
                    "UPDATE prints SET paper = ?, size = ?, copies = ?, settings = ? WHERE job = ?",
                    (paper, size, copies, settings, job),
                )
            for paper, size, copies, settings in wanted[len(jobs) :]:
                cursor = run(
                    "INSERT INTO prints (arrival, paper, size, copies, settings, findings, measurements)"
                    " VALUES (?, ?, ?, ?, ?, '[]', '{}')",
                    (arrival, paper, size, copies, settings),
                )
                jobs.append(int(cursor.lastrowid or 0))
        return jobs[: len(wanted)]

    def judged(self, job: int, verdict: str, findings: Sequence[dict[str, Any]], measurements: dict[str, Any]) -> None:
        """What the checks said."""
        with self._transaction("judged", verdict) as run:
            run(
                "UPDATE prints SET verdict = ?, findings = ?, measurements = ? WHERE job = ?",
                (verdict, _json(findings), _json(measurements), job),
            )

    def made(self, job: int, *, output: str, recipe: str, profile_sha256: str, rules_sha256: str) -> None:
        """Where the print file stands (relative to the studio) and by which recipe it was made."""
        with self._transaction("made", recipe) as run:
            run(
                "UPDATE prints SET output = ?, recipe = ?, profile_sha256 = ?, rules_sha256 = ?, made = ? WHERE job = ?",
                (os.fsencode(output), recipe, profile_sha256, rules_sha256, self._now(), job),
            )

    def prints_of(self, arrival: int) -> list[PrintRecord]:
        """The prints of one arrival in order."""
        sql = (
            f"SELECT {rows.PRINT} FROM prints p JOIN arrivals a ON a.id = p.arrival"  # noqa: S608 - a constant
            " WHERE p.arrival = ? ORDER BY p.job"
        )
        return [rows.print_record(row) for row in self._all(sql, arrival)]

    def earlier_findings(self, path: str, before: int) -> dict[str, dict[str, Any]]:
        """Findings by check of the newest judged arrival at `path` older than arrival `before`."""
        found = self._all(
            "SELECT p.findings FROM prints p JOIN arrivals a ON a.id = p.arrival"
            " WHERE a.path = ? AND a.id < ? AND p.findings != '[]' ORDER BY p.job DESC LIMIT 1",
            os.fsencode(path),
            before,
        )
        return {finding["check"]: finding for finding in json.loads(found[0][0])} if found else {}

    def made_with(self, recipe: str) -> list[PrintRecord]:
        """Prints that were made by exactly this recipe."""
        sql = (
            f"SELECT {rows.PRINT} FROM prints p JOIN arrivals a ON a.id = p.arrival"  # noqa: S608 - a constant
            " WHERE p.recipe = ? AND a.state = 'printable' ORDER BY p.job"
        )
        return [rows.print_record(row) for row in self._all(sql, recipe)]

    def remember(self, found: Mapping[str, str]) -> None:
        """Prints (recipe → file) that stand in print/ although the ledger that knew of them is lost."""
        with self._transaction("remembered", f"{len(found)} print(s)") as run:
            run("DELETE FROM found_prints", ())
            for recipe, output in found.items():
                run("INSERT INTO found_prints VALUES (?, ?)", (recipe, os.fsencode(output)))

    def found_print(self, recipe: str) -> str | None:
        """The file of a remembered print, relative to the studio."""
        found = self._all("SELECT output FROM found_prints WHERE recipe = ?", recipe)
        return os.fsdecode(found[0][0]) if found else None

    def keep(self, sha256: str, kind: str, data: bytes) -> None:
        """Keep profile bytes or a rules text under its hash, once."""
        with self._lock:
            if not self._all("SELECT 1 FROM kept WHERE sha256 = ?", sha256):
                with self._transaction("kept", f"{kind} {sha256}") as run:
                    run("INSERT INTO kept VALUES (?, ?, ?)", (sha256, kind, data))

    # -- what the service says of itself ----------------------------------

    def scanned(self, watch: str, problems: Sequence[str], sightings: Sequence[Sighting]) -> None:
        """Replace what stands in ready/; one short transaction per scan."""
        with self._transaction(None, "") as run:
            run(
                "UPDATE heartbeat SET last_scan = ?, watch = ?, problems = ?",
                (self._now(), watch, _json(list(problems))),
            )
            run("DELETE FROM sightings", ())
            for s in sightings:
                run(
                    "INSERT OR REPLACE INTO sightings VALUES (?, ?, ?, ?, ?, ?, ?)",
                    (os.fsencode(s.path), shown(s.path), s.kind, s.paper, s.size, s.since, s.says),
                )

    # -- plumbing ---------------------------------------------------------

    @contextmanager
    def _transaction(
        self, fact: str | None, detail: str, arrival: int | None = None
    ) -> Iterator[Callable[..., sqlite3.Cursor]]:
        """One write transaction; `fact` is appended to the record of transitions in it."""
        with self._lock:
            try:
                self._connection.execute("BEGIN IMMEDIATE")
                yield self._connection.execute
                if fact is not None:
                    self._connection.execute(
                        "INSERT INTO facts (at, arrival, fact, detail) VALUES (?, ?, ?, ?)",
                        (self._now(), arrival, fact, detail),
                    )
                self._connection.execute("COMMIT")
            except sqlite3.Error as error:
                self._roll_back()
                raise _write_error(error) from error
            except BaseException:
                self._roll_back()
                raise

    def _roll_back(self) -> None:
        with suppress(sqlite3.Error):  # the error that led here is the one to tell
            if self._connection.in_transaction:
                self._connection.execute("ROLLBACK")

    def _all(self, sql: str, *values: object) -> list[sqlite3.Row]:
        with self._lock:
            try:
                return self._connection.execute(sql, values).fetchall()
            except sqlite3.Error as error:
                raise LedgerError(f"The ledger cannot be read ({error}).", do="Check the disk.") from error

    def _one(self, sql: str, *values: object) -> Any:
        return self._all(sql, *values)[0]


def _write_error(error: sqlite3.Error) -> LedgerError:
    says = f"The ledger cannot be written ({error}). Nothing more is taken or published until it can."
    if getattr(error, "sqlite_errorcode", None) == sqlite3.SQLITE_FULL:
        return LedgerFullError(says, do="The disk is full: free some space; the work goes on by itself.")
    return LedgerError(says, do="Check the disk.")


def _json(value: Any) -> str:
    return json.dumps(value, ensure_ascii=True, allow_nan=False, sort_keys=True)
