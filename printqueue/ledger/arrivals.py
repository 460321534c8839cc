"""Claimed pictures; each transition of an arrival is one transaction.

These commits must survive a power cut on their own: claimed (the attempt counts against a picture that brings the
machine down), publishing, published, and every settling. The spool copy's hash and the status sentences need not.
"""

from __future__ import annotations

import json
import os
import sqlite3
from collections.abc import Mapping, Sequence

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
        """Whether print/ may hold unrecorded prints: nothing is recorded, or print/ was not searched since a rebuild."""
        sql = "SELECT NOT EXISTS (SELECT 1 FROM arrivals) OR EXISTS (SELECT 1 FROM rebuilds WHERE remembered = 0)"
        return bool(self._value(sql))

    def claim(self, path: str, stamp: Stamp) -> Arrival:
        """Start an attempt at the picture at `path`, seen as `stamp`: in a new row, or in its waiting row if size and
        time match (inode numbers change with disks and mounts, and the picture is copied and hashed anyway).

        Verdicts of earlier attempts are cleared, so it does not count as in progress until this one is judged.
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
                return self.arrival(int(cursor.lastrowid or 0))
            run(
                "UPDATE arrivals SET state = 'working', phase = 'claimed', attempt = attempt + 1, inode = ?, ctime_ns = ?,"
                " since = ?, says = '' WHERE id = ?",
                (stamp.inode, stamp.ctime_ns, self._now(), known["id"]),
            )
            run("UPDATE prints SET verdict = NULL WHERE arrival = ?", (known["id"],))
            return self.arrival(known["id"])

    def arrival(self, number: int) -> Arrival:
        """The current row."""
        return self._arrivals("id = ?", number)[0]

    def arrivals(self, *states: State) -> list[Arrival]:
        """All arrivals in any of `states`, oldest first."""
        marks = ", ".join("?" * len(states))
        return self._arrivals(f"state IN ({marks}) ORDER BY id", *map(str, states))

    def last_number(self) -> int:
        """The highest number ever given to an arrival; 0 before the first."""
        found = self._all("SELECT seq FROM sqlite_sequence WHERE name = 'arrivals'")
        return int(found[0]["seq"]) if found else 0

    def last_at(self, path: str) -> Arrival | None:
        """The newest arrival that stood at `path`."""
        found = self._arrivals("path = ? ORDER BY id DESC LIMIT 1", os.fsencode(path))
        return found[0] if found else None

    def _arrivals(self, where: str, *values: object) -> list[Arrival]:
        sql = f"SELECT {rows.ARRIVAL} FROM arrivals WHERE {where}"  # noqa: S608 - our own words
        return self._records(rows.arrival, sql, *values)

    def names_like(self, path: str, *, cut: bool = False) -> list[str]:
        """Paths of all pictures ever claimed at `path`, whatever their extension; `cut`: all that begin with `path`."""
        raw = os.fsencode(path)
        sql = "SELECT path FROM arrivals WHERE path = ? UNION SELECT path FROM arrivals WHERE path > ? AND path < ?"
        after, before = (raw, raw + b"\xff") if cut else (raw + b".", raw + b"/")
        return [os.fsdecode(row[0]) for row in self._all(sql, raw, after, before)]

    def is_untouched(self, arrival: int, stamp: Stamp) -> bool:
        """Whether inode and change time are unchanged since the picture was claimed or last recognised."""
        sql = "SELECT inode = ? AND coalesce(ctime_ns, ?) = ? FROM arrivals WHERE id = ?"
        return bool(self._value(sql, stamp.inode, stamp.ctime_ns, stamp.ctime_ns, arrival))

    def recognised(self, arrival: int, stamp: Stamp) -> None:
        """Record that the same bytes now have another inode number, other attributes or a truncated time."""
        hints = {"inode": stamp.inode, "mtime_ns": stamp.mtime_ns, "ctime_ns": stamp.ctime_ns}
        self._update(arrival, "recognised", "", hints, durably=False)

    def review_targets(self) -> dict[int, str | None]:
        """Arrival → where its picture stands in review/, relative to the studio (None if its intent does not say).

        Cheap enough for every scan: it reads only the intents of pictures that came to review since the last call.
        """
        with self._lock:
            standing = [row[0] for row in self._all("SELECT id FROM arrivals WHERE state = 'review' ORDER BY id")]
            known = self._targets or {}
            self._targets = {one: known[one] if one in known else self._target(one) for one in standing}
            return dict(self._targets)

    def _target(self, arrival: int) -> str | None:
        return self._records(_target, "SELECT intent FROM arrivals WHERE id = ?", arrival)[0]

    def newest_fact(self) -> int:
        """The number of the newest transition."""
        return int(self._value(rows.NEWEST_FACT))

    def superseded(self) -> list[Superseded]:
        """Unmarked pictures in review/ for which a later one at the same path was made or turned back."""
        sql = (
            "SELECT a.id AS older, b.id AS newer, min(p.job) AS job FROM arrivals a"
            " JOIN arrivals b ON b.path = a.path AND b.id > a.id AND b.state IN ('printable', 'review')"
            " JOIN prints p ON p.arrival = b.id WHERE a.state = 'review'"
            " AND NOT EXISTS (SELECT 1 FROM facts f WHERE f.arrival = a.id AND f.fact = 'superseded')"
            " GROUP BY a.id, b.id ORDER BY a.id, b.id"
        )
        with self._lock:
            newest = {row["older"]: row for row in self._all(sql)}  # the last row for each wins
            return [Superseded(self.arrival(r["older"]), self.arrival(r["newer"]), r["job"]) for r in newest.values()]

    def supersede(self, arrival: int, says: str) -> None:
        """Record that a picture in review/ is marked as the older one."""
        self._update(arrival, "superseded", says, {"says": says}, durably=False)

    def copied(self, arrival: int, sha256: str) -> None:
        """Record that the spool copy is whole; its hash is the picture's identity."""
        self._update(arrival, "copied", sha256, {"sha256": sha256}, durably=False)

    def intend(self, arrival: int, intent: str, *, finishes: Sequence[str] = ()) -> None:
        """Record what is about to become visible, before any of it is; `finishes`: recipes of remembered prints."""
        with self._transaction("publishing", "", arrival) as run:
            run("UPDATE arrivals SET phase = 'publishing', intent = ? WHERE id = ?", (intent, arrival))
            for recipe in finishes:
                run("DELETE FROM found_prints WHERE recipe = ?", (recipe,))

    def unpublish(self, arrival: int) -> None:
        """Record that nothing of the last intent is visible any more."""
        self._update(arrival, "unpublished", "", {"phase": "claimed", "intent": None})

    def published(self, arrival: int, intent: str) -> None:
        """Record that everything made is visible and durable; the original may still be in ready/."""
        self._update(arrival, "published", "", {"phase": "published", "intent": intent})

    def say(self, arrival: int, says: str) -> None:
        """Record why it cannot go on, for status; nothing else changes."""
        self._update(arrival, "said", says, {"says": says}, durably=False)

    def _update(
        self, arrival: int, fact: str, detail: str, columns: Mapping[str, object], *, durably: bool = True
    ) -> None:
        """A transition that only sets columns."""
        sets = ", ".join(f"{name} = ?" for name in columns)
        with self._transaction(fact, detail, arrival, durably=durably) as run:
            run(f"UPDATE arrivals SET {sets} WHERE id = ?", (*columns.values(), arrival))  # noqa: S608 - our own names

    def settle(self, arrival: int, state: State, says: str, *, strike: bool = False) -> None:
        """Move to `state`; `strike` counts one more child that this picture has killed."""
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
        """Return to waiting after the whole service was killed; return how often that has happened to this picture."""
        with self._transaction("interrupted", says, arrival) as run:
            self._settled(run, arrival, State.WAITING, says)
        return int(self._value("SELECT count(*) FROM facts WHERE arrival = ? AND fact = 'interrupted'", arrival))


def _target(row: sqlite3.Row) -> str | None:
    """Where the intent moves the picture."""
    moved = json.loads(row["intent"])["moved"] if row["intent"] is not None else []
    return str(moved[0]["target"]) if moved else None
