"""What a rebuilt ledger knows of the damaged one that was set aside."""

from __future__ import annotations

import json
import os
import sqlite3
from dataclasses import dataclass
from typing import TypedDict


class Salvaged(TypedDict):
    """What became of one table: rows taken over, rows refused, and whether every row could be read."""

    rows: int
    dropped: int
    whole: bool


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
        """Whether the damaged file still stands beside the ledger: nobody has seen to it yet."""
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
        """How to end this message."""
        return (
            f"Look at the disk. If you have a copy (`printqueue ledger backup --help` says how to put it back), decide which of "
            f"the two to go on with. Then move {self.aside} "
            "(with its -wal and -shm) out of the state folder: this message ends with that."
        )
