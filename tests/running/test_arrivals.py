"""Through the whole service: the order of what reaches the disk, and arrivals that folder services are known to trip over."""

from __future__ import annotations

import fcntl
import os
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from printqueue.core.disk import renaming, room
from printqueue.core.errors import WorldError
from printqueue.ledger import Ledger, LedgerReader
from printqueue.sandbox import Child, ChildDiedError, ForkServer
from printqueue.service import steps, supervisor, workflow
from printqueue.service.context import Attempt, Ending, ServiceContext
from printqueue.service.intake import scan
from printqueue.service.publication import publish
from printqueue.studio.folders import Studio
from tests.running import support

pytestmark = pytest.mark.slow

Patch = pytest.MonkeyPatch
PRINT = "card/60x50 mm/Fog.tif"


def at_steps(patch: Patch, do: Callable[[str], object]) -> None:
    """Call `do` at every named step."""
    patch.setattr(steps, "reached", do)


def arrivals(studio: Studio) -> list[tuple[str, str]]:
    """(path, state) of every picture that was ever claimed, in order."""
    return [(one.path, str(one.state)) for one in LedgerReader(studio.ledger).prints()]


# -- the order of effects -------------------------------------------------------


class Effects:
    """Every fsync, rename and full commit of the service, in order, with paths relative to the studio."""

    def __init__(self, studio: Studio, patch: Patch) -> None:
        self.seen: list[tuple[str, str]] = []
        self._root = studio.root
        real_fsync, real_rename = os.fsync, renaming.rename

        def fsync(descriptor: int) -> None:
            real_fsync(descriptor)
            self.seen.append(("fsync", self._name(os.readlink(f"/proc/self/fd/{descriptor}"))))

        def rename(from_folder: int, source: str, to_folder: int, target: str) -> None:
            old, new = (os.readlink(f"/proc/self/fd/{folder}") for folder in (from_folder, to_folder))
            real_rename(from_folder, source, to_folder, target)
            self.seen.append(("rename", f"{self._name(old)}/{source} -> {self._name(new)}/{target}"))

        patch.setattr(os, "fsync", fsync)
        patch.setattr(renaming, "rename", rename)
        for name in ("intend", "published", "settle"):
            self._listen(patch, name)
        self._listen_to_blocks(patch)

    def _listen(self, patch: Patch, name: str) -> None:
        real = getattr(Ledger, name)

        def commit(ledger: Ledger, *values: Any, **named: Any) -> None:
            real(ledger, *values, **named)
            self.seen.append(("commit", name))

        patch.setattr(Ledger, name, commit)

    def _listen_to_blocks(self, patch: Patch) -> None:
        """The intent is committed at the end of a block of several rows."""
        real = Ledger.together

        @contextmanager
        def block(ledger: Ledger) -> Iterator[None]:
            with real(ledger):
                yield
            self.seen.append(("commit", "block"))

        patch.setattr(Ledger, "together", block)

    def intent(self) -> int:
        """The place where the intent had been committed."""
        assert self.at("commit", "intend") < self.at("commit", "block")
        return self.at("commit", "block")

    def _name(self, path: str) -> str:
        return os.path.relpath(path, self._root)

    def at(self, kind: str, what: str) -> int:
        """The place of the first effect of that kind whose text begins so."""
        return next(i for i, (one, text) in enumerate(self.seen) if one == kind and text.startswith(what))

    def last(self, kind: str, what: str) -> int:
        """The place of the last of them."""
        return max(i for i, (one, text) in enumerate(self.seen) if one == kind and text.startswith(what))


def test_order_of_a_print(studio: Studio, fork_server: ForkServer, monkeypatch: Patch) -> None:
    """Synced before it has its name, intent before the first name, note before print, folder synced before `published`,
    the original last and both its folders synced before `done`.
    """
    support.drop(studio, "card/Fog.tif", support.picture())
    effects = Effects(studio, monkeypatch)
    support.serve_once(studio, fork_server)
    at = effects.at
    folder = "print/card/60x50 mm"
    temps = {name: f"{folder}/.printqueue-1-1-0.{name}" for name in ("txt", "tif")}
    shown = {name: at("rename", f"{temp} -> {folder}/Fog.") for name, temp in temps.items()}
    for name, temp in temps.items():
        assert at("fsync", temp) < effects.intent() < shown[name]
    assert shown["txt"] < shown["tif"]
    moved = at("rename", "ready/card/Fog.tif -> masters/card/Fog.tif")
    assert shown["tif"] < effects.last("fsync", folder) < at("commit", "published") < moved
    assert moved < effects.last("fsync", "ready/card") < at("commit", "settle")
    assert moved < effects.last("fsync", "masters/card") < at("commit", "settle")


