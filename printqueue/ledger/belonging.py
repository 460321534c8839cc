"""Whose ledger is this? It keeps the identity of its studio, and serves no other: two histories must never mix."""

from __future__ import annotations

import os
from contextlib import closing

from printqueue.core.text import shown
from printqueue.ledger import schema
from printqueue.ledger.connect import read_only
from printqueue.ledger.errors import FAILURES, LedgerDamagedError, LedgerError, is_damage, read_error
from printqueue.ledger.identity import require_known, require_plain
from printqueue.ledger.transactions import Transactions


class Belonging(Transactions):
    """The one row of `studio`."""

    def belong_to(self, identity: str) -> None:
        """Be the ledger of this studio, from now on if of none yet. Raises `LedgerError` where it is another's."""
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


def owner(path: str) -> str | None:
    """The identity of the studio that the ledger at `path` belongs to: "" for one of an earlier version, None where there
    is no ledger. Raises `LedgerError` for what is none of ours, `LedgerDamagedError` where it cannot be known.
    """
    if not os.path.lexists(path):
        return None
    require_plain(path, own=True)
    try:
        with closing(read_only(path, untouched=True)) as connection:
            require_known(connection, path)
            if schema.version(connection) == 0:
                return None
            if not connection.execute("SELECT name FROM sqlite_master WHERE name = 'studio'").fetchone():
                return ""
            found = connection.execute("SELECT id FROM studio").fetchone()
            return str(found[0]) if found else ""
    except FAILURES as error:
        if is_damage(error):
            raise LedgerDamagedError("The ledger is damaged.", why=error) from error
        raise read_error(error) from error
