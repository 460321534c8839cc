"""The record of everything that happened: SQLite, the only place that speaks SQL."""

from printqueue.ledger.errors import LedgerDamagedError, LedgerError, LedgerFullError, LedgerNewerError
from printqueue.ledger.opening import open_ledger
from printqueue.ledger.reader import LedgerReader, Wanted
from printqueue.ledger.rebuilt import Rebuilt
from printqueue.ledger.store import Ledger

__all__ = [
    "Ledger",
    "LedgerDamagedError",
    "LedgerError",
    "LedgerFullError",
    "LedgerNewerError",
    "LedgerReader",
    "Rebuilt",
    "Wanted",
    "open_ledger",
]