def test_order_of_a_picture_turned_back(studio: Studio, fork_server: ForkServer, monkeypatch: Patch) -> None:
    """The reason is synced, shown and its folder synced before the picture leaves ready/."""
    support.drop(studio, "card/Fog.tif", support.small_picture())
    effects = Effects(studio, monkeypatch)
    support.serve_once(studio, fork_server)
    at = effects.at
    temp = "review/card/.printqueue-1-1-reason.txt"
    shown = at("rename", f"{temp} -> review/card/Fog.reason.txt")
    moved = at("rename", "ready/card/Fog.tif -> review/card/Fog.tif")
    assert at("fsync", temp) < effects.intent() < shown < at("commit", "published") < moved
    assert any(shown < i < moved for i, one in enumerate(effects.seen) if one == ("fsync", "review/card"))
    assert moved < effects.last("fsync", "review/card") < at("commit", "settle")


def test_a_print_that_does_not_read_back_is_not_shown(
    studio: Studio, fork_server: ForkServer, monkeypatch: Patch
) -> None:
    """A print file that changes between writing and showing never gets its name; the picture is parked, untouched."""
    picture = support.drop(studio, "card/Fog.tif", support.picture())
    real = publish.verify_temp

    def spoiled(where: Studio, temp: str, sha256: str, name: str) -> None:
        if temp.endswith(".tif"):
            with open(where.path(temp), "r+b") as stream:
                stream.seek(-1, os.SEEK_END)
                last = stream.read(1)
                stream.seek(-1, os.SEEK_END)
                stream.write(bytes([last[0] ^ 1]))
        real(where, temp, sha256, name)

    monkeypatch.setattr(publish, "verify_temp", spoiled)
    tally = support.serve_once(studio, fork_server)
    assert (tally.made, tally.stuck) == (0, 1)
    assert support.files(studio) == {"ready/card/Fog.tif": support.sha256(Path(picture).read_bytes())}


# -- arrivals -------------------------------------------------------------------


def test_ready_is_never_written(studio: Studio, fork_server: ForkServer, monkeypatch: Patch) -> None:
    """Until the original moves, not even its attributes change: we only read it."""
    picture = support.drop(studio, "card/Fog.tif", support.picture())
    before, looked = os.stat(picture), list[str]()

    def look(step: str) -> None:
        if step != "original-moved" and os.path.exists(picture):
            seen = os.stat(picture)
            assert [seen[i] for i in (0, 1, 3, 6)] == [before[i] for i in (0, 1, 3, 6)]
            assert (seen.st_mtime_ns, seen.st_ctime_ns) == (before.st_mtime_ns, before.st_ctime_ns)
            assert os.listdir(os.path.dirname(picture)) == ["Fog.tif"]
            looked.append(step)

    at_steps(monkeypatch, look)
    support.serve_once(studio, fork_server)
    assert {"spooled", "rendered", "published-written"} <= set(looked)
    assert os.stat(studio.path("masters/card/Fog.tif")).st_ino == before.st_ino


def test_seen_many_times(new_studio: Callable[..., Studio], fork_server: ForkServer, monkeypatch: Patch) -> None:
    """However often ready/ is looked through while a picture is in hand, it is one arrival and one print."""
    studio = new_studio(settings=support.SETTINGS.replace("workers: 1", "workers: 3"))
    support.drop(studio, "card/Fog.tif", support.picture())
    sweep, looks, during = scan.Sweeper.sweep, [0], list[str]()

    def counted(sweeper: scan.Sweeper) -> scan.Sweep:
        found = sweep(sweeper)
        looks[0] += 1
        return found

    monkeypatch.setattr(scan.Sweeper, "sweep", counted)
    with support.serving(studio, fork_server) as running:

        def look_again(step: str) -> None:
            for _ in range(2):  # the first may have begun before this step
                before = looks[0]
                running.wake()
                support.until(lambda: looks[0] > before, "another look at ready/")  # noqa: B023 - asked at once
            during.append(step)

        at_steps(monkeypatch, look_again)
        support.until(lambda: "spool-dropped" in during, "the picture is done")
    assert list(dict.fromkeys(during)) == list(steps.ACCEPTED)
    assert arrivals(studio) == [("card/Fog.tif", "printable")]
    assert support.prints(studio) == [PRINT]


