"""The record of everything that happened, in SQLite; no other package speaks SQL."""

from printqueue.ledger.errors import (
    LedgerBusyError,
    LedgerDamagedError,
    LedgerError,
    LedgerFullError,
    LedgerNewerError,
    LedgerWaitsError,
)
from printqueue.ledger.file import owner
from printqueue.ledger.opening import Ledger, open_ledger
from printqueue.ledger.reader import LedgerReader, Wanted
from printqueue.ledger.rescue.rebuild import Rebuilt

__all__ = [
    "Ledger",
    "LedgerBusyError",
    "LedgerDamagedError",
    "LedgerError",
    "LedgerFullError",
    "LedgerNewerError",
    "LedgerReader",
    "LedgerWaitsError",
    "Rebuilt",
    "Wanted",
    "open_ledger",
    "owner",
]
