"""A damaged ledger is set aside, never deleted; whatever can be read from it goes into a new one.

The steps are ordered so that a kill between any two loses nothing and the next start resumes:

| done so far                                     | what the next start finds       | its next step             |
|-------------------------------------------------|---------------------------------|---------------------------|
| new ledger half made under a hidden name        | the damaged ledger, a half one  | remake the hidden one     |
| new ledger synced, and naming the damaged one   | the damaged ledger, a whole one | remake the hidden one     |
| damaged ledger moved to its dated name          | no ledger, a whole hidden one   | move the rest, then it    |
| its -wal and -shm moved as well                 | the same                        | the same                  |
| hidden one renamed to `ledger.sqlite`           | the new ledger                  | none                      |
"""

from __future__ import annotations

import json
import os
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass
from itertools import count

from printqueue.core.disk import durable
from printqueue.ledger import schema
from printqueue.ledger.errors import FAILURES, NONSENSE, write_error
from printqueue.ledger.file import PARTS, read_only
from printqueue.ledger.rescue.salvage import IntentCheck, Salvaged, salvage
from printqueue.ledger.transactions import json_text, suspect_mark


@dataclass(frozen=True, slots=True)
class Rebuilt:
    """One rebuild. `at` is RFC 3339 UTC, `aside` the damaged file's name beside the ledger."""

    at: str
    aside: str
    why: str
    salvaged: dict[str, Salvaged]

    @classmethod
    def of(cls, row: sqlite3.Row) -> Rebuilt:
        """A row of `rebuilds`."""
        return cls(row["at"], row["aside"], row["why"], json.loads(row["salvaged"]))

    def stands(self, ledger: str) -> bool:
        """Whether the damaged file is still beside the ledger: nobody has dealt with it yet."""
        return os.path.lexists(os.path.join(os.path.dirname(ledger), self.aside))

    @property
    def says(self) -> str:
        """What happened, what was saved, what was not."""
        counts = ", ".join(f"{name} {one['rows']}" for name, one in self.salvaged.items() if one["rows"])
        lost = [name for name, one in self.salvaged.items() if one["dropped"] or not one["whole"]]
        missing = (
            " Not everything in it could be read; dates and settings of every print stand in its note too."
            if lost
            else ""
        )
        return (
            f"The ledger was damaged ({self.why}) and was rebuilt on {self.at}. Taken over: {counts or 'nothing'}."
            f"{missing} Pictures and prints are untouched; what stands in print/ is not made again."
        )

    @property
    def do(self) -> str:
        """How to make this message go away."""
        return (
            f"Look at the disk. If you have a copy (`printqueue ledger backup --help` says how to put it back), decide which of "
            f"the two to go on with. Then move {self.aside} "
            "(with its -wal and -shm) out of the state folder: this message ends with that."
        )


def rebuild(path: str, why: str, now: Callable[[], str], intent_is_whole: IntentCheck) -> Rebuilt:
    """Make a new ledger from the damaged one at `path`, which is set aside. Raises `LedgerError`, `WorldError`."""
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
    """Finish a rebuild that was killed after the damaged ledger had been moved; None if there was none."""
    if os.path.lexists(path):
        return None
    hidden = _hidden(path)
    with durable.world("Rebuilding", path):
        made = _finished(hidden)
        if made is not None:
            _exchange(path, hidden, made.aside)
            return made
        _drop(hidden)
        if _is_taken(path):  # somebody moved the ledger away without its -wal
            _move(path, _free_name(path, now()))
    return None


def _hidden(path: str) -> str:
    return os.path.join(os.path.dirname(path), durable.TEMP_PREFIX + "rebuilt.sqlite")


def _drop(hidden: str) -> None:
    for part in PARTS:
        durable.remove(hidden + part)


def _free_name(path: str, at: str) -> str:
    """A dated name beside the ledger, free with all of `PARTS`."""
    folder, name = os.path.split(path)
    stem = f"{name.removesuffix('.sqlite')}-set-aside-{at.replace(':', '-')}"
    names = (f"{stem}.sqlite" if number == 1 else f"{stem} ({number}).sqlite" for number in count(1))
    return next(name for name in names if not _is_taken(os.path.join(folder, name)))


def _is_taken(path: str) -> bool:
    return any(os.path.lexists(path + part) for part in PARTS)


@contextmanager
def _new(hidden: str) -> Iterator[sqlite3.Connection]:
    """An empty ledger under a hidden name; what the block writes into it is committed at its end."""
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
        # Otherwise SQLite refuses a file that is shorter than its header says.
        old.execute("PRAGMA writable_schema = ON")
        old.execute("PRAGMA cell_size_check = ON")
        return salvage(old, new, intent_is_whole)


def _finished(hidden: str) -> Rebuilt | None:
    """The rebuild recorded in a complete hidden ledger; None if that is incomplete or missing."""
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
    """Move the database first: an old -wal or -journal on its own is never taken for current."""
    folder = os.path.dirname(path)
    for part in PARTS:
        with suppress(FileNotFoundError):
            durable.rename_no_clobber(path + part, os.path.join(folder, aside + part))
    durable.sync_folder(folder)
