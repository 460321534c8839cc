"""Of two groups of one picture in review/, the older one says so, whole or not at all, once."""

from __future__ import annotations

import os
import re
from pathlib import Path

import pytest

from printqueue.core.disk import durable
from printqueue.core.errors import WorldError
from printqueue.ledger import LedgerReader
from printqueue.sandbox import ForkServer
from printqueue.studio.folders import Studio
from tests.running import support

Patch = pytest.MonkeyPatch
REASON = "review/card/Fog.reason.txt"


@pytest.fixture
def turned_back(studio: Studio, fork_server: ForkServer) -> Studio:
    """A studio with one picture in review/."""
    support.drop(studio, "card/Fog.tif", support.small_picture())
    assert support.serve_once(studio, fork_server).turned_back == 1
    return studio


def reason(studio: Studio, name: str = REASON) -> str:
    """A reason as it stands."""
    return Path(studio.path(name)).read_text("utf-8")


def another(seed: int) -> bytes:
    """Another picture of too few pixels."""
    return support.picture(seed, width=60, height=40)


def test_turned_back_again(turned_back: Studio, fork_server: ForkServer) -> None:
    """The older reason keeps every word below its new first line; the newer one shows before and now; the daybook knows."""
    before = reason(turned_back)
    support.drop(turned_back, "card/Fog.tif", another(8))
    assert support.serve_once(turned_back, fork_server).turned_back == 1
    first, second, blank, *rest = reason(turned_back).split("\n")
    assert first.startswith("Superseded: a newer “Fog.tif” was turned back on 20")
    assert "(job 2)" in first
    assert second.startswith("Nothing more happens to the one here")
    assert (blank, "\n".join(rest)) == ("", before)
    newer = reason(turned_back, "review/card/Fog (2).reason.txt")
    assert newer.startswith("Turned back: “Fog.tif”")
    assert re.search(r"^Before    resolution 30(\.\d)? ppi, now the same\.$", newer, re.MULTILINE)
    assert newer.count("Fog (2).order.yaml") == 1
    page = Path(turned_back.path("daybook", "index.html")).read_text("utf-8")
    assert page.count("Superseded: a newer “Fog.tif” was turned back on") == 1


def test_made_afterwards(turned_back: Studio, fork_server: ForkServer) -> None:
    """A good picture of the same name supersedes it as well; picture, proof and their bytes stay."""
    before = {name: digest for name, digest in support.files(turned_back, "review").items() if name != REASON}
    support.drop(turned_back, "card/Fog.tif", support.picture())
    assert support.serve_once(turned_back, fork_server).made == 1
    assert reason(turned_back).startswith("Superseded: a newer “Fog.tif” was made on 20")
    after = {name: digest for name, digest in support.files(turned_back, "review").items() if name != REASON}
    assert after == before


def test_the_same_bytes_judged_again(turned_back: Studio, fork_server: ForkServer) -> None:
    """A copy of a picture in review/ is judged anew: the older reason and proof go to past/, the picture stays untouched."""
    before = reason(turned_back)
    support.drop(turned_back, "card/Fog.tif", support.small_picture())
    assert support.serve_once(turned_back, fork_server).turned_back == 1
    found = support.files(turned_back, "review")
    assert set(found) == {"review/card/Fog.tif"} | {
        f"review/card/Fog (2){ending}" for ending in (".tif", ".reason.txt", ".proof.jpg")
    }
    assert found["review/card/Fog.tif"] == support.sha256(support.small_picture())
    assert Path(turned_back.state, "past", "1", "Fog.reason.txt").read_text("utf-8") == before
    assert LedgerReader(turned_back.ledger).prints()[-1].says.startswith("judged again as job 2")


def test_the_same_bytes_under_another_name(turned_back: Studio, fork_server: ForkServer) -> None:
    """Two names are two pictures for the photographer, whatever is in them: each has its reason."""
    before = reason(turned_back)
    support.drop(turned_back, "card/Fog, once more.tif", support.small_picture())
    support.serve_once(turned_back, fork_server)
    assert reason(turned_back) == before
    assert reason(turned_back, "review/card/Fog, once more.reason.txt").startswith("Turned back: ")


