"""Why each picture in ready/ waits, and which one is next. Our own clock, no disk, no sleeping."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from printqueue.core.model.job import Arrival, Phase, State
from printqueue.core.model.publication import Moved, Publication
from printqueue.core.model.seen import Seen, Stamp
from printqueue.core.model.why import told
from printqueue.reports.why_words import sighting_words
from printqueue.sandbox.needs import Need
from printqueue.service import waiting
from printqueue.service.context import Ending, Outcome
from printqueue.service.intake.scan import Sweep
from printqueue.service.lanes import GIANT_MEGAPIXELS, Lanes
from printqueue.service.waiting import Offer, WaitingRoom
from printqueue.studio.settings import Config

GB = 1_000_000_000


class Bench:
    """A waiting room over a shop of which only what it asks is there; `at` moves the clock."""

    def __init__(self, folder: Path, *, settle: float = 0.0, free: int = 100 * GB, once: bool = False) -> None:
        self.now = 0.0
        self.arrivals: dict[str, Arrival] = {}
        self.lanes = Lanes(4, lambda: free)
        self.asked: list[str] = []
        studio = SimpleNamespace(
            config=Config.model_construct(settle=settle, scan=15.0, default_paper=None),
            ledger=str(folder / "ledger.sqlite"),
            path=folder.joinpath,
        )
        context: Any = SimpleNamespace(
            studio=studio,
            shelf=SimpleNamespace(papers={"kozo": None}),
            lanes=self.lanes,
            now=lambda: "2026-11-25T06:00:00Z",
            ledger=SimpleNamespace(last_at=self._last_at, is_untouched=self._is_untouched),
        )
        self.room = WaitingRoom(context, lambda: self.now, once=once)

    def _last_at(self, path: str) -> Arrival | None:
        self.asked.append(path)
        return self.arrivals.get(path)

    def _is_untouched(self, arrival: int, stamp: Stamp) -> bool:
        return any((one.id, one.inode, 6) == (arrival, stamp.inode, stamp.ctime_ns) for one in self.arrivals.values())

    def at(self, now: float, *pictures: Seen, in_hand: tuple[str, ...] = (), free: int = 4) -> Offer:
        """One scan at `now` that found `pictures`."""
        self.now = now
        self.room.update(Sweep(list(pictures)))
        return self.room.offer(in_hand, free)


@pytest.fixture
def context(tmp_path: Path) -> Bench:
    """Settle 0 s, plenty of memory."""
    return Bench(tmp_path)


def seen(name: str, inode: int = 1) -> Seen:
    """A picture as a scan gives it."""
    return Seen(f"kozo/{name}.tif", Stamp(1, inode, 100, 5, 6))


def names(offer: Offer) -> list[str]:
    """What was handed out, by name."""
    return [one.path.removeprefix("kozo/").removesuffix(".tif") for one in offer.now]


def arrival(state: State, path: str = "kozo/Fog.tif", intent: str | None = None) -> Arrival:
    """A row of the ledger for the picture that `seen` gives."""
    return Arrival(1, path, 1, 100, 5, "aa", state, Phase.DONE, 1, 0, "2026-11-25T05:00:00Z", "says", intent)


def test_the_oldest_goes_first(context: Bench) -> None:
    """Fair by arrival: what came later waits its turn, whatever its name."""
    later, first = seen("Anchor"), seen("Weir")
    assert names(context.at(0, first, free=0)) == []
    assert names(context.at(1, later, first, free=1)) == ["Weir"]
    offer = context.at(1, later, first, in_hand=("kozo/Weir.tif",), free=0)
    assert [sighting_words(one) for one in offer.sightings] == ["queued: other pictures are being worked on"]


def test_the_next_needs_no_other_look(context: Bench) -> None:
    """When a picture comes back, the next in the queue goes at once; one that has changed meanwhile does not."""
    fog, kelp, net = seen("Fog"), seen("Kelp"), seen("Net")
    assert names(context.at(0, fog, kelp, net, free=1)) == ["Fog"]
    assert context.room.more({fog.path}, 0) == []
    assert context.room.more({fog.path}, 1) == [kelp]
    context.room.update(Sweep([seen("Net", inode=7)]))
    assert context.room.more(set(), 4) == []


def test_settling_is_said_and_waited_for(tmp_path: Path) -> None:
    """A new file waits for its quiet time; the wait is exactly what is left of it."""
    context, fog = Bench(tmp_path, settle=5.0), seen("Fog")
    offer = context.at(0, fog)
    assert (offer.now, offer.wait_s) == ([], 5.0)
    assert "waiting until it is quiet" in sighting_words(offer.sightings[0])
    assert names(context.at(5, fog)) == ["Fog"]


def test_a_change_begins_anew_but_keeps_its_place(tmp_path: Path) -> None:
    """A re-saved picture settles again; it does not fall behind what came after it."""
    context = Bench(tmp_path, settle=5.0)
    context.at(0, seen("Fog"))
    context.at(1, seen("Fog"), seen("Kelp"))
    fog, kelp = Seen("kozo/Fog.tif", Stamp(1, 1, 200, 9, 9)), seen("Kelp")
    assert context.room.update(Sweep([fog, kelp])) == {"kozo/Fog.tif", "kozo/Kelp.tif"}
    assert names(context.at(2, fog, kelp)) == []
    assert names(context.at(60, fog, kelp)) == ["Fog", "Kelp"]


def test_deferred_backs_off_and_does_not_starve_the_new(context: Bench) -> None:
    """Each failure of the world waits longer; a new picture goes meanwhile; until when is said."""
    fog, kelp = seen("Fog"), seen("Kelp")
    waits = []
    now = 0.0
    for _ in range(5):
        assert names(context.at(now, fog)) == ["Fog"]
        context.room.take_in(fog, Outcome(Ending.DEFERRED, told("the disk is full")))
        offer = context.at(now, fog)
        waits.append(offer.wait_s)
        now += offer.wait_s or 0
    assert waits == [5.0, 15.0, 60.0, 300.0, 300.0]
    context.at(now, fog)
    context.room.take_in(fog, Outcome(Ending.DEFERRED, told("the disk is full")))
    offer = context.at(now, fog, kelp)
    assert names(offer) == ["Kelp"]
    assert offer.sightings[0].until == "2026-11-25T06:05:00Z"


def test_another_state_of_a_file_is_tried_at_once(context: Bench) -> None:
    """Back-off belongs to the file as it stood: a new version is not punished."""
    fog = seen("Fog")
    context.at(0, fog)
    context.room.take_in(fog, Outcome(Ending.DEFERRED, told("no profile")))
    assert names(context.at(1, replace(fog, stamp=Stamp(1, 2, 100, 5, 6)))) == ["Fog"]


def test_cut_short_gets_patience_once(tmp_path: Path) -> None:
    """A file that looks unfinished waits six times the quiet time, then is taken as it is."""
    context, fog = Bench(tmp_path, settle=2.0), seen("Fog")
    context.at(0, fog)
    assert names(context.at(2, fog)) == ["Fog"]
    assert not context.room.is_patient(fog)
    context.room.take_in(fog, Outcome(Ending.AGAIN, told("it ends too early")))
    offer = context.at(2, fog)
    assert (offer.now, offer.wait_s, sighting_words(offer.sightings[0])) == ([], 12.0, "it ends too early")
    assert names(context.at(14, fog)) == ["Fog"]
    assert context.room.is_patient(fog)


def test_small_pictures_pass_a_giant(context: Bench) -> None:
    """A giant for which no lane is free is passed by small ones, for as long as it takes."""
    giant, small = seen("Panorama"), seen("Kelp")
    need = Need(GB, GIANT_MEGAPIXELS + 1, 0)
    for _ in range(3):
        context.lanes.take(need)
    context.at(0, giant)
    context.room.take_in(giant, Outcome(Ending.QUEUED, told("no lane"), need))
    for now in (0.0, 1000.0):
        offer = context.at(now, giant, small)
        assert names(offer) == ["Kelp"]
        assert "a lane stays free" in sighting_words(offer.sightings[0])


def test_want_of_memory_is_not_passed_for_ever(tmp_path: Path) -> None:
    """Small pictures pass one that needs more memory than is left; after a minute they wait for it."""
    context = Bench(tmp_path, free=10 * GB)
    large, small = seen("Estuary"), seen("Kelp")
    ticket = context.lanes.take(Need(4 * GB, 1, 0))
    context.at(0, large)
    context.room.take_in(large, Outcome(Ending.QUEUED, told("no memory"), Need(3 * GB, 1, 0)))
    assert names(context.at(0, large, small)) == ["Kelp"]
    assert names(context.at(59, large, small)) == ["Kelp"]
    assert names(context.at(61, large, small)) == []
    assert isinstance(ticket, int)
    context.lanes.give_back(ticket)
    assert names(context.at(62, large, small)) == ["Estuary", "Kelp"]


@pytest.mark.parametrize("state", [State.STUCK, State.WORKING])
def test_parked_is_not_offered_as_it_stands(context: Bench, state: State) -> None:
    """What is stuck or half published is left alone until the file is another; the ledger is asked once, not at every scan."""
    fog = seen("Fog")
    context.arrivals["kozo/Fog.tif"] = arrival(state)
    for now in (0, 1, 2):
        offer = context.at(now, fog)
        assert (offer.now, offer.wait_s, offer.sightings) == ([], None, [])
    assert context.asked == ["kozo/Fog.tif"]
    # Under another inode number what is stuck is offered, for its bytes to be looked at; what is half published is looked at
    # by whoever finishes it.
    assert names(context.at(3, seen("Fog", inode=7))) == (["Fog"] if state is State.STUCK else [])
    assert names(context.at(4, replace(fog, stamp=replace(fog.stamp, mtime_ns=9)))) == ["Fog"]


def test_parked_before_it_was_read(context: Bench) -> None:
    """What ended its child before it was ever hashed stays parked under another number: there is nothing to compare."""
    context.arrivals["kozo/Fog.tif"] = replace(arrival(State.STUCK), sha256=None)
    assert names(context.at(0, seen("Fog", inode=7))) == []


@pytest.mark.parametrize("there", [True, False], ids=["copied", "moved and put back"])
def test_done_but_still_here(context: Bench, there: bool) -> None:
    """A picture that could not be moved away is said to be done; one that was moved and is back again is new."""
    moved = Moved("ready/kozo/Fog.tif", "masters/Fog.tif", 1, 100, 5, stays=there)
    context.arrivals["kozo/Fog.tif"] = arrival(State.PRINTABLE, intent=Publication("print", [], [moved]).to_json())
    offer = context.at(0, seen("Fog"))
    if there:
        assert offer.now == []
        assert offer.sightings[0].kind == "passed-over"
        assert sighting_words(offer.sightings[0]) == "done: says"
    else:
        assert names(offer) == ["Fog"]


def test_unknown_folders_are_named_once(context: Bench) -> None:
    """Pictures under a folder that is no paper are not offered; the folder is named."""
    strangers = [Seen(f"koza/{n}.tif", Stamp(1, n, 100, 5, 6)) for n in range(3)]
    offer = context.at(0, *strangers)
    assert (offer.now, offer.wait_s, offer.sightings, offer.unknown) == ([], None, [], {"koza"})


def test_standing_still_costs_no_new_objects(context: Bench) -> None:
    """Unchanged waiting is told with the very same rows, so that nothing need be written."""
    fog = seen("Fog")
    context.at(0, fog)
    context.room.take_in(fog, Outcome(Ending.DEFERRED, told("the disk is full")))
    first, second = context.at(1, fog), context.at(2, fog)
    assert first.sightings[0] is second.sightings[0]


def test_what_never_holds_still_backs_off(context: Bench) -> None:
    """A picture that is another at every attempt starts again at once three times, then after 5 and 15 s, then it is let be."""
    offered = []
    for tenth in range(400):  # 40 s; it is saved ten times a second
        fog = replace(seen("Fog"), stamp=Stamp(1, tenth, 100, 5, 6))
        for one in context.at(tenth / 10, fog).now:
            offered.append(tenth / 10)
            context.at(tenth / 10, replace(fog, stamp=Stamp(1, -tenth, 100, 5, 6)), in_hand=(fog.path,))
            context.room.take_in(one, Outcome(Ending.AGAIN, told("it changed")))
    assert offered == [0.0, 0.1, 0.2, 0.3, 5.3, 20.3]
    context.room.take_in(fog, Outcome(Ending.RETRY, told("")))
    assert names(context.at(90, fog)) == ["Fog"]


@pytest.mark.parametrize("what", ["picture", "order"])
def test_touching_attributes_loses_no_back_off(context: Bench, what: str) -> None:
    """A disk that is full is not tried at every scan because a file server touches picture or order while it waits, or
    while it is in hand; another version is tried at once.
    """

    def touched(ctime_ns: int, inode: int = 1) -> Seen:
        stamps = [Stamp(1, inode, 100, 5, ctime_ns), Stamp(1, 2, 10, 5, 6)]
        picture, order = stamps if what == "picture" else reversed(stamps)
        return Seen("kozo/Fog.tif", picture, "kozo/Fog.order.yaml", order, order_is_own=True)

    (fog,) = context.at(0, touched(0)).now
    context.at(0, touched(1), in_hand=(fog.path,))
    context.room.take_in(fog, Outcome(Ending.DEFERRED, told("the disk is full")))
    offers = [context.at(second / 10, touched(2 + second % 2)) for second in range(50)]
    assert [offer.now for offer in offers] == [[]] * 50
    (fog,) = context.at(10, touched(3)).now
    context.room.take_in(fog, Outcome(Ending.DEFERRED, told("the disk is full")))
    assert context.at(24, touched(3)).now == []  # the second pause is longer
    if what == "picture":  # another order is first left to come to rest
        assert len(context.at(24, touched(3, inode=7)).now) == 1


def test_once_leaves_what_never_holds_still(tmp_path: Path) -> None:
    """`serve --once` tries it once more after 5 s, and then waits for it no longer; why it stands there is said."""
    context = Bench(tmp_path, once=True)
    for tries in range(1, 6):
        fog = replace(seen("Fog"), stamp=Stamp(1, tries, 100, 5, 6))
        assert names(context.at(10 * tries, fog)) == ["Fog"]
        context.room.take_in(fog, Outcome(Ending.AGAIN, told("it changed")))
    offer = context.at(51, replace(fog, stamp=Stamp(1, 7, 100, 5, 6)))
    assert (offer.now, offer.wait_s) == ([], None)
    assert "keeps changing" in sighting_words(offer.sightings[0])


@pytest.mark.parametrize(("tries", "seconds"), [(0, 5), (1, 5), (2, 15), (3, 60), (4, 300), (99, 300)])
def test_back_off(tries: int, seconds: float) -> None:
    """5, 15, 60, 300 s, and no longer."""
    assert waiting.back_off_s(tries) == seconds


def test_time_in_hand_is_no_sign_of_endless_change(tmp_path: Path) -> None:
    """Whose order changed during a long attempt is waited for, also by `--once`: it was worked on, not forever arriving."""
    context = Bench(tmp_path, settle=1.0, once=True)
    first = seen("Fog")
    context.at(0.0, first)
    assert names(context.at(2.0, first)) == ["Fog"]
    changed = replace(first, order="kozo/Fog.order.yaml", order_stamp=Stamp(1, 9, 9, 9, 9))
    context.at(60.0, changed, in_hand=(first.path,))
    context.room.take_in(first, Outcome(Ending.AGAIN, told("its order changed")))
    offer = context.at(61.0, changed)
    assert (names(offer), offer.wait_s) == ([], 1.0)
    assert names(context.at(62.1, changed)) == ["Fog"]


def test_what_changed_while_all_was_held_up_is_told_later(context: Bench) -> None:
    """A picture that goes while a folder of the studio is away is still among what has gone at the next full look."""
    context.at(0.0, seen("Fog"), seen("Net"))
    (held,) = context.room.held_up(Sweep([seen("Net")]), told("print/ is not there"))
    assert (held.path, sighting_words(held)) == ("kozo/Net.tif", "print/ is not there")
    context.room.held_up(Sweep([seen("Net")]), told("print/ is not there"))
    now = Sweep([seen("Net")])
    assert context.room.update(now) >= {"kozo/Fog.tif"}
    assert context.room.update(now) == set()
