"""The ledger: settings of its connection, versions, damaged files, names that are no UTF-8, and each transition."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

import pytest

from printqueue.errors import StudioError
from printqueue.ledger import Ledger, LedgerError, LedgerFullError, LedgerReader, schema
from printqueue.model.job import Phase, Sighting, State

NOW = "2026-11-25T06:00:00Z"
RAW = os.fsdecode(b"card/Fog\xff\xfe\n\x1b[31m.tif")


@pytest.fixture
def path(tmp_path: Path) -> str:
    """Where the ledger lies."""
    return str(tmp_path / "ledger.sqlite")


@pytest.fixture
def ledger(path: str) -> Iterator[Ledger]:
    """A new ledger with a fixed clock."""
    made = Ledger(path, lambda: NOW)
    yield made
    made.close()


def test_connection_is_set_for_power_cuts_and_strangers(ledger: Ledger) -> None:
    """WAL with synchronous=FULL (2) keeps what COMMIT answered; functions in a foreign schema are not trusted.

    Numbers after sqlite.org/pragma.html.
    """
    connection = ledger._connection
    for pragma, value in (("journal_mode", "wal"), ("synchronous", 2), ("trusted_schema", 0), ("foreign_keys", 1)):
        assert connection.execute(f"PRAGMA {pragma}").fetchone()[0] == value
    assert connection.execute("PRAGMA integrity_check").fetchone()[0] == "ok"


def test_every_version_can_be_brought_up_to_date(path: str) -> None:
    """A ledger of any earlier version, with rows, is migrated and keeps them."""
    for version in range(schema.NEWEST + 1):
        with closing(sqlite3.connect(path, isolation_level=None)) as old:
            for number in range(version):
                old.executescript(f"BEGIN;{schema.MIGRATIONS[number]};PRAGMA user_version = {number + 1};COMMIT;")
            if version:
                old.execute("UPDATE heartbeat SET last_scan = 'then'")
        made = Ledger(path, lambda: NOW)
        assert made._connection.execute("PRAGMA user_version").fetchone()[0] == schema.NEWEST
        made.close()
        assert LedgerReader(path).heartbeat().last_scan == ("then" if version else None)
        os.unlink(path)


def test_newer_ledger_is_refused_and_kept(ledger: Ledger, path: str) -> None:
    """A ledger of a newer printqueue is neither written nor read."""
    ledger.close()
    with closing(sqlite3.connect(path)) as connection:
        connection.execute(f"PRAGMA user_version = {schema.NEWEST + 1}")
    before = Path(path).read_bytes()
    with pytest.raises(LedgerError, match="newer"):
        Ledger(path, lambda: NOW)
    with pytest.raises(StudioError, match="newer"):
        LedgerReader(path).counts()
    assert Path(path).read_bytes() == before


@pytest.mark.parametrize("damage", [b"no database at all" * 100, b"SQLite format 3\0" + b"\xff" * 5000])
def test_damaged_ledger_is_refused_and_kept(path: str, damage: bytes) -> None:
    """A damaged ledger raises with what is safe and what to do; it is not started anew over its remains."""
    Path(path).write_bytes(damage)
    with pytest.raises(LedgerError, match="untouched"):
        Ledger(path, lambda: NOW)
    with pytest.raises(StudioError, match="cannot be read"):
        LedgerReader(path).prints()
    assert Path(path).read_bytes() == damage


def test_no_ledger_yet(path: str) -> None:
    """A reader of a studio that never ran answers with nothing and makes no file; so it does while one is being made."""
    reader = LedgerReader(path)
    assert (reader.prints(), reader.sightings(), reader.heartbeat().last_scan) == ([], [], None)
    assert not os.path.exists(path)
    Path(path).touch()
    assert reader.prints() == []


def _printable(ledger: Ledger, path: str = RAW) -> tuple[int, int]:
    arrival = ledger.claim(path, 1, 2, 3)
    (job,) = ledger.plan_prints(arrival.id, [("card", "A4", 1, "{}")])
    ledger.made(job, output="print/" + path, recipe="r", profile_sha256="p", rules_sha256="q")
    ledger.settle(arrival.id, State.PRINTABLE, "made")
    return arrival.id, job


def test_any_file_name_survives(ledger: Ledger, path: str) -> None:
    """Names are bytes: one that is no UTF-8 comes back exactly, from rows, sightings and found prints."""
    _printable(ledger)
    ledger.scanned("poll", [], [Sighting(RAW, "waiting", "card", None, NOW, "says")])
    ledger.remember({"r": RAW})
    reader = LedgerReader(path)
    (record,) = reader.prints(name="fog")
    assert (record.path, record.output) == (RAW, "print/" + RAW)
    assert [s.path for s in reader.sightings()] == [RAW]
    assert ledger.found_print("r") == RAW
    last = ledger.last_at(RAW)
    assert last is not None
    assert last.path == RAW


def test_claim_counts_attempts_of_one_arrival(ledger: Ledger) -> None:
    """The same file waiting again is the next attempt of its row; any other is a row of its own."""
    first = ledger.claim("card/Fog.tif", 1, 2, 3)
    assert (first.attempt, first.state, first.phase) == (1, State.WORKING, Phase.CLAIMED)
    ledger.settle(first.id, State.WAITING, "")
    again = ledger.claim("card/Fog.tif", 1, 2, 3)
    assert (again.id, again.attempt) == (first.id, 2)
    for other in (("card/Fog.tif", 1, 2, 4), ("card/Fog.tif", 9, 2, 3), ("card/fog.tif", 1, 2, 3)):
        assert ledger.claim(*other).id != first.id
    ledger.settle(first.id, State.REVIEW, "")
    assert ledger.claim("card/Fog.tif", 1, 2, 3).id != first.id


def test_plan_keeps_job_numbers_and_drops_surplus(ledger: Ledger) -> None:
    """A next attempt has the same job numbers for the same prints, and no rows for prints no longer asked for."""
    arrival = ledger.claim("card/Fog.tif", 1, 2, 3).id
    two = ledger.plan_prints(arrival, [("card", "A4", 1, "{}"), ("card", "A3", 1, "{}")])
    assert ledger.plan_prints(arrival, [("card", "A2", 5, "{}")]) == two[:1]
    assert [(p.job, p.size, p.copies) for p in ledger.prints_of(arrival)] == [(two[0], "A2", 5)]


def test_settling_ends_the_intent(ledger: Ledger) -> None:
    """Back to waiting nothing of an intent is left; done keeps it, since review/ is looked after by it."""
    arrival = ledger.claim("card/Fog.tif", 1, 2, 3).id
    ledger.intend(arrival, "{}")
    assert ledger.arrival(arrival).phase is Phase.PUBLISHING
    ledger.published(arrival, '{"kind": 1}')
    assert ledger.arrival(arrival).intent == '{"kind": 1}'
    ledger.settle(arrival, State.REVIEW, "")
    assert (ledger.arrival(arrival).phase, ledger.arrival(arrival).intent) == (Phase.DONE, '{"kind": 1}')
    ledger.settle(arrival, State.WAITING, "")
    assert (ledger.arrival(arrival).phase, ledger.arrival(arrival).intent) == (Phase.CLAIMED, None)


def test_strikes_add_up(ledger: Ledger) -> None:
    """A strike stays with its arrival over attempts."""
    arrival = ledger.claim("card/Fog.tif", 1, 2, 3).id
    for count in (1, 2):
        ledger.settle(arrival, State.WAITING, "", strike=True)
        assert ledger.arrival(arrival).strikes == count


def test_found_print_is_finished_with_its_intent(ledger: Ledger) -> None:
    """What was found again is forgotten in the very transaction that records how it is finished."""
    ledger.remember({"r": "print/a.tif", "s": "print/b.tif"})
    ledger.intend(ledger.claim("card/Fog.tif", 1, 2, 3).id, "{}", finishes=["r"])
    assert (ledger.found_print("r"), ledger.found_print("s")) == (None, "print/b.tif")


def test_transitions_are_recorded(ledger: Ledger, path: str) -> None:
    """Every transition appends one fact, in order; a fact is never changed."""
    arrival, _ = _printable(ledger)
    with closing(sqlite3.connect(path)) as connection:
        facts = connection.execute("SELECT fact FROM facts WHERE arrival = ? ORDER BY id", (arrival,)).fetchall()
    assert [fact for (fact,) in facts] == ["planned", "printable"]


def _full(connection: sqlite3.Connection) -> None:
    pages = connection.execute("PRAGMA page_count").fetchone()[0]
    connection.execute(f"PRAGMA max_page_count = {pages}")


def test_full_disk_is_told_from_damage(ledger: Ledger) -> None:
    """No room for a row: its own error, nothing of the transaction stays, and there is a way on when there is room."""
    arrival = ledger.claim("card/Fog.tif", 1, 2, 3).id
    _full(ledger._connection)
    with pytest.raises(LedgerFullError, match="full"):
        ledger.settle(arrival, State.STUCK, "x" * 100_000)
    assert ledger.arrival(arrival).state is State.WORKING
    ledger._connection.execute("PRAGMA max_page_count = 100000")
    ledger.settle(arrival, State.STUCK, "x" * 100_000)
    assert ledger.arrival(arrival).state is State.STUCK


CALLS: list[Callable[[Ledger], object]] = [
    lambda ledger: ledger.claim("a", 1, 2, 3),
    lambda ledger: ledger.arrivals(State.WAITING),
    lambda ledger: ledger.scanned("poll", [], []),
]


@pytest.mark.parametrize("call", CALLS)
def test_every_failure_is_a_ledger_error(ledger: Ledger, call: Callable[[Ledger], object]) -> None:
    """Whatever SQLite cannot do ends as one kind of error, never as SQLite's own."""
    ledger.close()
    with pytest.raises(LedgerError):
        call(ledger)


def test_reader_sees_only_what_was_committed(ledger: Ledger, path: str) -> None:
    """While a transaction is open, readers see the state before it, at once."""
    _printable(ledger)
    reader = LedgerReader(path)
    with ledger._transaction(None, "") as run:
        run("UPDATE arrivals SET says = 'half way'", ())
        assert [p.says for p in reader.prints()] == ["made"]
    assert [p.says for p in reader.prints()] == ["half way"]