def test_the_same_bytes_for_another_size(turned_back: Studio, fork_server: ForkServer) -> None:
    """For another size the older reason holds as it did."""
    before = reason(turned_back)
    support.drop(turned_back, "card/80x60 mm/Fog.tif", support.small_picture())
    support.serve_once(turned_back, fork_server)
    assert reason(turned_back) == before


def test_another_picture_supersedes_nothing(turned_back: Studio, fork_server: ForkServer) -> None:
    """Another name, or the same name for another size, is another picture."""
    before = reason(turned_back)
    support.drop(turned_back, "card/Net.tif", support.picture())
    support.drop(turned_back, "card/80x60 mm/Fog.tif", another(8))
    support.serve_once(turned_back, fork_server)
    assert reason(turned_back) == before


def test_marked_once(turned_back: Studio, fork_server: ForkServer) -> None:
    """A third version writes nothing into the first reason again; the second is marked by then."""
    support.drop(turned_back, "card/Fog.tif", another(8))
    support.serve_once(turned_back, fork_server)
    once = reason(turned_back)
    support.drop(turned_back, "card/Fog.tif", another(9))
    support.serve_once(turned_back, fork_server)
    assert reason(turned_back) == once
    assert reason(turned_back, "review/card/Fog (2).reason.txt").startswith("Superseded: ")
    assert reason(turned_back, "review/card/Fog (3).reason.txt").startswith("Turned back: ")
    assert len(LedgerReader(turned_back.ledger).superseded()) == 2


def test_the_photographers_words_stay(turned_back: Studio, fork_server: ForkServer) -> None:
    """A reason that was written into, or taken away, is not written again."""
    path = Path(turned_back.path(REASON))
    path.write_text(reason(turned_back) + "Ask the framer about this one.\n", "utf-8")
    theirs = path.read_bytes()
    support.drop(turned_back, "card/Fog.tif", another(8))
    support.serve_once(turned_back, fork_server)
    assert path.read_bytes() == theirs
    os.unlink(turned_back.path("review/card/Fog (2).reason.txt"))
    support.drop(turned_back, "card/Fog.tif", another(9))
    support.serve_once(turned_back, fork_server)
    assert not os.path.exists(turned_back.path("review/card/Fog (2).reason.txt"))
    assert len(LedgerReader(turned_back.ledger).superseded()) == 2


class Killed(BaseException):
    """Stands for a kill: nothing catches it."""


@pytest.mark.parametrize("written", [False, True], ids=["before the file", "between file and record"])
def test_a_kill(turned_back: Studio, fork_server: ForkServer, monkeypatch: Patch, written: bool) -> None:
    """Killed before or after the reason was written: the next start comes to the same end, the text is there once."""
    before = reason(turned_back)
    replace = durable.replace_own

    def killed(path: str, data: bytes) -> None:
        if path.endswith(".reason.txt"):
            if written:
                replace(path, data)
            raise Killed
        replace(path, data)

    support.drop(turned_back, "card/Fog.tif", another(8))
    with monkeypatch.context() as patch:
        patch.setattr(durable, "replace_own", killed)
        with pytest.raises(Killed):
            support.serve_once(turned_back, fork_server)
    assert LedgerReader(turned_back.ledger).superseded() == frozenset()
    support.serve_once(turned_back, fork_server)
    assert reason(turned_back).startswith("Superseded: ")
    assert reason(turned_back).endswith("\n\n" + before)
    assert reason(turned_back).count("Superseded: ") == 1
    assert len(LedgerReader(turned_back.ledger).superseded()) == 1
    assert not [name for name in os.listdir(turned_back.path("review/card")) if name.startswith(durable.TEMP_PREFIX)]


def test_a_full_disk_stops_nothing(turned_back: Studio, fork_server: ForkServer, monkeypatch: Patch) -> None:
    """Where it cannot be written, the newer picture is looked after all the same, and the next look tries again."""
    before = reason(turned_back)
    replace = durable.replace_own

    def full(path: str, data: bytes) -> None:
        if path.endswith(".reason.txt"):
            raise WorldError("The disk is full.")
        replace(path, data)

    support.drop(turned_back, "card/Fog.tif", support.picture())
    with monkeypatch.context() as patch:
        patch.setattr(durable, "replace_own", full)
        assert support.serve_once(turned_back, fork_server).made == 1
    assert reason(turned_back) == before
    support.serve_once(turned_back, fork_server)
    assert reason(turned_back).startswith("Superseded: ")
