"""Memory over all children together, and a lane that giants leave free."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from printqueue.reports.why_words import words
from printqueue.sandbox.needs import Need
from printqueue.service import lanes
from printqueue.service.lanes import GIANT_MEGAPIXELS, SHARE, Lanes, Refusal

GB = 1_000_000_000
GIANT = Need(GB, GIANT_MEGAPIXELS + 1, 0)
SMALL = Need(GB, 24.0, 0)


def _lanes(free: int, workers: int = 4) -> Lanes:
    return Lanes(workers, lambda: free)


def test_memory_of_all_together_is_bounded() -> None:
    """What is lent stays within 60 % of what was free: of 10 GB, six pictures of 1 GB, and no seventh."""
    room = Lanes(64, lambda: 10 * GB)
    taken = [room.take(SMALL) for _ in range(8)]
    assert [isinstance(one, int) for one in taken] == [True] * 6 + [False] * 2
    refusal = taken[-1]
    assert isinstance(refusal, Refusal)
    assert refusal.for_memory
    assert "needs 1000 MB of memory, and 0 MB may be used now" in words(refusal.reason)


def test_memory_comes_back() -> None:
    """A ticket given back makes room; given back twice it makes no more."""
    room = _lanes(3 * GB)
    first = room.take(SMALL)
    assert isinstance(first, int)
    assert isinstance(room.take(SMALL), Refusal)
    room.give_back(first)
    room.give_back(first)
    assert isinstance(room.take(SMALL), int)
    assert isinstance(room.take(SMALL), Refusal)


def test_memory_that_children_have_not_touched_yet_is_not_lent_twice() -> None:
    """The kernel calls it free until it is used; what was free before the first loan counts."""
    room = _lanes(10 * GB)  # the kernel goes on saying so, although five are lent
    assert [isinstance(room.take(Need(5 * GB, 1, 0)), int) for _ in range(2)] == [True, False]


def test_giants_leave_a_lane_free() -> None:
    """Of four lanes giants take three; a small picture still finds one."""
    room = _lanes(100 * GB)
    taken = [room.take(GIANT) for _ in range(4)]
    assert [isinstance(one, int) for one in taken] == [True, True, True, False]
    refusal = taken[-1]
    assert isinstance(refusal, Refusal)
    assert not refusal.for_memory
    assert isinstance(room.take(SMALL), int)


@pytest.mark.parametrize("workers", [1, 2])
def test_one_giant_always_may(workers: int) -> None:
    """However few the lanes, one giant at a time is taken."""
    room = _lanes(100 * GB, workers)
    assert isinstance(room.take(GIANT), int)
    assert isinstance(room.take(GIANT), Refusal)


@given(st.lists(st.tuples(st.booleans(), st.integers(1, 4 * GB)), max_size=40), st.integers(GB, 50 * GB))
def test_never_more_than_the_share(steps: list[tuple[bool, int]], free: int) -> None:
    """Whatever is taken and given back, in whatever order: the sum of all loans stays within the share."""
    room, held = Lanes(64, lambda: free), {}
    for take, size in steps:
        if take:
            ticket = room.take(Need(size, 1, 0))
            if isinstance(ticket, int):
                held[ticket] = size
        elif held:
            ticket, _ = held.popitem()
            room.give_back(ticket)
        assert sum(held.values()) <= SHARE * free
    assert room.is_idle is not bool(held)


def test_free_memory_of_this_machine() -> None:
    """What the kernel says is a sensible number: between 1 MB and 100 TB (proc_meminfo(5), MemAvailable)."""
    assert 1e6 < lanes.free_bytes() < 1e14


def test_control_group_bounds_it(monkeypatch: pytest.MonkeyPatch) -> None:
    """A limit of the control group counts, less what is used, without the pages of files (cgroup-v2: memory.max)."""
    texts = {
        "memory.current": "700000000",
        "memory.stat": "anon 1\ninactive_file 200000000\n",
        "memory.high": "max",
        "memory.max": "1000000000",
    }
    monkeypatch.setattr(lanes, "_text", lambda _folder, name: texts[name])
    monkeypatch.setattr(lanes, "_group", lambda: "/sys/fs/cgroup/x")
    assert min(lanes._left_in_groups()) == 500_000_000
