"""What the ledger answers to "was this picture made before?": which prints count, and at what cost."""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from printqueue.core.model.job import State
from printqueue.ledger import Ledger, LedgerDamagedError, LedgerReader, earlier
from tests.stamps import stamp

NOW = "2026-11-25T06:00:00Z"
SHA = "a" * 64
NOBODY = earlier.NOBODY


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


def arrive(ledger: Ledger, name: str, *verdicts: str, sha256: str = SHA, settings: str = '{"copies": 1}') -> int:
    """A picture that was claimed, copied and planned, and judged where verdicts are given (one for each print)."""
    arrival = ledger.claim(f"card/{name}.tif", stamp(1, 2, 3)).id
    ledger.copied(arrival, sha256)
    jobs = ledger.plan_prints(arrival, [("card", "A3", 2, settings)] * max(1, len(verdicts)))
    for job, verdict in zip(jobs, verdicts, strict=False):
        ledger.judged(job, verdict, [], {})
    return arrival


def make(ledger: Ledger, arrival: int) -> None:
    """To the end of a print."""
    for one in ledger.prints_of(arrival):
        ledger.made(one.job, output="print/x.tif", recipe="r", profile_sha256="p", rules_sha256="q")
    ledger.settle(arrival, State.PRINTABLE, "made")


def seen(ledger: Ledger, but: int = NOBODY) -> list[int]:
    """Jobs that count."""
    return [one.job for one in ledger.earlier_prints(SHA, but)]


def test_what_was_made_counts(ledger: Ledger, path: str) -> None:
    """With copies, time and profile; for the service and for a reader beside it; not for other bytes."""
    arrival = arrive(ledger, "Fog", "accepted")
    make(ledger, arrival)
    (one,) = ledger.earlier_prints(SHA, NOBODY)
    assert (one.paper, one.size, one.copies, one.made, one.profile_sha256) == ("card", "A3", 2, NOW, "p")
    assert LedgerReader(path).earlier_prints(SHA) == [one]
    assert ledger.earlier_prints("b" * 64, NOBODY) == []
    assert seen(ledger, arrival) == []


def test_in_work_counts_once_it_is_judged(ledger: Ledger) -> None:
    """Before its verdict it is no print; afterwards it is one without a time, for all others but not for itself."""
    arrival = arrive(ledger, "Fog")
    assert seen(ledger) == []
    (job,) = (one.job for one in ledger.prints_of(arrival))
    ledger.judged(job, "accepted", [], {})
    (one,) = ledger.earlier_prints(SHA, NOBODY)
    assert (one.made, one.profile_sha256) == (None, None)
    assert seen(ledger, arrival) == []


@pytest.mark.parametrize("state", [State.WAITING, State.REVIEW, State.WITHDRAWN, State.STUCK])
def test_what_was_not_made_does_not_count(ledger: Ledger, state: State) -> None:
    """Accepted, and then taken away, turned back by damage, stopped or stuck: no sheet was asked for."""
    ledger.settle(arrive(ledger, "Fog", "accepted"), state, "")
    assert seen(ledger) == []


def test_half_an_order_is_no_print_in_work(ledger: Ledger) -> None:
    """Of two prints one is turned back: then none is made."""
    arrive(ledger, "Fog", "accepted", "turned-back")
    assert seen(ledger) == []
    arrive(ledger, "Kelp", "accepted", "accepted")
    assert len(seen(ledger)) == 2


def test_the_verdict_of_an_interrupted_attempt_is_forgotten(ledger: Ledger) -> None:
    """Claimed again after a kill it is no print in work until it is judged again: two could else each see the other."""
    arrival = arrive(ledger, "Fog", "accepted")
    ledger.interrupted(arrival, "killed")
    assert arrive(ledger, "Fog") == arrival
    assert seen(ledger) == []


@pytest.mark.parametrize("settings", ["[1]", "null"])
def test_settings_that_make_no_sense(ledger: Ledger, settings: str) -> None:
    """Settings that are no mapping say nothing, and the print still counts."""
    make(ledger, arrive(ledger, "Fog", "accepted", settings=settings))
    assert [one.settings for one in ledger.earlier_prints(SHA, NOBODY)] == [{}]


def test_settings_that_are_no_json_are_damage(ledger: Ledger) -> None:
    """As in every other row: the service ends and rebuilds, instead of forgetting a print."""
    with ledger.undisturbed():
        make(ledger, arrive(ledger, "Fog", "accepted"))
        ledger._connection.execute("UPDATE prints SET settings = '{'")
    with pytest.raises(LedgerDamagedError):
        seen(ledger)


def test_the_cost_goes_by_the_picture_not_by_the_ledger(ledger: Ledger) -> None:
    """Both steps of the question use an index (sqlite.org/eqp.html: SEARCH, not SCAN)."""
    plan = [row[3] for row in ledger._connection.execute(f"EXPLAIN QUERY PLAN {earlier.SQL}", (SHA, 0))]
    assert any("SEARCH a USING INDEX arrivals_by_hash" in line for line in plan)
    assert any("SEARCH p USING INDEX prints_by_arrival" in line for line in plan)
    assert not [line for line in plan if line.startswith("SCAN")]


def test_a_turn_is_undisturbed(ledger: Ledger) -> None:
    """While one thread looks and then records, another can neither look nor record in between."""
    order: list[str] = []
    inside = threading.Event()

    def other() -> None:
        inside.wait(10)
        order.append(f"saw {len(seen(ledger))}")

    thread = threading.Thread(target=other)
    thread.start()
    with ledger.undisturbed():
        assert seen(ledger) == []
        inside.set()
        thread.join(0.1)  # it must still be waiting
        arrive(ledger, "Fog", "accepted")
        order.append("recorded")
    thread.join(10)
    assert order == ["recorded", "saw 1"]


def test_settings_come_back(ledger: Ledger) -> None:
    """As they were recorded."""
    make(ledger, arrive(ledger, "Fog", "accepted", settings=json.dumps({"edition_of": 25})))
    assert ledger.earlier_prints(SHA, NOBODY)[0].settings == {"edition_of": 25}
