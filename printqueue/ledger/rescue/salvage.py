"""Copies what can still be read from a damaged ledger into a new one, row by row. No row is trusted unchecked.

Each table is read from its first row up to the first unreadable one, then backwards from its last row, then number by
number in between, so that a damaged page costs only its own rows. A row is copied if its words are legal, its JSON can
be read, its paths stay inside the studio, kept bytes match their hash and (by the new file's own constraints) its types
are right and its arrival exists.
"""

from __future__ import annotations

import hashlib
import json
import sqlite3
from collections.abc import Callable, Iterator, Mapping
from contextlib import suppress
from typing import TypedDict

from printqueue.core.model.job import Phase, State
from printqueue.ledger import schema
from printqueue.ledger.errors import FAILURES
from printqueue.ledger.file import tolerate_texts

IntentCheck = Callable[[str], bool]
PRINT_JSON: Mapping[str, type] = {"settings": dict, "findings": list, "measurements": dict}  # columns of `prints`
_VERDICTS = (None, "accepted", "turned-back")
_GAP = 1000  # numbers skipped if the newest rows may be lost: a job number is never given twice
_PROBED = 20_000  # numbers tried if neither the counter nor the newest row can be read
_FURTHEST = 1_000_000  # a counter further ahead of the newest row than this is itself damage


class Salvaged(TypedDict):
    """What became of one table: rows copied, rows refused, and whether every row could be read."""

    rows: int
    dropped: int
    whole: bool


def salvage(old: sqlite3.Connection, new: sqlite3.Connection, intent_is_whole: IntentCheck) -> dict[str, Salvaged]:
    """Copy what can be read; return table → what became of it. `new` is in a transaction, with foreign keys on."""
    tolerate_texts(old)
    found = {table: _table(old, new, table, is_legal) for table, is_legal in _judges(intent_is_whole).items()}
    for table, key in (("arrivals", "id"), ("prints", "job"), ("facts", "id")):
        _count_on(old, new, table, key, sure=found[table]["whole"])
    return found


def illegal_row(connection: sqlite3.Connection, intent_is_whole: IntentCheck, *, everywhere: bool) -> str | None:
    """Name the first row that `salvage` would refuse: damage that SQLite itself cannot see.

    `everywhere`: in all tables; otherwise only in the arrivals that the service will still act on.
    """
    judges = _judges(intent_is_whole)
    over = "" if everywhere else " WHERE state NOT IN ('printable', 'withdrawn')"
    for table in ("arrivals", "prints", "kept") if everywhere else ("arrivals",):
        for row in connection.execute(f"SELECT rowid AS row_number, * FROM {table}{over}"):  # noqa: S608 - our own names
            if not _is_legal(row, judges[table]):
                return f"row {row['row_number']} of {table} makes no sense"
    return None


def _judges(intent_is_whole: IntentCheck) -> dict[str, Callable[[sqlite3.Row], bool]]:
    """Table → whether one of its rows can be trusted; in the order in which they can be copied."""
    return {
        "arrivals": lambda row: _arrival_is_legal(row, intent_is_whole),
        "prints": _print_is_legal,
        "kept": lambda row: hashlib.sha256(row["bytes"]).hexdigest() == row["sha256"],
        "facts": lambda _: True,
        "rebuilds": lambda row: isinstance(json.loads(row["salvaged"]), dict),
    }


def _table(
    old: sqlite3.Connection, new: sqlite3.Connection, table: str, is_legal: Callable[[sqlite3.Row], bool]
) -> Salvaged:
    try:
        columns = _common_columns(old, new, table)
        lost = not columns and schema.has_had(old, table)  # the page that defined it is damaged
    except FAILURES:
        return Salvaged(rows=0, dropped=0, whole=False)
    salvaged = Salvaged(rows=0, dropped=0, whole=not lost)
    if columns:  # else the table is newer than the damaged ledger, or nothing says where its rows are
        for row in _readable(old, table, columns, salvaged):
            took = _is_legal(row, is_legal) and _inserted(new, table, columns, row)
            salvaged["rows" if took else "dropped"] += 1
    return salvaged