def test_attributes_touched_while_working(studio: Studio, fork_server: ForkServer, monkeypatch: Patch) -> None:
    """A file server that touches attributes after the copy was taken makes no second job."""
    picture = support.drop(studio, "card/Fog.tif", support.picture())
    touched = list[str]()

    def touch(step: str) -> None:
        if step in ("spooled", "judged", "rendered"):
            os.chmod(picture, 0o600 + len(touched))
            touched.append(step)

    at_steps(monkeypatch, touch)
    support.serve_once(studio, fork_server)
    assert touched == ["spooled", "judged", "rendered"]
    assert arrivals(studio) == [("card/Fog.tif", "printable")]


@pytest.mark.parametrize("mtime_s", [-86_400, 0, 4_070_908_800], ids=["1969", "1970", "2099"])
def test_times_from_elsewhere(studio: Studio, fork_server: ForkServer, mtime_s: int) -> None:
    """A file from before 1970 or from the future is taken like any other, and keeps its time."""
    support.drop(studio, "card/Fog.tif", support.picture(), mtime_ns=mtime_s * 10**9)
    assert support.serve_once(studio, fork_server).made == 1
    assert os.stat(studio.path("masters/card/Fog.tif")).st_mtime_ns == mtime_s * 10**9


def test_locks_of_others_mean_nothing(studio: Studio, fork_server: ForkServer) -> None:
    """A lock that a program forgot on a picture neither holds it back nor is waited for."""
    picture = support.drop(studio, "card/Fog.tif", support.picture())
    with open(picture, "rb") as stream:
        fcntl.flock(stream, fcntl.LOCK_EX)
        assert support.serve_once(studio, fork_server).made == 1


@pytest.mark.parametrize("good", [True, False])
def test_hard_link_from_an_archive(studio: Studio, fork_server: ForkServer, tmp_path: Path, good: bool) -> None:
    """A picture that is a second name of a file in the photographer's archive leaves that file as it was."""
    archive = tmp_path / "archive.tif"
    data = support.picture() if good else support.small_picture()
    archive.write_bytes(data)
    os.utime(archive, ns=(5, 1_600_000_000_000_000_005))
    os.makedirs(studio.path("ready", "card"))
    os.link(archive, studio.path("ready", "card", "Fog.tif"))
    tally = support.serve_once(studio, fork_server)
    assert (tally.made, tally.turned_back) == (int(good), int(not good))
    assert archive.read_bytes() == data
    assert os.stat(archive).st_mtime_ns == 1_600_000_000_000_000_005
    assert not os.path.exists(studio.path("ready", "card", "Fog.tif"))


def test_master_linked_back_is_printed_again(studio: Studio, fork_server: ForkServer) -> None:
    """A second name of a master in ready/ is a new arrival, and no name of the first is taken or lost."""
    support.drop(studio, "card/Fog.tif", support.picture())
    support.serve_once(studio, fork_server)
    first = support.files(studio)
    os.link(studio.path("masters/card/Fog.tif"), studio.path("ready/card/Fog.tif"))
    support.serve_once(studio, fork_server)
    assert first.items() <= support.files(studio).items()
    assert support.prints(studio) == ["card/60x50 mm/Fog (2).tif", PRINT]
    assert "masters/card/Fog (2).tif" in support.files(studio)


def test_renamed_while_it_waits(new_studio: Callable[..., Studio], fork_server: ForkServer) -> None:
    """The same file under another name is a new arrival; the old one is withdrawn, and one print is made."""
    studio = new_studio()
    profile = Path(studio.path("profiles", "card.icc"))
    picture = support.drop(studio, "card/Fog.tif", support.picture())
    profile.rename(profile.with_suffix(".away"))
    assert support.serve_once(studio, fork_server).deferred == 1
    os.rename(picture, studio.path("ready", "card", "Slip.tif"))
    profile.with_suffix(".away").rename(profile)
    support.serve_once(studio, fork_server)
    assert support.prints(studio) == ["card/60x50 mm/Slip.tif"]
    assert dict(arrivals(studio)).get("card/Fog.tif", "withdrawn") == "withdrawn"


