"""A damaged ledger is set aside, never deleted; what can be read of it goes into a new one.

The order of things, so that a kill between any two of them loses nothing and the next start goes on:

| done so far                                     | what the next start finds       | its next step             |
|-------------------------------------------------|---------------------------------|---------------------------|
| new ledger half made under a hidden name        | the damaged ledger, a half one  | make the hidden one anew  |
| new ledger whole and synced, it names the other | the damaged ledger, a whole one | make the hidden one anew  |
| damaged ledger moved to its dated name          | no ledger, a whole hidden one   | move the rest, then it    |
| its -wal and -shm moved as well                 | the same                        | the same                  |
| hidden one renamed to `ledger.sqlite`           | the new ledger                  | none                      |
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager, suppress

from printqueue.core.disk import durable
from printqueue.ledger import schema
from printqueue.ledger.connect import read_only
from printqueue.ledger.errors import FAILURES, NONSENSE, write_error
from printqueue.ledger.identity import PARTS
from printqueue.ledger.rescue.rebuilt import Rebuilt, Salvaged
from printqueue.ledger.rescue.salvage import IntentCheck, salvage
from printqueue.ledger.transactions import json_text, suspect_mark


def rebuild(path: str, why: str, now: Callable[[], str], intent_is_whole: IntentCheck) -> Rebuilt:
    """Make a new ledger out of the damaged one at `path`, and set that aside. Raises `LedgerError`, `WorldError`."""
    hidden = _hidden(path)
    with durable.world("Rebuilding", path):
        _drop(hidden)
        aside = _free_name(path, now())
        try:
            with _new(hidden) as new:
                made = Rebuilt(now(), aside, why, _salvaged(path, new, intent_is_whole))
                _record(made, new)
        except FAILURES as error:
            _drop(hidden)
            raise write_error(error) from error
        durable.sync(hidden)
        durable.sync_folder(os.path.dirname(path))
        _exchange(path, hidden, aside)
    return made


def go_on(path: str, now: Callable[[], str]) -> Rebuilt | None:
    """Finish a rebuild that was killed after the damaged ledger had been moved; what it says, None without one."""
    if os.path.lexists(path):
        return None
    hidden = _hidden(path)
    with durable.world("Rebuilding", path):
        made = _finished(hidden)
        if made is not None:
            _exchange(path, hidden, made.aside)
            return made
        _drop(hidden)
        if any(os.path.lexists(path + part) for part in PARTS):  # somebody took the ledger without its -wal
            _move(path, _free_name(path, now()))
    return None


def _hidden(path: str) -> str:
    return os.path.join(os.path.dirname(path), durable.TEMP_PREFIX + "rebuilt.sqlite")


def _drop(hidden: str) -> None:
    for part in PARTS:
        durable.remove(hidden + part)


def _free_name(path: str, at: str) -> str:
    """A dated name beside the ledger that nothing has, nor what belongs to it."""
    folder, name = os.path.split(path)
    stem = f"{name.removesuffix('.sqlite')}-set-aside-{at.replace(':', '-')}"
    number = 1
    while True:
        free = f"{stem}.sqlite" if number == 1 else f"{stem} ({number}).sqlite"
        if not any(os.path.lexists(os.path.join(folder, free + part)) for part in PARTS):
            return free
        number += 1


@contextmanager
def _new(hidden: str) -> Iterator[sqlite3.Connection]:
    """An empty ledger under a hidden name: what is written into it in the block is committed at its end."""
    os.close(durable.create(hidden))
    os.chmod(hidden, 0o600)
    with closing(sqlite3.connect(hidden, isolation_level=None)) as new:
        new.execute("PRAGMA foreign_keys = ON")
        schema.migrate(new)
        new.execute("BEGIN IMMEDIATE")
        yield new
        new.execute("COMMIT")


def _record(made: Rebuilt, new: sqlite3.Connection) -> None:
    new.execute(
        "INSERT INTO rebuilds (at, aside, why, salvaged, remembered) VALUES (?, ?, ?, ?, 0)",
        (made.at, made.aside, made.why, json_text(made.salvaged)),
    )
    new.execute("INSERT INTO facts (at, fact, detail) VALUES (?, 'rebuilt', ?)", (made.at, made.says))


def _salvaged(path: str, new: sqlite3.Connection, intent_is_whole: IntentCheck) -> dict[str, Salvaged]:
    with closing(read_only(path)) as old:
        # Without it SQLite opens no file that is shorter than its header says, and reads nothing of it.
        old.execute("PRAGMA writable_schema = ON")
        old.execute("PRAGMA cell_size_check = ON")
        return salvage(old, new, intent_is_whole)


def _finished(hidden: str) -> Rebuilt | None:
    """The row in which a whole hidden ledger says what it was made of; None for a half one."""
    if not os.path.lexists(hidden):
        return None
    try:
        with closing(read_only(hidden)) as connection:
            row = connection.execute("SELECT * FROM rebuilds ORDER BY rowid DESC LIMIT 1").fetchone()
            return None if row is None else Rebuilt.of(row)
    except (*FAILURES, *NONSENSE):
        return None


def _exchange(path: str, hidden: str, aside: str) -> None:
    _move(path, aside)
    durable.rename_no_clobber(hidden, path)
    durable.sync_folder(os.path.dirname(path))
    durable.remove(suspect_mark(path))


def _move(path: str, aside: str) -> None:
    """The database first: without it, nothing would take an old -wal or -journal for current."""
    folder = os.path.dirname(path)
    for part in PARTS:
        with suppress(FileNotFoundError):
            durable.rename_no_clobber(path + part, os.path.join(folder, aside + part))
    durable.sync_folder(folder)
