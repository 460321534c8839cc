"""The ledger: settings of its connection, versions, damaged files, names that are no UTF-8, and each transition."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

import pytest

from printqueue.core.errors import StudioError
from printqueue.core.model.job import Phase, Sighting, State
from printqueue.core.model.why import Reason, Why, told
from printqueue.ledger import Ledger, LedgerError, LedgerFullError, LedgerReader, Wanted, schema
from tests.stamps import stamp

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
    arrival = ledger.claim(path, stamp(1, 2, 3))
    (job,) = ledger.plan_prints(arrival.id, [("card", "A4", 1, "{}")])
    ledger.made(job, output="print/" + path, recipe="r", profile_sha256="p", rules_sha256="q")
    ledger.settle(arrival.id, State.PRINTABLE, "made")
    return arrival.id, job


def test_reasons_come_back(ledger: Ledger, path: str) -> None:
    """Every reason is read as the value that was recorded, with its names, which may be no UTF-8, numbers and words."""
    reasons = [Reason(why, (RAW, 7), "It ends “too early”.") for why in Why]
    sightings = [Sighting(f"card/{one.why}.tif", "waiting", "card", None, NOW, one) for one in reasons]
    ledger.scanned("poll", [], sightings)
    assert LedgerReader(path).sightings() == sorted(sightings, key=lambda one: one.path)


def test_any_file_name_survives(ledger: Ledger, path: str) -> None:
    """Names are bytes: one that is no UTF-8 comes back exactly, from rows, sightings and found prints."""
    _printable(ledger)
    ledger.scanned("poll", [], [Sighting(RAW, "waiting", "card", None, NOW, told("says"))])
    ledger.remember({"r": RAW})
    reader = LedgerReader(path)
    (record,) = reader.prints(Wanted(name="fog"))
    assert (record.path, record.output) == (RAW, "print/" + RAW)
    assert [s.path for s in reader.sightings()] == [RAW]
    assert ledger.found_print("r") == RAW
    last = ledger.last_at(RAW)
    assert last is not None
    assert last.path == RAW


def test_claim_counts_attempts_of_one_arrival(ledger: Ledger) -> None:
    """The same file waiting again is the next attempt of its row; any other is a row of its own."""
    first = ledger.claim("card/Fog.tif", stamp(1, 2, 3))
    assert (first.attempt, first.state, first.phase) == (1, State.WORKING, Phase.CLAIMED)
    ledger.settle(first.id, State.WAITING, "")
    again = ledger.claim("card/Fog.tif", stamp(1, 2, 3))
    assert (again.id, again.attempt) == (first.id, 2)
    for name, other in (("card/Fog.tif", (1, 2, 4)), ("card/Fog.tif", (9, 2, 3)), ("card/fog.tif", (1, 2, 3))):
        assert ledger.claim(name, stamp(*other)).id != first.id
    ledger.settle(first.id, State.REVIEW, "")
    assert ledger.claim("card/Fog.tif", stamp(1, 2, 3)).id != first.id


def test_plan_keeps_job_numbers_and_drops_surplus(ledger: Ledger) -> None:
    """A next attempt has the same job numbers for the same prints, and no rows for prints no longer asked for."""
    arrival = ledger.claim("card/Fog.tif", stamp(1, 2, 3)).id
    two = ledger.plan_prints(arrival, [("card", "A4", 1, "{}"), ("card", "A3", 1, "{}")])
    assert ledger.plan_prints(arrival, [("card", "A2", 5, "{}")]) == two[:1]
    assert [(p.job, p.size, p.copies) for p in ledger.prints_of(arrival)] == [(two[0], "A2", 5)]


def test_settling_ends_the_intent(ledger: Ledger) -> None:
    """Back to waiting nothing of an intent is left; done keeps it, since review/ is looked after by it."""
    arrival = ledger.claim("card/Fog.tif", stamp(1, 2, 3)).id
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
    arrival = ledger.claim("card/Fog.tif", stamp(1, 2, 3)).id
    for count in (1, 2):
        ledger.settle(arrival, State.WAITING, "", strike=True)
        assert ledger.arrival(arrival).strikes == count


def test_found_print_is_finished_with_its_intent(ledger: Ledger) -> None:
    """What was found again is forgotten in the very transaction that records how it is finished."""
    ledger.remember({"r": "print/a.tif", "s": "print/b.tif"})
    ledger.intend(ledger.claim("card/Fog.tif", stamp(1, 2, 3)).id, "{}", finishes=["r"])
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
    arrival = ledger.claim("card/Fog.tif", stamp(1, 2, 3)).id
    _full(ledger._connection)
    with pytest.raises(LedgerFullError, match="full"):
        ledger.settle(arrival, State.STUCK, "x" * 100_000)
    assert ledger.arrival(arrival).state is State.WORKING
    ledger._connection.execute("PRAGMA max_page_count = 100000")
    ledger.settle(arrival, State.STUCK, "x" * 100_000)
    assert ledger.arrival(arrival).state is State.STUCK


CALLS: list[Callable[[Ledger], object]] = [
    lambda ledger: ledger.claim("a", stamp(1, 2, 3)),
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


# -- what survives a power cut, and what it costs ---------------------------------

FULL, NORMAL = 2, 1  # sqlite.org/pragma.html#pragma_synchronous; WAL with NORMAL does not sync at a commit
INTENT = '{"kind": "review", "placed": [], "moved": [{"target": "review/card/Fog.tif"}]}'
COMMITS: list[tuple[int, Callable[[Ledger], object]]] = [
    (FULL, lambda ledger: ledger.claim("card/Net.tif", stamp(9, 9, 9))),
    (NORMAL, lambda ledger: ledger.copied(1, "aa")),
    (NORMAL, lambda ledger: ledger.plan_prints(1, [("card", "A4", 1, "{}")])),
    (NORMAL, lambda ledger: ledger.judged(1, "accepted", [], {})),
    (NORMAL, lambda ledger: ledger.keep("aa", "rules", b"text")),
    (NORMAL, lambda ledger: ledger.made(1, output="p", recipe="r", profile_sha256="p", rules_sha256="q")),
    (FULL, lambda ledger: ledger.intend(1, "{}")),
    (FULL, lambda ledger: ledger.unpublish(1)),
    (FULL, lambda ledger: ledger.published(1, "{}")),
    (NORMAL, lambda ledger: ledger.say(1, "the disk is full")),
    (FULL, lambda ledger: ledger.settle(1, State.PRINTABLE, "made")),
    (FULL, lambda ledger: ledger.interrupted(1, "killed")),
    (FULL, lambda ledger: ledger.remember({})),
    (NORMAL, lambda ledger: ledger.scanned("poll", [], [])),
]


@pytest.mark.parametrize("before", [FULL, NORMAL])
@pytest.mark.parametrize(("level", "call"), COMMITS)
def test_what_must_survive_is_committed_fully(
    ledger: Ledger, before: int, level: int, call: Callable[[Ledger], object]
) -> None:
    """Claims, intents, publications and settlings are full commits, whatever came before; what only follows is not."""
    ledger.claim("card/Fog.tif", stamp(1, 2, 3))
    if before == NORMAL:
        ledger.scanned("poll", [], [])
    levels: list[int] = []
    ledger._connection.set_trace_callback(
        lambda sql: levels.append(_level(ledger)) if sql.startswith("BEGIN") else None
    )
    call(ledger)
    assert levels == [level]


def _level(ledger: Ledger) -> int:
    ledger._connection.set_trace_callback(None)
    return int(ledger._connection.execute("PRAGMA synchronous").fetchone()[0])


def _statements(ledger: Ledger, call: Callable[[], object]) -> list[str]:
    """First words of the statements that change rows."""
    seen: list[str] = []
    ledger._connection.set_trace_callback(seen.append)
    call()
    ledger._connection.set_trace_callback(None)
    return [" ".join(sql.split()[:3]) for sql in seen if sql.split()[0] in ("INSERT", "UPDATE", "DELETE")]


def test_a_scan_writes_only_what_is_different(ledger: Ledger, path: str) -> None:
    """Unchanged sightings cost one row, the heartbeat; a new, another or a missing one costs a row more; so after a
    restart, and after a scan that could not be written.
    """
    one, two = (Sighting(f"card/{name}.tif", "waiting", "card", None, NOW, told("queued")) for name in ("Fog", "Net"))
    later = Sighting(two.path, "waiting", "card", None, NOW, told("deferred"), until="2026-11-25T06:05:00Z")
    heartbeat, insert = "UPDATE heartbeat SET", "INSERT OR REPLACE"
    steps: list[tuple[list[Sighting], list[str]]] = [
        ([one, two], [insert, insert]), ([two, one], []), ([one, later], [insert]), ([later], ["DELETE FROM sightings"])
    ]  # fmt: skip
    for sightings, changes in steps:
        did = _statements(ledger, lambda seen=sightings: ledger.scanned("poll", [], seen))  # type: ignore[misc]
        assert did == [heartbeat, *changes]
        assert LedgerReader(path).sightings() == sorted(sightings, key=lambda s: s.path)
    ledger.close()
    with closing(Ledger(path, lambda: NOW)) as again:
        assert _statements(again, lambda: again.scanned("poll", [], [later])) == [heartbeat]
        _full(again._connection)
        many = [Sighting(f"card/{n}.tif", "waiting", "card", None, NOW, told("x" * 300)) for n in range(500)]
        with pytest.raises(LedgerFullError):
            again.scanned("poll", [], many)
        again._connection.execute("PRAGMA max_page_count = 100000")
        again.scanned("poll", [], many)
        assert len(LedgerReader(path).sightings()) == 500


def test_heartbeat_says_why(ledger: Ledger, path: str) -> None:
    """How the service watches, why so, and what is wrong, as of its last scan."""
    ledger.scanned("poll", ["the share is away"], [], why="a network share sends no events")
    beat = LedgerReader(path).heartbeat()
    assert (beat.watch, beat.why, beat.problems) == ("poll", "a network share sends no events", ("the share is away",))


def test_together_is_all_or_nothing(ledger: Ledger, path: str) -> None:
    """Calls in one block are one full commit, facts included; after an error in it none of them has happened."""
    arrival = ledger.claim("card/Fog.tif", stamp(1, 2, 3)).id
    (job,) = ledger.plan_prints(arrival, [("card", "A4", 1, "{}")])

    def record(recipe: str, *, fails: bool = False) -> None:
        with ledger.together():
            ledger.made(job, output="print/a.tif", recipe=recipe, profile_sha256="p", rules_sha256="q")
            ledger.intend(arrival, "{}")
            assert LedgerReader(path).prints()[0].recipe != recipe
            if fails:
                raise LookupError

    with pytest.raises(LookupError):
        record("r", fails=True)
    assert (ledger.prints_of(arrival)[0].recipe, ledger.arrival(arrival).phase) == (None, Phase.CLAIMED)
    did = _statements(ledger, lambda: record("s"))
    assert (ledger.prints_of(arrival)[0].recipe, ledger.arrival(arrival).phase) == ("s", Phase.PUBLISHING)
    assert did == ["UPDATE prints SET", "INSERT INTO facts", "UPDATE arrivals SET", "INSERT INTO facts"]
    ledger.settle(arrival, State.WAITING, "")  # and a call after the block is a commit of its own again
    assert ledger.arrival(arrival).state is State.WAITING
    assert not ledger._connection.in_transaction


# -- cheap looks for every scan ----------------------------------------------------


def test_review_targets_are_read_once(ledger: Ledger) -> None:
    """Where each picture in review/ stands, with only new arrivals' intents read; who has left review is forgotten."""

    def turned_back(name: str, intent: str) -> int:
        arrival = ledger.claim(name, stamp(1, 2, 3)).id
        ledger.published(arrival, intent)
        ledger.settle(arrival, State.REVIEW, "")
        return arrival

    first, second = turned_back("a", INTENT), turned_back("b", '{"moved": []}')
    assert ledger.review_targets() == {first: "review/card/Fog.tif", second: None}
    third = turned_back("c", INTENT.replace("Fog.tif", "net\\udcff.tif"))
    ledger.settle(first, State.WITHDRAWN, "")
    read: list[str] = []
    ledger._connection.set_trace_callback(read.append)
    assert ledger.review_targets() == {second: None, third: os.fsdecode(b"review/card/net\xff.tif")}
    ledger._connection.set_trace_callback(None)
    assert len([sql for sql in read if "intent" in sql]) == 1