def test_every_file_in_ready_has_one_place_in_status(
    new_studio: Callable[..., Studio], fork_server: ForkServer
) -> None:
    """Whatever is not hidden and stands in ready/ is told of exactly once, with why."""
    studio = new_studio()
    Path(studio.path("profiles", "card.icc")).unlink()
    for name in ("card/Fog.tif", "card/Slip.tmp", "card/x.order.yaml", "nowhere/Net.tif"):
        support.drop(studio, name, support.picture())
    support.drop(studio, "card/Empty.tif", b"")
    support.drop(studio, "card/.hidden.tif", support.picture())
    os.symlink("Fog.tif", studio.path("ready/card/Link.tif"))
    os.mkfifo(studio.path("ready/card/Pipe.tif"))
    support.serve_once(studio, fork_server)
    status = support.status(studio)
    told = [(one["picture"], one["says"]) for one in status["jobs"]]
    told += [(one["file"], one["why"]) for one in status["passed_over"]]
    names = ["Empty.tif", "Fog.tif", "Link.tif", "Pipe.tif", "Slip.tmp", "x.order.yaml"]
    assert sorted(file for file, _ in told) == [*(f"card/{name}" for name in names), "nowhere"]
    assert all(why for _, why in told)


def test_exactly_two_strikes(studio: Studio, fork_server: ForkServer, monkeypatch: Patch) -> None:
    """A picture that ends its child is tried twice, no less and no more, over restarts too."""
    support.drop(studio, "card/Fog.tif", support.picture())
    tried = list[int]()

    def judge(context: ServiceContext, attempt: Attempt, child: Child) -> None:
        tried.append(context.ledger.arrival(attempt.arrival.id).attempt)  # written down before the work
        raise ChildDiedError("was ended by signal 11 (SIGSEGV)")

    monkeypatch.setattr(workflow, "_judge", judge)
    for _ in range(3):
        support.serve_once(studio, fork_server)
    assert tried == [1, 2]
    assert arrivals(studio) == [("card/Fog.tif", "stuck")]


# -- what comes out ---------------------------------------------------------------


@pytest.mark.parametrize(("umask", "mode"), [(0o007, 0o660), (0o022, 0o644)])
def test_prints_can_be_read_by_whom_the_umask_says(
    studio: Studio, fork_server: ForkServer, umask: int, mode: int
) -> None:
    """Prints and notes have the mode that the unit's umask gives, not that of a private temp."""
    support.drop(studio, "card/Fog.tif", support.picture())
    before = os.umask(umask)
    try:
        support.serve_once(studio, fork_server)
    finally:
        os.umask(before)
    for name in support.files(studio, "print"):
        assert os.stat(studio.path(name)).st_mode & 0o777 == mode, name


@pytest.mark.parametrize(
    "order",
    [
        b"paper: ../../outside\n",
        b"paper: /outside\n",
        b"size: ../../outside\n",
        b"size: ..%2foutside\n",
        b'size: "60x50 mm/../../.."\n',
        b'paper: "card\\0"\n',
        b"prints: [{paper: ../outside}]\n",
    ],
)
def test_no_order_leads_out_of_its_folder(
    studio: Studio, fork_server: ForkServer, tmp_path: Path, order: bytes
) -> None:
    """Words of an order never become a path: the picture is turned back into its own folder, nothing stands elsewhere."""
    support.drop(studio, "card/Fog.tif", support.picture())
    support.drop(studio, "card/Fog.order.yaml", order)
    assert support.serve_once(studio, fork_server).turned_back == 1
    assert {os.path.dirname(name) for name in support.files(studio)} == {"review/card"}
    assert os.listdir(tmp_path) == ["studio"]
    assert not any("outside" in name for name in os.listdir(studio.root))


# -- waiting and going on ------------------------------------------------------------


def test_no_room_no_beginning(studio: Studio, fork_server: ForkServer, monkeypatch: Patch) -> None:
    """Where copy and prints would not leave the reserve free, the picture waits before anything of it is written."""
    support.drop(studio, "card/Fog.tif", support.picture())
    with monkeypatch.context() as patch:
        patch.setattr(room, "_free", lambda _: (600_000_000, 599_999_000))
        at_steps(patch, lambda step: pytest.fail(f"{step} was reached"))
        assert support.serve_once(studio, fork_server).deferred == 1
    (job,) = support.status(studio)["jobs"]
    assert job["state"] == "waiting"
    assert "600 MB stay free" in job["says"]
    assert support.serve_once(studio, fork_server).made == 1


