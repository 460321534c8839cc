"""Children that were taken over, ended from outside or say too much: what a service makes of them, and of their pictures."""

from __future__ import annotations

import json
import os
import shutil
import sqlite3
import subprocess
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from printqueue.core.disk import durable
from printqueue.core.errors import WorldError
from printqueue.core.model.publication import Publication
from printqueue.core.model.seen import Seen
from printqueue.sandbox import ChildInterruptedError, ChildLimits, ForkServer, client, context
from printqueue.sandbox.context import Context
from printqueue.service import preparing, steps, waiting, workflow
from printqueue.service.context import Ending
from printqueue.service.publication import publish
from printqueue.studio.folders import Studio, put_back
from tests.faults import sound_files
from tests.running import support
from tests.running import taken_over_worker as taken_over

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def hostile() -> Iterator[ForkServer]:
    """A fork server whose children do what the last bytes of a picture say."""
    with support.fork_server_of("tests.running.taken_over_worker") as running:
        yield running


def _shown(studio: Studio) -> dict[str, str]:
    """The hashes that were meant to be shown, by name, out of the ledger's last intent."""
    with closing(sqlite3.connect(studio.ledger)) as connection:
        (row,) = connection.execute("SELECT intent FROM arrivals").fetchone()
    return {placed["final"]: placed["sha256"] for placed in json.loads(row)["placed"]}


@pytest.mark.parametrize("picture", [support.picture(), support.small_picture()], ids=["accepted", "turned back"])
def test_nothing_changes_after_its_hash_was_checked(
    studio: Studio, hostile: ForkServer, monkeypatch: pytest.MonkeyPatch, picture: bytes
) -> None:
    """Who has written a print or a proof picture has ended before that is verified, hashed and shown."""
    real: Callable[..., Any] = publish.show

    def slow(where: Studio, intent: Publication) -> None:
        time.sleep(0.8)  # time enough for a child that lives
        real(where, intent)
        time.sleep(0.8)

    monkeypatch.setattr(publish, "show", slow)
    support.drop(studio, "card/Fog.tif", picture + taken_over.LINGERING)
    tally = support.serve_once(studio, hostile)
    assert (tally.made + tally.turned_back, tally.stuck, tally.deferred) == (1, 0, 0)
    meant = _shown(studio)
    assert [name for name in meant if name.endswith((".tif", ".proof.jpg"))] != []
    assert {name: durable.sha256(studio.path(name)) for name in meant} == meant
    assert not any(b"spoiled" in Path(studio.path(name)).read_bytes() for name in meant)


@pytest.mark.parametrize("fault", [taken_over.TALKATIVE, taken_over.TALKATIVE_AT_ONCE], ids=["judge", "probe"])
def test_what_has_too_much_to_say_is_turned_back(studio: Studio, hostile: ForkServer, fault: bytes) -> None:
    """An answer far longer than any is the picture's fault: it is turned back with that reason, and others are made."""
    data = support.picture() + fault
    support.drop(studio, "card/Fog.tif", data)
    support.drop(studio, "card/Good.tif", support.picture(2))
    tally = support.serve_once(studio, hostile)
    assert (tally.made, tally.turned_back, tally.stuck, tally.deferred) == (1, 1, 0, 0)
    said = support.reason(studio, "card/Fog.reason.txt")
    assert "more than any picture has to say" in said
    assert support.files(studio, "review")["review/card/Fog.tif"] == support.sha256(data)


@pytest.mark.parametrize("number", range(len(taken_over.HEADERS)))
def test_a_header_that_no_picture_has(studio: Studio, hostile: ForkServer, number: int) -> None:
    """An answer that nothing can be reckoned with ends no service, at no start, and loosens no limit: its picture is parked."""
    support.drop(studio, "card/Fog.tif", support.picture() + taken_over.HEADER + b"%d" % number)
    support.drop(studio, "card/Good.tif", support.picture(2))
    tally = support.serve_once(studio, hostile)
    assert (tally.made, tally.stuck) == (1, 1)
    (job,) = [one for one in support.status(studio)["jobs"] if one["state"] == "stuck"]
    assert "makes no sense" in job["says"]
    assert support.serve_once(studio, hostile).stuck == 0


