"""Pictures as they were claimed: each transition of an arrival is one transaction.

Commits that must survive a power cut by themselves: claimed (its attempt is counted against what brings the
machine down), publishing, published, and every settling. The hash of the spool copy and a sentence need not.
"""

from __future__ import annotations

import json
import os
import sqlite3
from collections.abc import Iterable, Sequence

from printqueue.core.model.job import Arrival, Phase, State, Superseded
from printqueue.core.model.seen import Stamp
from printqueue.core.text import shown
from printqueue.ledger import rows
from printqueue.ledger.transactions import Run, Transactions


class Arrivals(Transactions):
    """Rows of `arrivals`."""

    _targets: dict[int, str | None] | None = None  # arrival in review → where its picture stands

    @property
    def is_new(self) -> bool:
        """Whether print/ may hold what is not recorded here: nothing ever was, or the ledger was rebuilt."""
        sql = "SELECT NOT EXISTS (SELECT 1 FROM arrivals) OR EXISTS (SELECT 1 FROM rebuilds WHERE remembered = 0)"
        return bool(self._one(sql)[0])

    def claim(self, path: str, stamp: Stamp) -> Arrival:
        """A new attempt at the picture standing at `path`, seen as `stamp`: a new row, or the next attempt of its waiting row (of the same
        size and time: inode numbers change with disks and mounts, and it is copied and hashed anyway).

        What an earlier attempt was judged to be does not make this one a print in work: its verdict is still to come.
        """
        raw = os.fsencode(path)
        with self._transaction("claimed", shown(path)) as run:
            known = run(
                "SELECT id FROM arrivals WHERE path = ? AND size = ? AND mtime_ns = ? AND state = 'waiting'"
                " ORDER BY id DESC LIMIT 1",
                (raw, stamp.size, stamp.mtime_ns),
            ).fetchone()
            if known is None:
                cursor = run(
                    "INSERT INTO arrivals (path, shown, inode, size, mtime_ns, ctime_ns, state, phase, attempt, strikes,"
                    " since, says) VALUES (?, ?, ?, ?, ?, ?, 'working', 'claimed', 1, 0, ?, '')",
                    (raw, shown(path), stamp.inode, stamp.size, stamp.mtime_ns, stamp.ctime_ns, self._now()),
                )
                return self._arrival(int(cursor.lastrowid or 0))
            run(
                "UPDATE arrivals SET state = 'working', phase = 'claimed', attempt = attempt + 1, inode = ?, ctime_ns = ?,"
                " since = ?, says = '' WHERE id = ?",
                (stamp.inode, stamp.ctime_ns, self._now(), known["id"]),
            )
            run("UPDATE prints SET verdict = NULL WHERE arrival = ?", (known["id"],))
            return self._arrival(known["id"])

    def arrival(self, number: int) -> Arrival:
        """The row as it is now."""
        with self._lock:
            return self._arrival(number)

    def _arrival(self, number: int) -> Arrival:
        sql = f"SELECT {rows.ARRIVAL} FROM arrivals WHERE id = ?"  # noqa: S608 - a constant
        return self._records(rows.arrival, sql, number)[0]

    def arrivals(self, *states: State) -> list[Arrival]:
        """All arrivals in any of `states`, oldest first."""
        marks = ", ".join("?" * len(states))
        sql = f"SELECT {rows.ARRIVAL} FROM arrivals WHERE state IN ({marks}) ORDER BY id"  # noqa: S608 - marks only
        return self._records(rows.arrival, sql, *(str(s) for s in states))

    def newest(self) -> int:
        """The highest number that was ever given to an arrival; 0 before the first."""
        found = self._all("SELECT seq FROM sqlite_sequence WHERE name = 'arrivals'")
        return int(found[0]["seq"]) if found else 0

    def last_at(self, path: str) -> Arrival | None:
        """The newest arrival that stood at `path`."""
        sql = f"SELECT {rows.ARRIVAL} FROM arrivals WHERE path = ? ORDER BY id DESC LIMIT 1"  # noqa: S608 - a constant
        found = self._records(rows.arrival, sql, os.fsencode(path))
        return found[0] if found else None

    def names_like(self, path: str, *, cut: bool = False) -> list[str]:
        """Paths of all pictures that were ever claimed at `path` with whatever extension; `cut`: that begin with `path`."""
        raw = os.fsencode(path)
        sql = "SELECT path FROM arrivals WHERE path = ? UNION SELECT path FROM arrivals WHERE path > ? AND path < ?"
        after, before = (raw, raw + b"\xff") if cut else (raw + b".", raw + b"/")
        return [os.fsdecode(row[0]) for row in self._all(sql, raw, after, before)]

    def is_untouched(self, arrival: int, stamp: Stamp) -> bool:
        """Whether neither inode nor time of attributes is another than when the picture was claimed or last recognised."""
        sql = "SELECT inode = ? AND coalesce(ctime_ns, ?) = ? FROM arrivals WHERE id = ?"
        return bool(self._one(sql, stamp.inode, stamp.ctime_ns, stamp.ctime_ns, arrival)[0])

    def recognised(self, arrival: int, stamp: Stamp) -> None:
        """The same bytes stand there under another inode number, with other attributes, or with a time that was cut."""
        with self._transaction("recognised", "", arrival, durably=False) as run:
            sql = "UPDATE arrivals SET inode = ?, mtime_ns = ?, ctime_ns = ? WHERE id = ?"
            run(sql, (stamp.inode, stamp.mtime_ns, stamp.ctime_ns, arrival))

    def review_targets(self) -> dict[int, str | None]:
        """Arrival → where its picture stands in review/, relative to the studio (None where its intent names none).

        Cheap enough for every scan: only the intents of pictures that came to review since the last call are read.
        """
        with self._lock:
            standing = [row[0] for row in self._all("SELECT id FROM arrivals WHERE state = 'review' ORDER BY id")]
            known = self._targets or {}
            new = [number for number in standing if number not in known]
            known = known | self._read_targets(new)
            self._targets = {number: known[number] for number in standing}
            return dict(self._targets)

    def newest_fact(self) -> int:
        """The number of the newest transition."""
        return int(self._one(rows.NEWEST_FACT)[0])

    def superseded(self) -> list[Superseded]:
        """Pictures in review/ of whose path a later one was made or turned back, and which are not marked so yet."""
        sql = (
            "SELECT a.id AS older, b.id AS newer, min(p.job) AS job FROM arrivals a"
            " JOIN arrivals b ON b.path = a.path AND b.id > a.id AND b.state IN ('printable', 'review')"
            " JOIN prints p ON p.arrival = b.id WHERE a.state = 'review'"
            " AND NOT EXISTS (SELECT 1 FROM facts f WHERE f.arrival = a.id AND f.fact = 'superseded')"
            " GROUP BY a.id, b.id ORDER BY a.id, b.id"
        )
        with self._lock:
            newest = {row["older"]: row for row in self._all(sql)}  # the last of each
            return [Superseded(self._arrival(r["older"]), self._arrival(r["newer"]), r["job"]) for r in newest.values()]

    def supersede(self, arrival: int, says: str) -> None:
        """Record that a picture in review/ is marked as the older one."""
        with self._transaction("superseded", says, arrival, durably=False) as run:
            run("UPDATE arrivals SET says = ? WHERE id = ?", (says, arrival))

    def _read_targets(self, numbers: Iterable[int]) -> dict[int, str | None]:
        sql = "SELECT intent FROM arrivals WHERE id = ?"
        return {number: self._records(_target, sql, number)[0] for number in numbers}

    def copied(self, arrival: int, sha256: str) -> None:
        """The spool copy is whole; this is the picture's identity."""
        with self._transaction("copied", sha256, arrival, durably=False) as run:
            run("UPDATE arrivals SET sha256 = ? WHERE id = ?", (sha256, arrival))

    def intend(self, arrival: int, intent: str, *, finishes: Sequence[str] = ()) -> None:
        """Record what is about to become visible, before any of it is; `finishes`: recipes of prints found again."""
        with self._transaction("publishing", "", arrival) as run:
            run("UPDATE arrivals SET phase = 'publishing', intent = ? WHERE id = ?", (intent, arrival))
            for recipe in finishes:
                run("DELETE FROM found_prints WHERE recipe = ?", (recipe,))

    def unpublish(self, arrival: int) -> None:
        """Nothing of the last intent is visible any more."""
        with self._transaction("unpublished", "", arrival) as run:
            run("UPDATE arrivals SET phase = 'claimed', intent = NULL WHERE id = ?", (arrival,))

    def published(self, arrival: int, intent: str) -> None:
        """Everything made is visible and durable; the original may still stand in ready/."""
        with self._transaction("published", "", arrival) as run:
            run("UPDATE arrivals SET phase = 'published', intent = ? WHERE id = ?", (intent, arrival))

    def say(self, arrival: int, says: str) -> None:
        """Why it does not go on, for status; nothing else changes."""
        with self._transaction("said", says, arrival, durably=False) as run:
            run("UPDATE arrivals SET says = ? WHERE id = ?", (says, arrival))

    def settle(self, arrival: int, state: State, says: str, *, strike: bool = False) -> None:
        """Move to `state`; a strike counts one more child that this picture has ended."""
        with self._transaction(str(state), says, arrival) as run:
            self._settled(run, arrival, state, says, strike=strike)

    def _settled(self, run: Run, arrival: int, state: State, says: str, *, strike: bool = False) -> None:
        phase = Phase.CLAIMED if state in (State.WAITING, State.WORKING) else Phase.DONE
        run(
            "UPDATE arrivals SET state = ?, phase = ?, since = ?, says = ?, strikes = strikes + ?,"
            " intent = CASE WHEN ? = 'done' THEN intent END WHERE id = ?",
            (str(state), str(phase), self._now(), says, int(strike), str(phase), arrival),
        )

    def interrupted(self, arrival: int, says: str) -> int:
        """Back to waiting after a kill of the whole service; how often that has happened to this picture."""
        with self._transaction("interrupted", says, arrival) as run:
            self._settled(run, arrival, State.WAITING, says)
        return int(self._one("SELECT count(*) FROM facts WHERE arrival = ? AND fact = 'interrupted'", arrival)[0])


def _target(row: sqlite3.Row) -> str | None:
    """Where the intent moves the picture."""
    moved = json.loads(row["intent"])["moved"] if row["intent"] is not None else []
    return str(moved[0]["target"]) if moved else None