def _common_columns(old: sqlite3.Connection, new: sqlite3.Connection, table: str) -> list[str]:
    """The columns in both, in the new table's order; empty if the old ledger shows no such table."""
    before = {row[1] for row in old.execute(f"PRAGMA table_info({table})")}
    return [row[1] for row in new.execute(f"PRAGMA table_info({table})") if row[1] in before]


def _readable(old: sqlite3.Connection, table: str, columns: list[str], salvaged: Salvaged) -> Iterator[sqlite3.Row]:
    sql = f"SELECT rowid AS row_number, {', '.join(columns)} FROM {table}"  # noqa: S608 - names from our own schema
    low = 0
    try:
        for row in old.execute(f"{sql} ORDER BY rowid"):
            low = row["row_number"]
            yield row
    except FAILURES:
        salvaged["whole"] = False
        high = (_counter(old, table) or low + _PROBED) + 1
        with suppress(*FAILURES):
            for row in old.execute(f"{sql} WHERE rowid > ? ORDER BY rowid DESC", (low,)):
                high = row["row_number"]
                yield row
        for number in range(low + 1, min(high, low + _FURTHEST)):
            with suppress(*FAILURES):
                yield from old.execute(f"{sql} WHERE rowid = ?", (number,))


def _counter(old: sqlite3.Connection, table: str) -> int | None:
    """The highest number ever given, by SQLite's own count; None if that cannot be read."""
    with suppress(*FAILURES):
        found = old.execute("SELECT seq FROM sqlite_sequence WHERE name = ?", (table,)).fetchone()
        return found[0] if found and isinstance(found[0], int) else None
    return None


def _is_legal(row: sqlite3.Row, is_legal: Callable[[sqlite3.Row], bool]) -> bool:
    try:
        return is_legal(row)
    except (TypeError, ValueError, IndexError, RecursionError):  # a wrong type, broken JSON or a nameless column
        return False


def _arrival_is_legal(row: sqlite3.Row, intent_is_whole: IntentCheck) -> bool:
    State(row["state"])  # raises for a word that is not ours
    is_publishing = Phase(row["phase"]) in (Phase.PUBLISHING, Phase.PUBLISHED)
    if row["intent"] is None:
        return is_inside(row["path"]) and not is_publishing
    return is_inside(row["path"]) and intent_is_whole(row["intent"])


def _print_is_legal(row: sqlite3.Row) -> bool:
    if not all(is_json(row[name], kind) for name, kind in PRINT_JSON.items()):
        return False
    return row["verdict"] in _VERDICTS and (row["output"] is None or is_inside(row["output"]))


def is_json(text: str, kind: type) -> bool:
    """Whether `text` is JSON of that kind."""
    try:
        return isinstance(json.loads(text), kind)
    except (ValueError, RecursionError):
        return False


def is_inside(path: bytes) -> bool:
    """Whether `path` is relative and stays inside its folder."""
    parts = path.split(b"/")
    return b"\0" not in path and all(part not in (b"", b".", b"..") for part in parts)


def _inserted(new: sqlite3.Connection, table: str, columns: list[str], row: sqlite3.Row) -> bool:
    marks = ", ".join("?" * len(columns))
    sql = f"INSERT INTO {table} ({', '.join(columns)}) VALUES ({marks})"  # noqa: S608 - names from our own schema
    try:
        new.execute(sql, [row[name] for name in columns])
    except sqlite3.IntegrityError:  # another type, the number is taken, or its arrival was not read
        return False
    return True


def _count_on(old: sqlite3.Connection, new: sqlite3.Connection, table: str, key: str, *, sure: bool) -> None:
    """Continue numbering after the highest number ever given, as far as that is still known."""
    highest = new.execute(f"SELECT coalesce(max({key}), 0) FROM {table}").fetchone()[0]  # noqa: S608 - our own names
    counter = _counter(old, table)
    if counter is None or not highest <= counter <= highest + _FURTHEST:
        counter = highest if sure else highest + _GAP
    new.execute("DELETE FROM sqlite_sequence WHERE name = ?", (table,))
    new.execute("INSERT INTO sqlite_sequence (name, seq) VALUES (?, ?)", (table, counter))
