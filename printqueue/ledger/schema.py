"""The ledger's tables, as numbered migrations; each is committed together with its number.

Paths are BLOBs (file names are bytes), texts are escaped for people, times are RFC 3339 UTC.
"""

from __future__ import annotations

import sqlite3
from contextlib import closing
from functools import cache

MIGRATIONS = (
    """
    CREATE TABLE arrivals (          -- one picture as it was claimed
      id INTEGER PRIMARY KEY AUTOINCREMENT,
      path BLOB NOT NULL,            -- below ready/
      shown TEXT NOT NULL,           -- the path, escaped for people
      inode INTEGER NOT NULL, size INTEGER NOT NULL, mtime_ns INTEGER NOT NULL,
      sha256 TEXT,                   -- of the bytes, once copied
      state TEXT NOT NULL, phase TEXT NOT NULL,
      attempt INTEGER NOT NULL,      -- only the current attempt may be published
      strikes INTEGER NOT NULL,      -- times that it ended its child
      since TEXT NOT NULL, says TEXT NOT NULL,
      intent TEXT                    -- JSON: final names and hashes, written before the first is visible
    ) STRICT;
    CREATE INDEX arrivals_by_state ON arrivals (state);
    CREATE INDEX arrivals_by_hash ON arrivals (sha256);
    CREATE INDEX arrivals_by_path ON arrivals (path);
    CREATE TABLE prints (            -- one print of an arrival; its number is the job's number
      job INTEGER PRIMARY KEY AUTOINCREMENT,
      arrival INTEGER NOT NULL REFERENCES arrivals (id),
      paper TEXT NOT NULL, size TEXT NOT NULL, copies INTEGER NOT NULL,
      verdict TEXT, output BLOB, recipe TEXT, profile_sha256 TEXT, rules_sha256 TEXT, made TEXT,
      settings TEXT NOT NULL,        -- JSON of the resolved request
      findings TEXT NOT NULL,        -- JSON list
      measurements TEXT NOT NULL     -- JSON; judging again under a changed rule needs no pixels
    ) STRICT;
    CREATE INDEX prints_by_arrival ON prints (arrival);
    CREATE INDEX prints_by_recipe ON prints (recipe);
    CREATE TABLE kept (              -- profile bytes and rules texts as read when a job was claimed
      sha256 TEXT PRIMARY KEY, kind TEXT NOT NULL, bytes BLOB NOT NULL
    ) STRICT;
    CREATE TABLE facts (             -- one row per transition, never changed
      id INTEGER PRIMARY KEY AUTOINCREMENT,
      at TEXT NOT NULL, arrival INTEGER, fact TEXT NOT NULL, detail TEXT NOT NULL
    ) STRICT;
    CREATE TABLE sightings (         -- what stands in ready/ and is not a job, as of the last scan
      path BLOB PRIMARY KEY, shown TEXT NOT NULL, kind TEXT NOT NULL,
      paper TEXT NOT NULL, size TEXT, since TEXT NOT NULL, says TEXT NOT NULL
    ) STRICT;
    CREATE TABLE heartbeat (         -- one row: what the service last said of itself
      one INTEGER PRIMARY KEY CHECK (one = 1), last_scan TEXT, watch TEXT NOT NULL, problems TEXT NOT NULL
    ) STRICT;
    INSERT INTO heartbeat VALUES (1, NULL, 'poll', '[]');
    """,
    """
    CREATE TABLE found_prints (      -- with an earlier ledger lost: prints whose masters had not come to masters/
      recipe TEXT PRIMARY KEY, output BLOB NOT NULL
    ) STRICT;
    """,
    """
    ALTER TABLE sightings ADD COLUMN until TEXT;                   -- it is not tried again before; NULL: when it can be
    ALTER TABLE heartbeat ADD COLUMN why TEXT NOT NULL DEFAULT ''; -- why it is woken by events, or by the clock only
    CREATE TABLE rebuilds (          -- a damaged ledger was set aside, and what could be read of it came here
      at TEXT NOT NULL,
      aside TEXT NOT NULL,           -- name of the damaged file, beside this one; a human has seen to it once it is gone
      why TEXT NOT NULL,             -- what SQLite found
      salvaged TEXT NOT NULL,        -- JSON: table → {"rows", "dropped", "whole"}
      remembered INTEGER NOT NULL    -- 1: print/ has been looked through since
    ) STRICT;
    """,
    """
    ALTER TABLE found_prints ADD COLUMN settled INTEGER NOT NULL DEFAULT 0; -- 1: its master stands in masters/
    """,
    """
    ALTER TABLE prints ADD COLUMN thumbnail TEXT NOT NULL DEFAULT ''; -- its name in daybook/pictures/; '' without one
    """,
    """
    ALTER TABLE prints ADD COLUMN file_sha256 TEXT NOT NULL DEFAULT '';   -- of the print file as published; '' not known
    ALTER TABLE prints ADD COLUMN pixels_sha256 TEXT NOT NULL DEFAULT ''; -- of its samples alone; '' not known
    """,
    """
    ALTER TABLE arrivals ADD COLUMN ctime_ns INTEGER; -- with inode only a hint: where either differs, the hash decides
    """,
    """
    CREATE INDEX facts_superseded ON facts (arrival) WHERE fact = 'superseded'; -- asked for at every change
    """,
    """
    CREATE TABLE studio (            -- one row: whose ledger this is
      one INTEGER PRIMARY KEY CHECK (one = 1), id TEXT NOT NULL
    ) STRICT;
    """,
    """
    ALTER TABLE sightings ADD COLUMN reason TEXT NOT NULL DEFAULT 'told'; -- its name; `says` is what others said of it
    ALTER TABLE sightings ADD COLUMN about TEXT NOT NULL DEFAULT '[]';    -- JSON list of names and numbers
    """,
)
NEWEST = len(MIGRATIONS)


def version(connection: sqlite3.Connection) -> int:
    """How many migrations this ledger has had."""
    return int(connection.execute("PRAGMA user_version").fetchone()[0])


def missing(connection: sqlite3.Connection) -> set[str]:
    """Tables and indexes of this ledger's version that are missing, or differ from what its migrations made."""
    return {name for name, _ in _pristine(version(connection)) - _definitions(connection)}


def has_had(connection: sqlite3.Connection, table: str) -> bool:
    """Whether this ledger's migrations made that table, even if no trace of it is left."""
    return any(name == table for name, _ in _pristine(min(version(connection), NEWEST)))


@cache
def _pristine(number: int) -> frozenset[tuple[str, str]]:
    with closing(sqlite3.connect(":memory:", isolation_level=None)) as connection:
        for migration in MIGRATIONS[:number]:
            connection.executescript(migration)
        return _definitions(connection)


def _definitions(connection: sqlite3.Connection) -> frozenset[tuple[str, str]]:
    found = connection.execute("SELECT name, sql FROM sqlite_master WHERE sql IS NOT NULL").fetchall()
    return frozenset((name, sql) for name, sql in found)


def migrate(connection: sqlite3.Connection) -> None:
    """Bring a ledger of an earlier version up to date."""
    for number in range(version(connection), NEWEST):
        connection.executescript(f"BEGIN IMMEDIATE;{MIGRATIONS[number]};PRAGMA user_version = {number + 1};COMMIT;")
