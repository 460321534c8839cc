"""When a file has stopped changing: a fake clock and made-up stamps, no file and no sleep."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from printqueue.core.model.seen import Seen, Stamp
from printqueue.service.intake.settle import Settler

QUIET_S = 5.0


def _seen(size: int, *, inode: int = 1, mtime: int = 0, ctime: int = 0, order: Stamp | None = None) -> Seen:
    return Seen("card/Fog.tif", Stamp(1, inode, size, mtime, ctime), "card/Fog.order.yaml" if order else None, order)


def test_quiet_file_settles_after_the_quiet_time() -> None:
    """A file that does not change settles exactly after the quiet time."""
    settler = Settler(QUIET_S)
    assert settler.look(_seen(10), 100.0) == pytest.approx(5.0)
    assert settler.look(_seen(10), 103.0) == pytest.approx(2.0)
    assert settler.look(_seen(10), 105.0) == 0.0


def test_no_quiet_time_is_legal() -> None:
    """With 0 s a file is taken at its first sight."""
    assert Settler(0.0).look(_seen(10), 100.0) == 0.0


@given(st.lists(st.floats(0.01, 4.9), min_size=1, max_size=30))
def test_growing_file_is_never_taken(pauses: list[float]) -> None:
    """While a file grows with pauses shorter than the quiet time it has not settled, however long that goes on."""
    settler, now = Settler(QUIET_S), 0.0
    for size, pause in enumerate(pauses):
        assert settler.look(_seen(size), now) > 0
        now += pause
        assert settler.look(_seen(size), now) > 0


@given(st.floats(0.01, 20), st.lists(st.floats(0, 10), max_size=20))
def test_waiting_is_monotone(pause: float, steps: list[float]) -> None:
    """Without a change the rest of the wait never grows, and falls by just the time that passes until it is 0."""
    settler = Settler(QUIET_S)
    settler.look(_seen(1), 0.0)
    now, rest = pause, settler.look(_seen(2), pause)
    for step in steps:
        now += step
        after = settler.look(_seen(2), now)
        assert after == pytest.approx(max(0.0, rest - step), abs=1e-6)
        rest = after


def test_wait_grows_with_the_pauses_of_the_writer() -> None:
    """A writer that stalled for 4 s is given three times that before its file is believed."""
    settler = Settler(QUIET_S)
    settler.look(_seen(1), 0.0)
    assert settler.look(_seen(2), 4.0) == pytest.approx(12.0)


@pytest.mark.parametrize(
    "change", [{"size": 11}, {"mtime": 1}, {"inode": 2}, {"ctime": 1}, {"order": Stamp(1, 9, 5, 0, 0)}]
)
def test_any_change_starts_anew(change: dict[str, int]) -> None:
    """Size, time, inode, attributes or the order file: whatever changes, the quiet time begins again."""
    settler = Settler(QUIET_S)
    settler.look(_seen(10), 0.0)
    assert settler.look(_seen(10), 4.0) == pytest.approx(1.0)
    assert settler.look(_seen(**({"size": 10} | change)), 4.0) >= QUIET_S  # type: ignore[arg-type]


def test_attribute_churn_alone_does_not_delay_for_ever() -> None:
    """A file server that keeps touching attributes only delays a file, it cannot hold it back."""
    settler, now = Settler(QUIET_S), 0.0
    for tick in range(200):
        if settler.look(_seen(10, ctime=tick), now) == 0.0:
            break
        now += 2.0
    assert now <= 3 * 3 * 2.0 + QUIET_S


def test_new_version_after_an_hour_waits_no_hour() -> None:
    """The age of a file that had long settled is no pause in its writing: a new version waits a few minutes at most."""
    settler = Settler(QUIET_S)
    settler.look(_seen(10), 0.0)
    assert settler.look(_seen(10), 3600.0) == 0.0
    assert settler.look(_seen(20, mtime=1), 3601.0) <= 180.0


def test_new_file_under_an_old_name_has_no_history() -> None:
    """Another inode is another file: a program that saves by renaming waits just the quiet time."""
    settler = Settler(QUIET_S)
    settler.look(_seen(10), 0.0)
    settler.look(_seen(11), 4.0)
    assert settler.look(_seen(20, inode=2), 300.0) == pytest.approx(QUIET_S)


def test_times_of_the_file_are_never_compared_with_the_clock() -> None:
    """A file from the future or from 1970 settles like any other."""
    for mtime in (0, 4_000_000_000 * 10**9):
        settler = Settler(QUIET_S)
        settler.look(_seen(10, mtime=mtime), 1.0)
        assert settler.look(_seen(10, mtime=mtime), 6.0) == 0.0


def test_forgetting() -> None:
    """What has gone is forgotten; what comes again under its name begins anew."""
    settler = Settler(QUIET_S)
    settler.look(_seen(10), 0.0)
    settler.forget_all_but(set())
    assert settler.first_seen("card/Fog.tif") is None
    assert settler.look(_seen(10), 100.0) == pytest.approx(QUIET_S)
