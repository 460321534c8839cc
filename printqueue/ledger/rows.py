"""Ledger rows as records of the model."""

from __future__ import annotations

import json
import os
import sqlite3

from printqueue.core.model.job import Arrival, Fact, Heartbeat, MonthCount, Phase, PrintRecord, Sighting, State
from printqueue.core.model.why import Reason, Why

NEWEST_FACT = "SELECT coalesce(max(id), 0) FROM facts"
ARRIVAL = "id, path, inode, size, mtime_ns, sha256, state, phase, attempt, strikes, since, says, intent"
PRINT = (
    "p.job, p.arrival, a.path, p.paper, p.size, p.copies, a.state, a.since, a.says, a.sha256,"
    " p.verdict, p.output, p.recipe, p.profile_sha256, p.made, p.settings, p.findings"
)


def arrival(row: sqlite3.Row) -> Arrival:
    """A row selected with `ARRIVAL`."""
    values = dict(row)
    values |= {"path": os.fsdecode(row["path"]), "state": State(row["state"]), "phase": Phase(row["phase"])}
    return Arrival(**values)


def print_record(row: sqlite3.Row) -> PrintRecord:
    """A row selected with `PRINT`."""
    values = dict(row)
    values["path"] = os.fsdecode(row["path"])
    values["output"] = None if row["output"] is None else os.fsdecode(row["output"])
    values["state"] = State(row["state"])
    values |= {"settings": json.loads(row["settings"]), "findings": json.loads(row["findings"])}
    return PrintRecord(**values)


def month(row: sqlite3.Row) -> MonthCount:
    """One month's work: (month, made, turned back, a mark that changes with any of it)."""
    return MonthCount(str(row["month"]), int(row["made"]), int(row["back"]), str(row["mark"]))


def fact(row: sqlite3.Row) -> Fact:
    """One transition of a picture."""
    return Fact(**dict(row))


def sighting(row: sqlite3.Row) -> Sighting:
    """A row of `sightings`; before migration 3 it has no `until`, before migration 10 its reason is a sentence."""
    values = {"until": None, "reason": "told", "about": "[]", **dict(row)}
    reason = Reason(Why(values.pop("reason")), tuple(json.loads(values.pop("about"))), values.pop("says"))
    del values["shown"]
    return Sighting(**values | {"path": os.fsdecode(row["path"]), "reason": reason})


def heartbeat(row: sqlite3.Row) -> Heartbeat:
    """The row of `heartbeat`; before migration 3 it has no `why`."""
    why = row["why"] if "why" in row.keys() else ""  # noqa: SIM118 - a Row is not a mapping
    return Heartbeat(row["last_scan"], row["watch"], tuple(json.loads(row["problems"])), why)