def test_counts_know_what_was_never_planned(ledger: Ledger, path: str) -> None:
    """A picture deferred before its prints were planned counts as one; one with two prints as two."""
    ledger.settle(ledger.claim("card/Fog.tif", stamp(1, 2, 3)).id, State.WAITING, "the disk is full")
    two = ledger.claim("card/Net.tif", stamp(1, 2, 3)).id
    ledger.plan_prints(two, [("card", "A4", 1, "{}"), ("card", "A3", 1, "{}")])
    reader = LedgerReader(path)
    assert {state: count for state, count in reader.counts().items() if count} == {"waiting": 1, "working": 2}
    assert [(a.path, a.says) for a in reader.unplanned()] == [("card/Fog.tif", "the disk is full")]


def test_one_moment(ledger: Ledger, path: str) -> None:
    """Within `at_once`, what the service commits meanwhile is not seen; afterwards it is."""
    _printable(ledger)
    reader = LedgerReader(path)
    with reader.at_once():
        assert reader.counts()["printable"] == 1
        _printable(ledger, "card/Net.tif")
        assert (reader.counts()["printable"], len(reader.prints())) == (1, 1)
    assert (reader.counts()["printable"], len(reader.prints())) == (2, 2)


def test_interruptions_are_counted(ledger: Ledger) -> None:
    """Each kill of the service while a picture was in hand counts, over attempts; the picture waits again."""
    for count in (1, 2, 3):
        arrival = ledger.claim("card/Fog.tif", stamp(1, 2, 3))
        assert ledger.interrupted(arrival.id, "killed") == count
        assert ledger.arrival(arrival.id).state is State.WAITING
