"""What can be wrong with a ledger, and what that means for the service."""

from __future__ import annotations

import sqlite3

from printqueue.core.errors import StudioError
from printqueue.core.text import shown

_DAMAGE = (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)
# Python decodes SQLite's own messages too, and those quote the damaged text.
Failure = sqlite3.Error | UnicodeDecodeError
FAILURES = (sqlite3.Error, UnicodeDecodeError)
# What parsing a row can raise if its words, JSON or types are not ours.
NONSENSE = (ValueError, TypeError, KeyError, IndexError, AttributeError, RecursionError)


class LedgerError(StudioError):
    """The ledger cannot be written or trusted; the service must stop instead of working without it."""


class LedgerWaitsError(LedgerError):
    """No row can be written right now, so no work may go on; the ledger itself is intact."""


class LedgerFullError(LedgerWaitsError):
    """The disk has no room for a row."""


class LedgerBusyError(LedgerWaitsError):
    """Another program has held the ledger locked for longer than we ever do."""


class LedgerDamagedError(LedgerError):
    """SQLite finds the file damaged (`why`). The service ends; its next start sets the file aside and rebuilds it."""

    def __init__(self, says: str, *, do: str = "", why: object = "") -> None:
        super().__init__(says, do=do)
        self.why = shown(str(why), limit=400)  # SQLite quotes what it found in the file


class LedgerNewerError(LedgerError):
    """A newer printqueue wrote it. It is intact, so it stays where it is: starting an empty one would split the history
    and repeat prints that the ledger knows of.
    """


def is_damage(error: Failure) -> bool:
    """Whether the file itself is at fault, not the disk, the permissions or the free space."""
    if isinstance(error, UnicodeDecodeError) or str(error).startswith("Could not decode to UTF-8"):
        return True
    return _code(error) & 0xFF in _DAMAGE


def is_interrupted(error: Failure) -> bool:
    """Whether a journal must first be played back, and this connection may not ("attempt to write a readonly
    database").
    """
    return _code(error) == sqlite3.SQLITE_READONLY_ROLLBACK


def _code(error: Failure) -> int:
    """SQLite's extended result code; its low byte is the primary one."""
    return getattr(error, "sqlite_errorcode", 0) or 0


def is_full(error: Failure) -> bool:
    """Whether the disk had no room."""
    return _code(error) == sqlite3.SQLITE_FULL


def interrupted() -> LedgerError:
    """The error for a ledger that cannot be read until somebody with write access has opened it."""
    says = "The ledger was left in the middle of a change, and this user may not undo it. Pictures and prints are untouched."
    return LedgerError(says, do="Start the service: it puts the ledger right.")


def damaged(why: object) -> LedgerDamagedError:
    """The error for a ledger that proved damaged while in use."""
    return LedgerDamagedError(
        f"The ledger is damaged ({shown(str(why), limit=400)}). The service stops; pictures and prints are untouched.",
        do="Start it again: it sets the damaged file aside, reads out of it what can be read, and prints nothing twice.",
        why=why,
    )


def _damaged_or_busy(error: Failure) -> LedgerError | None:
    if is_damage(error):
        return damaged(error)
    if _code(error) & 0xFF == sqlite3.SQLITE_BUSY:
        return LedgerBusyError(
            "Another program holds the ledger locked. Nothing more is taken or published until it lets go; nothing is lost.",
            do="End the program that has ledger.sqlite open; the work goes on by itself.",
        )
    return None


def read_error(error: Failure) -> LedgerError:
    """The error for a failed read."""
    if is_interrupted(error):
        return interrupted()
    return _damaged_or_busy(error) or LedgerError(f"The ledger cannot be read ({error}).", do="Check the disk.")


def write_error(error: Failure) -> LedgerError:
    """The error for a failed write."""
    if found := _damaged_or_busy(error):
        return found
    says = f"The ledger cannot be written ({error}). Nothing more is taken or published until it can."
    if is_full(error):
        return LedgerFullError(says, do="The disk is full: free some space; the work goes on by itself.")
    return LedgerError(says, do="Check the disk.")
