"""The service's ledger, and how a start opens it: refuse it, rebuild it, or trust it.

Every page is read (SQLite's `quick_check`):

- always after an unclean end (there is a -wal), or if damage was met in use (the mark `.suspect`; then with the
  thorough `integrity_check`);
- otherwise up to 64 MB: a year or two of daily work (60 MB: 8000 prints), and about a second of processor time,
  nearly all of it for the rows. A larger ledger that was closed properly is opened unread; `printqueue ledger check`
  reads all of it.

SQLite's pages carry no checksum: a changed byte inside a row shows only if the row no longer makes sense. So whenever
the pages are read, all rows are checked too, and every start checks the rows that the service will act on (arrivals
neither printable nor withdrawn). A ledger with a row that makes no sense is rebuilt without it.
"""

from __future__ import annotations

import logging
import os
import sqlite3
from collections.abc import Callable
from contextlib import closing, suppress

from printqueue.core.disk import durable
from printqueue.core.text import shown
from printqueue.ledger import schema
from printqueue.ledger.arrivals import Arrivals
from printqueue.ledger.errors import FAILURES, LedgerDamagedError, LedgerError, damaged, read_error
from printqueue.ledger.file import read_only, require_known, require_plain
from printqueue.ledger.prints import Prints
from printqueue.ledger.rescue import rebuild
from printqueue.ledger.rescue.salvage import IntentCheck, illegal_row
from printqueue.ledger.sightings import Sightings
from printqueue.ledger.transactions import suspect_mark

log = logging.getLogger("printqueue")

QUICKLY_READ_BYTES = 64_000_000
_MAX_SAID = 3


class Ledger(Arrivals, Prints, Sightings):
    """One row per arrival and print, one transaction per transition (`transactions`); held by a studio's one service.

    Opening refuses a damaged, newer or foreign file and leaves it alone; `open_ledger` rebuilds a damaged one.
    """

    def belong_to(self, identity: str) -> None:
        """Tie the ledger to this studio, or check that it already is: two histories must never mix.

        Raises `LedgerError` if it is another studio's.
        """
        found = self._all("SELECT id FROM studio")
        if not found:
            with self._transaction("belongs", identity) as run:
                run("INSERT INTO studio (one, id) VALUES (1, ?)", (identity,))
        elif found[0]["id"] != identity:
            raise LedgerError(
                f"The ledger {shown(self._path)} is the record of another studio. Nothing was changed, and nothing is "
                "taken.",
                do="Put this studio's own ledger back. Without one, move ledger.sqlite (with its -wal and -shm) away: what "
                "stands in print/ is then remembered, and nothing is printed twice.",
            )


def open_ledger(path: str, now: Callable[[], str], intent_is_whole: IntentCheck) -> Ledger:
    """Open the ledger at `path`, new if there is none, rebuilt if it is damaged. The caller holds the studio's lock.

    Raises `LedgerNewerError` for a newer printqueue's ledger, which is intact and left alone, and `LedgerError` for
    anything that is not a file, not a ledger or not ours. Damage does not raise: the file is set aside under a dated
    name, its readable rows are copied over, and `Ledger.is_new` says that print/ must be searched. `intent_is_whole`
    judges the JSON of an intent, which the ledger itself does not understand.
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
    """Raise `LedgerDamagedError` if it is damaged; otherwise remove any `.suspect` mark."""
    if not os.path.lexists(path):
        return
    is_suspect = os.path.lexists(suspect_mark(path))
    try:
        with closing(read_only(path)) as connection:
            require_known(connection, path)
            everywhere = is_suspect or _is_worth_reading(path)
            if everywhere:
                _require_sound(connection, thoroughly=is_suspect)
            if schema.version(connection) and (why := illegal_row(connection, intent_is_whole, everywhere=everywhere)):
                raise damaged(why)
    except FAILURES as error:
        raise read_error(error) from error
    if is_suspect:
        with durable.world("Removing", suspect_mark(path)):
            durable.remove(suspect_mark(path))


def _is_worth_reading(path: str) -> bool:
    with suppress(FileNotFoundError):
        if os.stat(path + "-wal").st_size > 0:  # the last run did not end cleanly
            return True
    return os.stat(path).st_size <= QUICKLY_READ_BYTES


def _require_sound(connection: sqlite3.Connection, *, thoroughly: bool) -> None:
    check = "integrity_check" if thoroughly else "quick_check"
    found = [str(row[0]) for row in connection.execute(f"PRAGMA {check}({_MAX_SAID})")]
    if found != ["ok"]:
        raise damaged("; ".join(" ".join(line.split()) for line in found))
