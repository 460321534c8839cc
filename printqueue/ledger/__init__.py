"""The record of everything that happened: SQLite, the only place that speaks SQL."""

from printqueue.ledger.reader import LedgerReader
from printqueue.ledger.store import Ledger, LedgerError, LedgerFullError

__all__ = ["Ledger", "LedgerError", "LedgerFullError", "LedgerReader"]