@pytest.mark.parametrize("way", [taken_over.HOARDING, taken_over.FILLING], ids=["memory", "disk"])
def test_what_is_written_to_has_a_bound(studio: Studio, hostile: ForkServer, way: bytes) -> None:
    """Memory that a child shares with the service lies outside its own limit, and its end would not free it: it is bounded.
    So is a print: a small one can take no gigabyte of the disk.
    """
    support.drop(studio, "card/Fog.tif", support.picture() + way)
    tally = support.serve_once(studio, hostile)
    assert (tally.made, tally.turned_back, tally.stuck) == (1, 0, 0)


def test_a_hash_that_is_none(studio: Studio, hostile: ForkServer) -> None:
    """What a child calls a hash reaches notes and answers as it is, so anything else makes no sense: nothing is published."""
    support.drop(studio, "card/Fog.tif", support.picture() + taken_over.HASH)
    assert support.serve_once(studio, hostile).stuck == 1
    (job,) = support.status(studio)["jobs"]
    assert "makes no sense" in job["says"]
    assert support.files(studio).keys() == {"ready/card/Fog.tif"}


def test_what_fails_before_the_claim_ends_no_service(
    studio: Studio, hostile: ForkServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A fault of ours met before a picture is claimed parks that picture; the others are made, also at the next start."""
    real = preparing.prepare

    def fails(context: Any, seen: Seen, *more: Any, **options: Any) -> Any:
        return 1 / 0 if seen.path == "card/Fog.tif" else real(context, seen, *more, **options)

    monkeypatch.setattr(workflow, "prepare", fails)
    for name, seed in (("card/Fog.tif", 1), ("card/Good.tif", 2)):
        support.drop(studio, name, support.picture(seed))
    tally = support.serve_once(studio, hostile)
    assert (tally.made, tally.stuck) == (1, 1)
    assert support.serve_once(studio, hostile).stuck == 0


def test_ended_from_outside_is_no_strike(studio: Studio, hostile: ForkServer) -> None:
    """What the kernel ends for want of memory waits without a strike and is tried again; in the end it is parked, and why."""
    path = support.drop(studio, "card/Fog.tif", support.picture() + taken_over.OUTSIDE)
    assert support.serve_once(studio, hostile).deferred == 1
    (job,) = support.status(studio)["jobs"]
    assert job["state"] == "waiting"
    assert "from outside" in job["says"]
    assert "says nothing about the picture" in job["says"]
    stamp = durable.lstamp(path)
    assert stamp is not None
    with support.service(studio, hostile) as running:
        outcomes = [workflow.process(running.context, Seen("card/Fog.tif", stamp)) for _ in range(6)]
    assert [outcome.ending for outcome in outcomes] == [Ending.DEFERRED] * 5 + [Ending.STUCK]
    assert "happened 6 times" in outcomes[-1].says
    with closing(sqlite3.connect(studio.ledger)) as connection:
        assert connection.execute("SELECT strikes FROM arrivals").fetchall() == [(0,)]
    assert support.files(studio).keys() == {"ready/card/Fog.tif"}
    assert support.spool(studio) == []


def test_a_profile_is_not_blamed_for_a_kill(
    studio: Studio, hostile: ForkServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A child that is ended from outside while it looks through a paper's profile says nothing about the profile."""

    def killed(*_: object) -> None:
        raise ChildInterruptedError("was ended by signal 9 (SIGKILL), from outside")

    monkeypatch.setattr(context, "ask", killed)
    with support.service(studio, hostile) as running:
        running.context._tones = {}
        with pytest.raises(WorldError, match="from outside") as caught:
            running.context.stock(running.context.shelf.papers["card"])
    assert "profile" not in str(caught.value)


def test_a_child_has_all_that_it_needs(new_studio: Callable[..., Studio], tmp_path: Path) -> None:
    """No task tries to load or open anything, for a file of any kind: a child that is shut in would go on without."""
    studio = new_studio("settle: 0 s\nscan: 60 s\nwatch: poll\n")
    for number, (kind, make) in enumerate(sound_files.PICTURES.items()):
        ending = next((end for word, end in (("JPEG", "jpg"), ("PNG", "png")) if kind.startswith(word)), "tif")
        support.drop(studio, f"card/{number:02}.{ending}", make())
    support.drop(
        studio,
        "card/order.yaml",
        b"size: 120x110 mm\nborder: {style: even, width: 25 mm}\nhairline: 0.3 mm\nfoot_line: 3 mm\n",
    )
    with support.fork_server_of("tests.running.observed_worker") as fork_server:
        tally = support.serve_once(studio, fork_server)
    said = [job["says"] for job in support.status(studio)["jobs"] if job["state"] in ("stuck", "waiting")]
    assert said == []
    assert tally.made + tally.turned_back == len(sound_files.PICTURES)
    assert tally.made > tally.turned_back


@pytest.fixture
def frozen(studio: Studio, tmp_path: Path) -> Iterator[Callable[[str], object]]:
    """print/ on a file system of its own; freezes and thaws it. "-f" freezes, "-u" thaws."""
    if os.geteuid() != 0 or not Path("/dev/loop-control").exists():
        pytest.skip("only root can mount")
    for tool in ("mkfs.ext4", "fsfreeze"):
        if shutil.which(tool) is None:
            support.missing(tool)
    image, folder = tmp_path / "image", studio.path("print")
    image.write_bytes(bytes(32 << 20))
    subprocess.run(["mkfs.ext4", "-q", image], check=True, timeout=60)
    if subprocess.run(["mount", "-o", "loop", image, folder], check=False, timeout=60).returncode != 0:
        pytest.skip("no loop devices here")
    list(put_back(studio))  # its mark
    try:
        yield lambda how: subprocess.run(["fsfreeze", how, folder], check=True, timeout=60)
    finally:
        subprocess.run(["fsfreeze", "-u", folder], check=False, capture_output=True, timeout=60)
        subprocess.run(["umount", folder], check=True, timeout=60)


def test_a_hanging_disk_stops_no_other_folder(
    studio: Studio, hostile: ForkServer, frozen: Callable[[str], object], monkeypatch: pytest.MonkeyPatch
) -> None:
    """While print/ hangs in the middle of a print, pictures for review/ go on, those for print/ wait with the reason, and
    all of them are made once it answers again.
    """
    monkeypatch.setattr(Context, "limits", ChildLimits(memory=2_000_000_000, stalled_s=1.0))
    monkeypatch.setattr(client, "_DYING_S", 0.3)
    monkeypatch.setattr(waiting, "_BACK_OFF_S", (0.5,))
    hanging: list[str] = []
    monkeypatch.setattr(steps, "reached", lambda step: _freeze_once(step, hanging, frozen))
    support.drop(studio, "card/Fog.tif", support.picture())
    with support.serving(studio, hostile) as running:
        support.until(lambda: "does not answer" in str(support.status(studio)["jobs"]), "it waits for the disk")
        support.drop(studio, "card/Small.tif", support.small_picture())
        support.drop(studio, "card/Kelp.tif", support.picture(2))
        running.wake()
        support.until(
            lambda: "review/card/Small.tif" in support.files(studio, "review"), "the small one is turned back"
        )
        frozen("-u")
        support.until(lambda: len(support.prints(studio)) == 2, "both are made")
    assert support.files(studio, "ready") == {}
    assert not [name for name in support.files(studio, "print") if "/.printqueue" in name]


def _freeze_once(step: str, hanging: list[str], frozen: Callable[[str], object]) -> None:
    if step == "temp-made" and not hanging:
        hanging.append(step)
        frozen("-f")
