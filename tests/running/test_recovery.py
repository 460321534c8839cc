"""Starting again without a ledger: what stands in print/ and masters/ says what was made. Nothing is printed twice."""

from __future__ import annotations

import os
from collections.abc import Iterator
from glob import escape, glob

import pytest

from printqueue.sandbox import ForkServer
from printqueue.studio.folders import Studio
from tests.running import support

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def nursery() -> Iterator[support.Nursery]:
    """A process that forks services and kills them."""
    running = support.Nursery()
    yield running
    running.close()


def _lose_ledger(studio: Studio) -> None:
    lost = glob(escape(studio.ledger) + "*")
    assert lost
    for path in lost:
        os.unlink(path)


ORDER = b"prints:\n  - {size: 60x50 mm}\n  - {size: 80x60 mm}\n"


@pytest.mark.parametrize("step", ["print-published", "published-written"])
@pytest.mark.parametrize("order", [None, b"copies: 2\n", ORDER], ids=["plain", "own order", "two prints"])
def test_ledger_lost_before_the_original_moved(
    studio: Studio, fork_server: ForkServer, nursery: support.Nursery, step: str, order: bytes | None
) -> None:
    """Prints that are visible are finished from their recipes: no second print, the original in masters/."""
    support.drop(studio, "card/Fog.tif", support.picture())
    if order is not None:
        support.drop(studio, "card/Fog.order.yaml", order)
    last = 2 if order == ORDER and step == "print-published" else 1
    assert nursery.run(studio, (step, last))["code"] == -9
    made = support.files(studio, "print")
    assert len(support.prints(studio)) == (2 if order == ORDER else 1)
    _lose_ledger(studio)
    assert support.serve_once(studio, fork_server).made == 1
    assert support.files(studio, "print") == made
    masters = support.files(studio, "masters")
    assert masters["masters/card/Fog.tif"] == support.sha256(support.picture())
    assert len(masters) == (1 if order is None else 2)
    assert support.files(studio, "ready", "review") == {}
    assert support.spool(studio) == []
    assert support.status(studio)["counts"]["printable"] == len(support.prints(studio))


@pytest.mark.parametrize("step", ["row-written", "spooled", "published-written", "original-moved"])
def test_ledger_lost_and_killed_again(
    studio: Studio, fork_server: ForkServer, nursery: support.Nursery, step: str
) -> None:
    """What the prints told survives a kill: the start after that still prints nothing twice."""
    support.drop(studio, "card/Fog.tif", support.picture())
    assert nursery.run(studio, ("print-published", 1))["code"] == -9
    _lose_ledger(studio)
    assert nursery.run(studio, (step, 1))["code"] == -9
    support.serve_once(studio, fork_server)
    assert len(support.prints(studio)) == 1
    assert support.files(studio, "masters")["masters/card/Fog.tif"] == support.sha256(support.picture())
    assert support.files(studio, "ready") == {}


def test_ledger_lost_when_all_is_done(studio: Studio, fork_server: ForkServer) -> None:
    """With everything made and the ledger lost, a start changes nothing; the same picture dropped anew is a new print."""
    support.drop(studio, "card/Fog.tif", support.picture())
    support.drop(studio, "card/Small.tif", support.small_picture())
    support.serve_once(studio, fork_server)
    before = support.files(studio)
    _lose_ledger(studio)
    tally = support.serve_once(studio, fork_server)
    assert (tally.made, tally.turned_back, tally.stuck, tally.deferred) == (0, 0, 0, 0)
    assert support.files(studio) == before
    support.drop(studio, "card/Fog.tif", support.picture())
    assert support.serve_once(studio, fork_server).made == 1
    assert len(support.prints(studio)) == 2


def test_whole_work_folder_lost(studio: Studio, fork_server: ForkServer, nursery: support.Nursery) -> None:
    """Spool and ledger may be thrown away at any time: every picture is still in ready/ or in masters/."""
    support.drop(studio, "card/Fog.tif", support.picture())
    assert nursery.run(studio, ("rendered", 1))["code"] == -9
    for folder, _, names in os.walk(studio.state):
        for name in names:
            if name != "studio":
                os.unlink(os.path.join(folder, name))
    assert support.serve_once(studio, fork_server).made == 1
    assert sorted(support.files(studio)) == [
        "masters/card/Fog.tif",
        f"print/card/{support.SIZE}/Fog.print.txt",
        f"print/card/{support.SIZE}/Fog.proof.jpg",
        f"print/card/{support.SIZE}/Fog.tif",
    ]


def test_strangers_in_print_are_no_prints(studio: Studio, fork_server: ForkServer) -> None:
    """Files in print/ that are not ours, or no pictures at all, teach a new ledger nothing and stay."""
    os.makedirs(studio.path("print", "card"))
    for name, data in (("Mine.tif", support.picture(3)), ("Text.tif", b"no picture"), ("Empty.tif", b"")):
        with open(studio.path("print", "card", name), "wb") as stream:
            stream.write(data)
    os.mkfifo(studio.path("print", "card", "Pipe.tif"))
    support.drop(studio, "card/Fog.tif", support.picture())
    assert support.serve_once(studio, fork_server).made == 1
    assert sorted(os.listdir(studio.path("print", "card"))) == [
        support.SIZE, "Empty.tif", "Mine.tif", "Pipe.tif", "Text.tif"
    ]  # fmt: skip


def test_picture_that_brings_the_service_down_is_parked(
    studio: Studio, fork_server: ForkServer, nursery: support.Nursery
) -> None:
    """Killed four times with the same picture in hand: it is parked with why, stays in ready/, and others go on."""
    support.drop(studio, "card/Fog.tif", support.picture())
    for _ in range(4):
        assert nursery.run(studio, ("judged", 1))["code"] == -9
    support.drop(studio, "card/Good.tif", support.picture(2))
    tally = support.serve_once(studio, fork_server)
    assert tally.made == 1
    (job,) = support.status(studio)["jobs"]
    assert job["state"] == "stuck"
    assert "killed 4 times" in job["says"]
    assert support.files(studio, "ready").keys() == {"ready/card/Fog.tif"}
    assert support.spool(studio) == []
