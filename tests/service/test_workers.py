"""Pictures in hand: threads of their own, whose ends are collected and which nobody waits for."""

from __future__ import annotations

import threading

import pytest

from printqueue.core.errors import WorldError
from printqueue.core.model.seen import Seen, Stamp
from printqueue.core.model.why import told
from printqueue.ledger import LedgerError
from printqueue.sandbox import ForkServerDiedError
from printqueue.service.context import Ending, Outcome
from printqueue.service.workers import LONG_S, Workers

FOG = Seen("kozo/Fog.tif", Stamp(1, 1, 1, 1, 1))
SOON_S = 10.0


def _fail(error: Exception) -> Outcome:
    raise error


def test_what_ends_is_collected_once() -> None:
    """Taken, ended, told, collected: then it is no longer in hand."""
    ended = threading.Event()
    workers = Workers(2, ended.set)
    workers.take(FOG.path, FOG, lambda: Outcome(Ending.PRINTABLE, told("made")))
    assert ended.wait(SOON_S)
    assert list(workers.collect()) == [(FOG.path, FOG, Outcome(Ending.PRINTABLE, told("made")))]
    assert (workers.paths, workers.free, list(workers.collect())) == (set(), 2, [])
    assert workers.let_go(SOON_S) == 0


@pytest.mark.parametrize(
    ("error", "says"), [(WorldError("no room"), "no room"), (OSError(5, "Input/output error"), "Input/output error")]
)
def test_what_fails_unclaimed_is_deferred(error: Exception, says: str) -> None:
    """An error of the world before anything was claimed blames nobody."""
    workers = Workers(1, lambda: None)
    workers.take(FOG.path, FOG, lambda: _fail(error))
    workers.let_go(SOON_S)
    ((_, _, outcome),) = workers.collect()
    assert outcome.ending is Ending.DEFERRED
    assert says in outcome.says


@pytest.mark.parametrize("error", [LedgerError("damaged"), ForkServerDiedError("gone")])
def test_what_ends_the_service_is_raised(error: Exception) -> None:
    """Without a ledger, or a process to read pictures with, nothing may go on."""
    workers = Workers(1, lambda: None)
    workers.take(FOG.path, FOG, lambda: _fail(error))
    workers.let_go(SOON_S)
    with pytest.raises(type(error)):
        list(workers.collect())


def test_nobody_waits_for_a_hanging_thread() -> None:
    """What hangs is counted after the time given, and what was not begun is never begun."""
    go_on, begun = threading.Event(), threading.Event()

    def hang() -> Outcome:
        begun.set()
        go_on.wait(SOON_S)
        return Outcome(Ending.DEFERRED)

    workers = Workers(1, lambda: None)
    workers.take("kozo/a.tif", None, hang)
    workers.take("kozo/b.tif", None, lambda: Outcome(Ending.PRINTABLE))
    assert begun.wait(SOON_S)
    assert workers.let_go(0.01) == 1
    go_on.set()
    assert workers.let_go(SOON_S) == 0
    assert [(path, outcome.ending) for path, _, outcome in workers.collect()] == [("kozo/a.tif", Ending.DEFERRED)]


@pytest.mark.parametrize(("many", "spare"), [(1, 0), (2, 1), (4, 1)])
def test_what_takes_long_leaves_a_lane_to_others(many: int, spare: int) -> None:
    """Once every hand has been at work for long, one more may begin, and no more than one; one alone, as asked for, stays one."""
    now, go_on = [0.0], threading.Event()
    workers = Workers(many, lambda: None, lambda: now[0])

    def work() -> Outcome:
        go_on.wait(SOON_S)
        return Outcome(Ending.PRINTABLE, told("made"))

    try:
        for number in range(many):
            workers.take(f"Fog {number}.tif", FOG, work)
        assert workers.free == 0
        now[0] = LONG_S + 1
        assert workers.free == spare
        if spare:
            begun = threading.Barrier(2, timeout=SOON_S)
            workers.take("Net.tif", FOG, lambda: Outcome(Ending.PRINTABLE, told(str(begun.wait()))))
            begun.wait()
            now[0] *= 3
            assert workers.free == 0, "not one more for each that takes long"
    finally:
        go_on.set()
        workers.let_go(SOON_S)


def test_one_of_two_that_takes_long_is_no_reason() -> None:
    """While another comes and goes quickly, nothing is held up."""
    now, go_on = [0.0], threading.Event()
    workers = Workers(2, lambda: None, lambda: now[0])
    workers.take("Fog.tif", FOG, lambda: Outcome(Ending.PRINTABLE, told(str(go_on.wait(SOON_S)))))
    now[0] = LONG_S + 1
    workers.take("Net.tif", FOG, lambda: Outcome(Ending.PRINTABLE, told(str(go_on.wait(SOON_S)))))
    assert workers.free == 0
    go_on.set()
    workers.let_go(SOON_S)