def test_what_is_cut_short_gets_more_time(studio: Studio, fork_server: ForkServer) -> None:
    """A picture whose end has not come is looked at again before it is turned back, and made if it came."""
    data = support.picture()
    with support.service(studio, fork_server) as running:

        def attempt(name: str, so_far: bytes, *, patient: bool) -> Ending:
            support.drop(studio, f"card/{name}.tif", so_far)
            seen = next(one for one in scan.sweep(studio.path("ready")).pictures if name in one.path)
            return workflow.process(running.context, seen, patient=patient).ending

        assert attempt("Fog", data[:-9000], patient=False) is Ending.AGAIN
        assert arrivals(studio) == []
        assert attempt("Fog", data, patient=False) is Ending.PRINTABLE
        assert attempt("Slip", data[:-9000], patient=True) is Ending.REVIEW
        assert attempt("Ness", bytes(8) + data[8:], patient=False) is Ending.AGAIN  # its beginning is written last
        assert attempt("Ness", data, patient=False) is Ending.PRINTABLE


def test_temp_lost_after_a_print_was_visible(studio: Studio, fork_server: ForkServer, monkeypatch: Patch) -> None:
    """Stopped between two prints of one order, the second one's temp lost: the visible one stays, and is not made again."""
    support.drop(studio, "card/Fog.tif", support.picture())
    support.drop(studio, "card/Fog.order.yaml", b"prints: [{size: 60x50 mm}, {size: 80x60 mm}]\n")

    def lose(step: str) -> None:
        if step == "print-published":
            os.unlink(studio.path("print/card/80x60 mm/.printqueue-1-1-1.tif"))
            raise WorldError("The share is gone.")

    with monkeypatch.context() as patch:
        at_steps(patch, lose)
        assert support.serve_once(studio, fork_server).deferred == 1
    visible = support.files(studio)[f"print/{PRINT}"]
    for _ in range(2):
        support.serve_once(studio, fork_server)
        assert support.prints(studio) == [PRINT]
        assert support.files(studio)[f"print/{PRINT}"] == visible
    assert {state for _, state in arrivals(studio)} == {"printable"}
    assert support.files(studio)["masters/card/Fog.tif"] == support.sha256(support.picture())


def test_alive_only_after_a_finished_look(studio: Studio, fork_server: ForkServer, monkeypatch: Patch) -> None:
    """The watchdog is fed after each look at ready/ that has ended, and not while one hangs."""
    told, looks = list[str](), [0]
    sweep = scan.Sweeper.sweep
    hang, go_on = threading.Event(), threading.Event()

    def counted(sweeper: scan.Sweeper) -> scan.Sweep:
        if hang.is_set():
            told.append("hangs")
            assert go_on.wait(support.SOON_S)
        looks[0] += 1
        return sweep(sweeper)

    monkeypatch.setattr(supervisor, "tell", lambda state, *_: told.append(state))
    monkeypatch.setattr(scan.Sweeper, "sweep", counted)
    with support.serving(studio, fork_server) as running:
        support.until(lambda: told.count("WATCHDOG=1") >= 2, "two looks are told of")
        hang.set()
        running.wake()
        support.until(lambda: "hangs" in told, "a look that hangs")
        assert told.count("WATCHDOG=1") <= looks[0]
        assert told[-1] == "hangs"
        hang.clear()
        go_on.set()
        support.until(lambda: told[-1] == "WATCHDOG=1", "it goes on")


def test_idle_service_looks_when_a_look_is_due(
    fork_server: ForkServer, new_studio: Callable[..., Studio], monkeypatch: Patch
) -> None:
    """With nothing to do, a service looks at ready/ once per `scan`, not all the time."""
    studio = new_studio("settle: 0 s\nscan: 60 s\nwatch: poll\nworkers: 1\n")
    looks: list[int] = []
    sweep = scan.Sweeper.sweep

    def counted(sweeper: scan.Sweeper) -> scan.Sweep:
        looks.append(1)
        return sweep(sweeper)

    monkeypatch.setattr(scan.Sweeper, "sweep", counted)
    with support.serving(studio, fork_server) as running:
        support.until(lambda: looks, "the first look")
        for _ in range(3):  # woken, but not told of any change
            running._wake.set()
            time.sleep(0.1)
        assert len(looks) == 1
        running.wake()
        support.until(lambda: len(looks) == 2, "a look when there is a reason")
