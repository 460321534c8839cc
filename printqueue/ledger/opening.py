"""Opening the ledger when the service starts: refuse, rebuild, or trust it.

When it is looked through (SQLite's `quick_check`, which reads every page):

- always where the last end was not clean (a -wal stands there) or damage was met in use (the mark `.suspect`,
  then with the thorough `integrity_check`);
- else up to 64 MB. That is a year or two of daily work (60 MB: 8000 prints), and costs about a second of processor
  time there, nearly all of it for the rows; beyond it, a ledger that was closed properly is opened without, and
  `printqueue ledger check` looks at all of it.

Pages of SQLite carry no checksum: a changed byte inside a row is seen only where the row makes no sense any more.
So all rows are read as well where the pages are, and at any start those that the service will act on (arrivals that
are not over); a ledger with a row that makes no sense is rebuilt without it.
"""

from __future__ import annotations

import logging
import os
import sqlite3
from collections.abc import Callable
from contextlib import closing

from printqueue.core.disk import durable
from printqueue.ledger import schema
from printqueue.ledger.connect import read_only
from printqueue.ledger.errors import FAILURES, LedgerDamagedError, is_damage, read_error
from printqueue.ledger.identity import require_known, require_plain
from printqueue.ledger.rescue import rebuild
from printqueue.ledger.rescue.salvage import IntentCheck, illegal_row
from printqueue.ledger.store import Ledger
from printqueue.ledger.transactions import suspect_mark

log = logging.getLogger("printqueue")

QUICKLY_READ_BYTES = 64_000_000
_MOST_SAID = 3


def open_ledger(path: str, now: Callable[[], str], intent_is_whole: IntentCheck) -> Ledger:
    """The ledger at `path`, made where there is none, rebuilt where it is damaged. The caller holds the studio's lock.

    A ledger of a newer printqueue is whole: it raises `LedgerNewerError` and is not touched. What is no file,
    no ledger or not ours raises `LedgerError`. Damage is no error: the file is set aside under a dated name, what can
    be read of it is taken over, and `Ledger.is_new` says that print/ must be looked through.
    `intent_is_whole` judges the JSON of an intent, which the ledger itself does not understand.
    """
    require_plain(path, own=True)
    again = rebuild.go_on(path, now)
    if again is not None:
        log.warning("%s %s", again.says, again.do)
    try:
        _look_through(path, intent_is_whole)
        return Ledger(path, now)
    except LedgerDamagedError as error:
        log.warning("the ledger is damaged (%s); it is set aside and rebuilt", error.why)
        made = rebuild.rebuild(path, error.why, now, intent_is_whole)
        log.warning("%s %s", made.says, made.do)
    return Ledger(path, now)


def _look_through(path: str, intent_is_whole: IntentCheck) -> None:
    """Raises `LedgerDamagedError` where SQLite finds damage; drops the mark of a suspicion that did not hold."""
    if not os.path.lexists(path):
        return
    is_suspect = os.path.lexists(suspect_mark(path))
    try:
        with closing(read_only(path)) as connection:
            require_known(connection, path)
            everywhere = is_suspect or _is_worth_reading(path)
            if everywhere:
                _require_sound(connection, thoroughly=is_suspect)
            if schema.version(connection):
                _require_sense(illegal_row(connection, intent_is_whole, everywhere=everywhere))
    except FAILURES as error:
        if is_damage(error):
            raise LedgerDamagedError("The ledger is damaged.", why=error) from error
        raise read_error(error) from error
    if is_suspect:
        with durable.world("Removing", suspect_mark(path)):
            durable.remove(suspect_mark(path))


def _require_sense(illegal: str | None) -> None:
    if illegal is not None:
        raise LedgerDamagedError("The ledger is damaged.", why=illegal)


def _is_worth_reading(path: str) -> bool:
    try:
        unclean = os.stat(path + "-wal").st_size > 0
    except FileNotFoundError:
        unclean = False
    return unclean or os.stat(path).st_size <= QUICKLY_READ_BYTES


def _require_sound(connection: sqlite3.Connection, *, thoroughly: bool) -> None:
    check = "integrity_check" if thoroughly else "quick_check"
    found = [str(row[0]) for row in connection.execute(f"PRAGMA {check}({_MOST_SAID})")]
    if found != ["ok"]:
        why = "; ".join(" ".join(line.split()) for line in found)
        raise LedgerDamagedError("The ledger is damaged.", why=why)
