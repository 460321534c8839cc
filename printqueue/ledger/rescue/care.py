"""Is the ledger sound and consistent? Reads only; a running service is not disturbed."""

from __future__ import annotations

import hashlib
import os
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass, field
from itertools import islice

from printqueue.core.model.job import Phase, State
from printqueue.core.text import shown
from printqueue.ledger import schema
from printqueue.ledger.errors import FAILURES, LedgerError
from printqueue.ledger.file import read_only, require_known, require_plain, tolerate_texts
from printqueue.ledger.rescue.salvage import PRINT_JSON, is_json

MAX_NAMED = 20  # per kind; the rest are only counted
_COUNTED = ("arrivals", "prints", "kept", "facts")
_ROWS_TOGETHER = 200  # kept rows hold whole profiles


@dataclass(slots=True)
class CheckUp:
    """What was found. `problems` is empty if all is well; `schema` is the version found."""

    file: str
    size: int  # bytes
    schema: int = 0
    rows: dict[str, int] = field(default_factory=dict)
    problems: list[str] = field(default_factory=list)


def check_up(path: str) -> CheckUp:
    """Check integrity, foreign keys, version and consistency in one snapshot. Raises `LedgerError` if the file is not
    one of our ledgers, is newer, or cannot be read at all.
    """
    require_plain(path, own=False)
    try:
        with closing(read_only(path)) as connection:
            return _looked_through(connection, CheckUp(path, os.stat(path).st_size))
    except (*FAILURES, OSError) as error:
        raise LedgerError(
            f"The ledger cannot be read ({shown(str(error))}). Pictures and prints are untouched.",
            do="Where the disk is well, restart the service: it sets a damaged ledger aside and rebuilds it.",
        ) from error


def _looked_through(connection: sqlite3.Connection, found: CheckUp) -> CheckUp:
    tolerate_texts(connection)
    connection.execute("BEGIN")
    require_known(connection, found.file)
    found.schema = schema.version(connection)
    found.problems = _few(integrity(connection))
    if found.problems:
        return found  # rows of a damaged file prove nothing
    if found.schema != schema.NEWEST:
        found.problems.append(
            f"Its version is {found.schema}, this printqueue's {schema.NEWEST}: the service brings it up to date at its next start."
        )
        return found
    found.rows = {table: connection.execute(f"SELECT count(*) FROM {table}").fetchone()[0] for table in _COUNTED}  # noqa: S608 - our own names
    for questions in (_words, _printable, _kept, _texts, _numbers):
        found.problems += _few(questions(connection))
    return found


def integrity(connection: sqlite3.Connection) -> Iterator[str]:
    """SQLite's own full check, and its check of foreign keys."""
    for (line,) in connection.execute(f"PRAGMA integrity_check({MAX_NAMED + 1})"):
        if line != "ok":
            yield f"SQLite: {' '.join(str(line).split())}"
    for row in connection.execute("PRAGMA foreign_key_check"):
        yield f"Row {row[1]} of {row[0]} belongs to a row of {row[2]} that is not there."


def _few(problems: Iterator[str]) -> list[str]:
    named = [shown(problem, limit=400) for problem in islice(problems, MAX_NAMED)]
    more = sum(1 for _ in problems)
    return [*named, f"… and {more} more of that kind."] if more else named


def _words(connection: sqlite3.Connection) -> Iterator[str]:
    states, phases = set(map(str, State)), set(map(str, Phase))
    for row in connection.execute("SELECT id, state, phase, intent IS NULL AS blank FROM arrivals"):
        if row["state"] not in states or row["phase"] not in phases:
            yield f"Arrival {row['id']}: '{row['state']}' and '{row['phase']}' are no state and phase."
        elif row["phase"] in (Phase.PUBLISHING, Phase.PUBLISHED) and row["blank"]:
            yield f"Arrival {row['id']}: it is being published, and what was to become visible is not recorded."
        elif row["phase"] in (Phase.PUBLISHING, Phase.PUBLISHED) and row["state"] != State.WORKING:
            yield f"Arrival {row['id']}: its state '{row['state']}' and its phase '{row['phase']}' contradict each other."


def _printable(connection: sqlite3.Connection) -> Iterator[str]:
    """Every print that was made can be found and made again."""
    sql = (
        "SELECT a.id, p.job, p.output, p.recipe, p.profile_sha256 AS profile, p.rules_sha256 AS rules,"
        " EXISTS (SELECT 1 FROM kept k WHERE k.sha256 = p.profile_sha256 AND k.kind = 'profile') AS has_profile,"
        " EXISTS (SELECT 1 FROM kept k WHERE k.sha256 = p.rules_sha256 AND k.kind = 'rules') AS has_rules"
        " FROM arrivals a LEFT JOIN prints p ON p.arrival = a.id WHERE a.state = 'printable' ORDER BY a.id, p.job"
    )
    for row in connection.execute(sql):
        if row["job"] is None:
            yield f"Arrival {row['id']}: made, but no print of it is recorded."
            continue
        wanting = [name for name in ("output", "recipe", "profile", "rules") if row[name] is None]
        wanting += [f"kept {name}" for name in ("profile", "rules") if row[name] is not None and not row[f"has_{name}"]]
        if wanting:
            yield f"Job {row['job']}: made, but the record lacks its {', '.join(wanting)}."


def _kept(connection: sqlite3.Connection) -> Iterator[str]:
    cursor = connection.execute("SELECT sha256, kind, bytes FROM kept")
    while rows := cursor.fetchmany(_ROWS_TOGETHER):
        for row in rows:
            if hashlib.sha256(row["bytes"]).hexdigest() != row["sha256"]:
                yield f"Kept {row['kind']} {row['sha256'][:12]}…: its bytes do not have that hash."


def _texts(connection: sqlite3.Connection) -> Iterator[str]:
    for row in connection.execute(f"SELECT job, {', '.join(PRINT_JSON)} FROM prints"):  # noqa: S608 - our own names
        for name, kind in PRINT_JSON.items():
            if not is_json(row[name], kind):
                yield f"Job {row['job']}: its {name} cannot be read."


def _numbers(connection: sqlite3.Connection) -> Iterator[str]:
    """A number once given is never given again."""
    counters = dict(connection.execute("SELECT name, seq FROM sqlite_sequence").fetchall())
    for table, key in (("arrivals", "id"), ("prints", "job")):
        highest = connection.execute(f"SELECT max({key}) FROM {table}").fetchone()[0]  # noqa: S608 - our own names
        if highest is not None and (counters.get(table) or 0) < highest:
            yield f"The counter of {table} stands behind its newest row: a number would be given twice."
