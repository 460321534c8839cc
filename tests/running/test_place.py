"""Nobody's files but ours: whose folders these are, who serves them, and what happens while one of them is not there."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest

from printqueue.core.errors import StudioError, WorldError
from printqueue.ledger import LedgerReader, schema
from printqueue.sandbox import ForkServer
from printqueue.service import starting, steps, waiting
from printqueue.service.lock import StudioLock, is_served
from printqueue.service.loop import Service, Tally
from printqueue.studio import marker
from printqueue.studio.folders import MARKED_FOLDERS, Studio, open_studio, put_back
from printqueue.studio.marker import MARK, MARKER, Served
from tests.running import support

pytestmark = pytest.mark.slow

Patch = pytest.MonkeyPatch
OLD_MARKER = b"This folder is a printqueue studio. Without this file the service takes the share for not mounted.\n"
ELSEWHERE = Served(
    "tide-mill", "0123456789ab", "ba9876543210", "deadbeef", "2026-11-25T05:00:00Z", "2026-11-25T05:59:00Z"
)


class _Lent:
    """The session's fork server, which outlives the service that it is lent to."""

    def __init__(self, fork_server: ForkServer) -> None:
        self._fork_server = fork_server
        self.child = fork_server.child

    def close(self) -> None:
        """It is not ours."""


@pytest.fixture(autouse=True)
def lent(fork_server: ForkServer, monkeypatch: Patch) -> None:
    """Services that are started as the command starts them, with the session's fork server."""
    monkeypatch.setattr(starting, "ForkServer", lambda _: _Lent(fork_server))
    monkeypatch.setattr(waiting, "_BACK_OFF_S", (0.1,))


def serve(studio: Studio) -> Tally:
    """`serve --once`, from lock to ledger as the command does it."""
    with starting.running_service(open_studio(studio.root), once=True, watch=False) as service:
        return service.run()


@contextmanager
def serving(studio: Studio) -> Iterator[Service]:
    """`serve` in a thread."""
    with starting.running_service(open_studio(studio.root), once=False, watch=False) as service:
        thread = threading.Thread(target=service.run)
        thread.start()
        try:
            yield service
        finally:
            service.stop()
            thread.join(support.SOON_S)
            assert not thread.is_alive(), "the service did not stop"


def tree(top: str | Path) -> dict[str, bytes | None]:
    """Everything below `top`: relative name → bytes, None for a folder."""
    return {
        os.path.relpath(path, top): None if path.is_dir() else path.read_bytes()
        for path in sorted(Path(top).rglob("*"))
    }


def set_state(studio: Studio, state: str | Path) -> Studio:
    """The studio with another `state:`."""
    Path(studio.path("studio.yaml")).write_text(f"{support.SETTINGS}state: {state}\n")
    return open_studio(studio.root)


def fog(studio: Studio, name: str = "card/Fog.tif", seed: int = 1) -> None:
    """A good picture in ready/."""
    support.drop(studio, name, support.picture(seed))


def older(studio: Studio) -> None:
    """Make the studio one of an earlier version: a marker without identity, no marks, a ledger that knows no studio."""
    Path(studio.marker).write_bytes(OLD_MARKER)
    for folder in [*map(studio.path, MARKED_FOLDERS), studio.state]:
        Path(folder, MARK).unlink(missing_ok=True)
    if not os.path.exists(studio.ledger):
        return
    import sqlite3

    with closing(sqlite3.connect(studio.ledger, isolation_level=None)) as connection:
        before = next(n for n, text in enumerate(schema.MIGRATIONS) if "CREATE TABLE studio" in text)
        connection.execute("DROP TABLE IF EXISTS studio")
        connection.execute(f"PRAGMA user_version = {before}")


def problem(studio: Studio, words: str) -> bool:
    """Whether status says so."""
    return any(words in said for said in support.problems(studio))


# -- whose is the state folder? -----------------------------------------------------------


def test_a_state_folder_of_somebody_else(studio: Studio, tmp_path: Path) -> None:
    """A folder with files of others is not taken for the state folder: the service does not start, nothing in it changes."""
    other = tmp_path / "var"
    (other / "spool" / "mail").mkdir(parents=True)
    (other / "spool" / "mail" / "anna").write_text("a letter")
    (other / "log").write_text("somebody's log\n")
    before = tree(other)
    fog(studio)
    aimed = set_state(studio, other)
    with pytest.raises(StudioError, match=r"holds files that are not this studio's \(log, spool\)"):
        serve(aimed)
    assert tree(other) == before
    assert support.command(aimed, "serve", "--once").returncode == 3
    assert tree(other) == before
    assert list(support.files(studio)) == ["ready/card/Fog.tif"]


@pytest.mark.parametrize("made", ["new", "below a new one", "empty", "its own disk"])
def test_a_new_state_folder(studio: Studio, tmp_path: Path, made: str) -> None:
    """A new or empty folder is taken, marked with the studio's identity, and found again."""
    folder = tmp_path / "local" / ("state" if made == "below a new one" else "")
    if made in ("empty", "its own disk"):
        folder.mkdir(parents=True)
    if made == "its own disk":
        (folder / "lost+found").mkdir()
    aimed = set_state(studio, folder)
    for name in ("Fog", "Nets"):
        fog(studio, f"card/{name}.tif")
        assert serve(aimed).made == 1
    assert marker.id_in(marker.read(str(folder / MARK))) == studio.identity != ""
    assert len(LedgerReader(aimed.ledger).prints()) == 2


def test_two_studios_name_one_state_folder(studio: Studio, tmp_path: Path) -> None:
    """The second is refused, while the first runs and after it has ended; the first one's record stays its own."""
    other = support.new_studio(tmp_path / "other")
    first, second = set_state(studio, tmp_path / "state"), set_state(other, tmp_path / "state")
    fog(first)
    with serving(first), pytest.raises(StudioError, match="belongs to another studio"):
        serve(second)
    with pytest.raises(StudioError, match="belongs to another studio"):
        serve(second)
    serve(first)
    assert [p.path for p in LedgerReader(first.ledger).prints()] == ["card/Fog.tif"]


def test_the_private_folder_of_another_studio(studio: Studio, tmp_path: Path) -> None:
    """`state:` that names another studio's own `.printqueue` is refused, whether that studio has an identity yet or not."""
    other = support.new_studio(tmp_path / "other")
    serve(other)
    aimed = set_state(studio, other.state)
    for _ in range(2):
        before = tree(other.state)
        with pytest.raises(StudioError, match="belongs to another studio"):
            serve(aimed)
        assert tree(other.state) == before
        older(other)


def test_the_ledger_of_another_studio(studio: Studio, tmp_path: Path) -> None:
    """Another studio's ledger in our own private folder is refused: two histories never mix."""
    other = support.new_studio(tmp_path / "other")
    serve(other)
    os.makedirs(studio.state, exist_ok=True)
    shutil.copy(other.ledger, studio.ledger)
    fog(studio)
    with pytest.raises(StudioError, match="the record of another studio"):
        serve(studio)
    os.unlink(studio.ledger)
    assert serve(studio).made == 1


def test_a_state_folder_of_another_user(studio: Studio, tmp_path: Path, monkeypatch: Patch) -> None:
    """A state folder outside the studio is worked in by its owner alone, even where the mark is right."""
    aimed = set_state(studio, tmp_path / "state")
    serve(aimed)
    monkeypatch.setattr(os, "geteuid", lambda: os.getuid() + 1)
    with pytest.raises(StudioError, match="belongs to another user"):
        StudioLock(aimed)


def test_a_private_folder_that_another_user_put_there(studio: Studio, monkeypatch: Patch) -> None:
    """Who may write into the studio can swap its private folder for their own, with a ledger that says what they like: the
    service does not start on it, though it might as root.
    """
    fog(studio)
    before = tree(studio.root)
    if os.geteuid() == 0:
        os.chown(studio.path(".printqueue"), 65534, -1)
    else:
        monkeypatch.setattr(os, "geteuid", lambda: os.getuid() + 1)
    with pytest.raises(StudioError, match="belongs to another user"):
        serve(studio)
    assert tree(studio.root) == before


def test_a_ledger_that_another_user_put_there(studio: Studio, tmp_path: Path) -> None:
    """An older ledger in a folder of ours makes it our state folder only where it is ours as well."""
    if os.geteuid() != 0:
        pytest.skip("only root can make another user's file")
    there = set_state(studio, tmp_path / "state")
    serve(there)
    older(there)
    os.chown(there.ledger, 12345, 12345)
    with pytest.raises(StudioError, match="holds files that are not this studio's"):
        serve(there)
    os.chown(there.ledger, 0, 0)
    serve(there)


@pytest.mark.parametrize("where", ["inside", "elsewhere"])
def test_a_studio_of_an_earlier_version(studio: Studio, tmp_path: Path, where: str) -> None:
    """It is taken over without a word: identity, marks and ledger; its history goes on, and nothing is made twice."""
    there = studio if where == "inside" else set_state(studio, tmp_path / "state")
    fog(studio)
    assert serve(there).made == 1
    older(there)
    assert there.identity == ""
    fog(studio, "card/Nets.tif", 2)
    assert serve(there).made == 1
    assert there.identity != ""
    assert {marker.id_in(marker.read(there.path(name, MARK))) for name in MARKED_FOLDERS} == {there.identity}
    assert len(LedgerReader(there.ledger).prints()) == 2
    assert serve(there).made == 0


def test_an_earlier_state_folder_with_a_damaged_ledger(studio: Studio, tmp_path: Path) -> None:
    """A damaged ledger proves nothing; with nothing but our own names beside it, it is taken over and rebuilt."""
    there = set_state(studio, tmp_path / "state")
    fog(studio)
    serve(there)
    older(there)
    data = Path(there.ledger).read_bytes()
    Path(there.ledger).write_bytes(data[:4096] + b"\xa5" * (len(data) - 4096))
    before = dict(tree(there.state))
    (tmp_path / "state" / "letters").write_text("a letter")
    with pytest.raises(StudioError, match="holds files that are not"):
        serve(there)
    (tmp_path / "state" / "letters").unlink()
    assert tree(there.state) == before
    assert serve(there).made == 0


@pytest.mark.parametrize("last", ["ready", "daybook", "marker"])
def test_killed_while_it_is_taken_over(studio: Studio, monkeypatch: Patch, last: str) -> None:
    """Whatever was marked before the kill decides: the next start goes on with the same identity."""
    older(studio)
    real, write = marker.put, marker.write_marker

    def put(folder: str, identity: str) -> str:
        number = real(folder, identity)
        if os.path.basename(folder) == last:
            raise KeyboardInterrupt
        return number

    def stop(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        patch.setattr(marker, "put", put)
        if last == "marker":
            patch.setattr(marker, "write_marker", stop)
        with pytest.raises(KeyboardInterrupt):
            serve(studio)
    assert marker.write_marker is write
    begun = marker.id_in(marker.read(studio.path("ready", MARK)))
    fog(studio)
    assert serve(studio).made == 1
    assert studio.identity == begun


def test_only_what_is_proved_ours_leaves_the_spool(studio: Studio, caplog: pytest.LogCaptureFixture) -> None:
    """At the start attempts that are over go from spool/; what is not named so, or of a number never given, stays and is said."""
    fog(studio)
    serve(studio)
    spool = Path(studio.private("spool"))
    for name in ("1/1", "1/3"):
        (spool / name).mkdir(parents=True)
        (spool / name / "picture").write_bytes(b"half")
    for name in ("mail", "99", "01", "0", "-1"):
        (spool / name / "1").mkdir(parents=True)
        (spool / name / "1" / "anna").write_text("a letter")
    (spool / "letter").write_text("a letter")
    (spool / "2").symlink_to(spool / "mail")
    before = {name: found for name, found in tree(spool).items() if not name.startswith("1")}
    serve(studio)
    assert tree(spool) == before
    assert "holds 7 entries that the ledger knows nothing of" in caplog.text


def test_a_foreign_file_inside_an_attempts_folder_of_ours(studio: Studio) -> None:
    """spool/1/ goes only as far as it holds attempts."""
    fog(studio)
    serve(studio)
    spool = Path(studio.private("spool"))
    (spool / "1" / "1").mkdir(parents=True)
    (spool / "1" / "anna").write_text("a letter")
    serve(studio)
    assert tree(spool) == {"1": None, "1/anna": b"a letter"}


# -- one service for a studio ---------------------------------------------------------------


def test_another_state_under_a_running_service(studio: Studio, tmp_path: Path) -> None:
    """`state:` changed while a service runs does not let a second one in: the studio itself is locked."""
    with serving(studio):
        support.until(lambda: support.status(studio)["last_scan"], "a first look")
        aimed = set_state(studio, tmp_path / "state")
        with pytest.raises(StudioError, match="already looks after"):
            serve(aimed)
        assert is_served(aimed)
    serve(aimed)


def test_the_lock_file_is_removed(studio: Studio) -> None:
    """Without its lock file a service takes no more pictures, says so, and no second one comes in; put back, it goes on."""
    lock = studio.private("lock")
    with serving(studio):
        support.until(lambda: support.status(studio)["last_scan"], "a first look")
        os.rename(lock, lock + ".away")
        support.until(lambda: problem(studio, "no longer the file"), "it is said")
        assert is_served(studio)
        with pytest.raises(StudioError, match="already looks after"):
            serve(studio)
        fog(studio)
        os.rename(lock + ".away", lock)
        support.until(lambda: support.prints(studio), "the print is made")
        support.until(lambda: not support.problems(studio), "nothing more is said")


@pytest.mark.parametrize("swap", ["removed", "another"])
def test_the_ledger_is_taken_away(
    studio: Studio, caplog: pytest.LogCaptureFixture, monkeypatch: Patch, swap: str
) -> None:
    """A ledger that is deleted or swapped under the service is not recorded into for ever: no picture is taken, and the log says so."""
    serve(studio)
    looks: list[str] = []
    with serving(studio) as running:
        wait = running._wait_for_world

        def counted(says: str) -> float | None:
            looks.append(says)
            return wait(says)

        monkeypatch.setattr(running, "_wait_for_world", counted)
        support.until(lambda: support.status(studio)["last_scan"], "a first look")
        os.rename(studio.ledger, studio.ledger + ".away")
        if swap == "another":
            shutil.copy(studio.ledger + ".away", studio.ledger)
        support.until(lambda: "ledger.sqlite is no longer the file" in caplog.text, "it is said")
        fog(studio)
        said = len(looks)
        support.until(lambda: len(looks) > said + 1, "two more looks")
        assert list(support.files(studio)) == ["ready/card/Fog.tif"]
        os.replace(studio.ledger + ".away", studio.ledger)
        support.until(lambda: support.prints(studio), "the print is made")
    assert len(LedgerReader(studio.ledger).prints()) == 1


def test_the_ledger_is_taken_away_before_publication(studio: Studio, monkeypatch: Patch) -> None:
    """Nothing gets a name in print/ while the ledger that holds the intent is not there."""
    fog(studio)

    def reached(step: str) -> None:
        if step == "intent-written":
            os.rename(studio.ledger, studio.ledger + ".away")

    with monkeypatch.context() as patch:
        patch.setattr(steps, "reached", reached)
        assert serve(studio).made == 0
    assert support.prints(studio) == []
    os.replace(studio.ledger + ".away", studio.ledger)
    assert serve(studio).deferred == 0
    assert support.prints(studio) == ["card/60x50 mm/Fog.tif"]


def test_another_studio_at_the_same_path(studio: Studio, tmp_path: Path) -> None:
    """Another studio that is put in its place is not served by the running service, and not recorded in its ledger."""
    other = support.new_studio(tmp_path / "other")
    there = set_state(studio, tmp_path / "state")
    fog(other)
    with serving(there):
        support.until(lambda: support.status(there)["last_scan"], "a first look")
        os.rename(studio.root, tmp_path / "away")
        os.rename(other.root, studio.root)
        support.until(lambda: problem(there, "Another studio stands at"), "it is said")
        assert list(support.files(studio)) == ["ready/card/Fog.tif"]
        os.rename(studio.root, other.root)
        os.rename(tmp_path / "away", studio.root)
        support.until(lambda: not support.problems(there), "the first one is back")
    assert LedgerReader(there.ledger).prints() == []


def test_the_same_studio_comes_back_as_another_file(studio: Studio) -> None:
    """A marker with the same identity and another inode (a share mounted again) is locked anew, and work goes on."""
    with serving(studio):
        support.until(lambda: support.status(studio)["last_scan"], "a first look")
        shutil.copy2(studio.marker, studio.marker + ".new")
        os.rename(studio.marker, studio.marker + ".old")
        os.rename(studio.marker + ".new", studio.marker)
        fog(studio)
        support.until(lambda: support.prints(studio), "the print is made")
        os.unlink(studio.private("lock"))
        with pytest.raises(StudioError, match="already looks after"):
            serve(studio)


def _seen_elsewhere(studio: Studio, seconds_ago: float) -> None:
    descriptor = os.open(studio.marker, os.O_RDWR)
    marker.write_served(descriptor, ELSEWHERE)
    os.close(descriptor)
    then = os.stat(studio.marker).st_mtime - seconds_ago
    os.utime(studio.marker, (then, then))


def test_two_machines(studio: Studio) -> None:
    """A studio whose marker says that a service on another machine was seen a short while ago is refused; later it is not."""
    fog(studio)
    _seen_elsewhere(studio, 20)
    with pytest.raises(
        StudioError, match=r"tide-mill, looks after .* since 2026-11-25T05:00:00Z, .* last seen 2\d s ago"
    ):
        serve(studio)
    assert list(support.files(studio)) == ["ready/card/Fog.tif"]
    _seen_elsewhere(studio, 600)
    assert serve(studio).made == 1
    assert "served by: nobody" in Path(studio.marker).read_text()


def test_two_machines_at_once(studio: Studio) -> None:
    """Of two that started in the same instant, the one whose note was written over sees that, and takes no more pictures."""
    with serving(studio):
        support.until(lambda: support.status(studio)["last_scan"], "a first look")
        said = marker.served_in(Path(studio.marker).read_text())
        assert said is not None
        assert said.host == marker._machine()[0]
        _seen_elsewhere(studio, 0)
        support.until(lambda: problem(studio, "on another machine, tide-mill"), "it is said")
        fog(studio)
        _seen_elsewhere(studio, 600)
        support.until(lambda: support.prints(studio), "the other has gone, and work goes on")


def test_a_machine_that_was_started_again(studio: Studio) -> None:
    """After a power cut the note of this very machine's earlier start does not keep the service from starting."""
    host, machine, _ = marker._machine()
    descriptor = os.open(studio.marker, os.O_RDWR)
    marker.write_served(descriptor, Served(host, machine, "ba9876543210", "deadbeef", "2026", "2026"))
    os.close(descriptor)
    fog(studio)
    assert serve(studio).made == 1


def test_the_note_is_kept_fresh(studio: Studio) -> None:
    """The marker is written now and then, in place, and its length and file stay."""
    now = [0.0]
    lock = StudioLock(studio, lambda: f"at-{now[0]:.0f}", clock=lambda: now[0])
    try:
        before = os.stat(studio.marker)
        for at_s, seen in ((5.0, "at-0"), (25.0, "at-25"), (30.0, "at-25")):
            now[0] = at_s
            lock.beat()
            assert f"last seen {seen} " in Path(studio.marker).read_text()
        after = os.stat(studio.marker)
        assert (after.st_ino, after.st_size) == (before.st_ino, before.st_size)
    finally:
        lock.release()


# -- a folder that is not there -----------------------------------------------------------------


@pytest.mark.parametrize("name", ["ready", "print", "review", "masters"])
@pytest.mark.parametrize("instead", ["nothing", "an empty folder", "another studio's"])
def test_a_folder_that_is_not_there(studio: Studio, tmp_path: Path, name: str, instead: str) -> None:
    """Its absence is said by its name, holds pictures back and blames none; nothing is made in its place, nothing in it is
    taken for gone; when it is back, all goes on.
    """
    support.drop(studio, "card/Small.tif", support.small_picture())
    assert serve(studio).turned_back == 1
    support.drop(studio, "card/Stone.tif", b"no picture")
    with serving(studio):
        support.until(lambda: not os.path.exists(studio.path("ready/card/Stone.tif")), "a first look")
        os.rename(studio.path(name), tmp_path / "away")
        if instead != "nothing":
            os.mkdir(studio.path(name))
        if instead == "another studio's":
            marker.put(studio.path(name), marker.new_id())
        support.until(lambda: problem(studio, f"{name}/ "), "it is said")
        if name != "ready":
            fog(studio)
        support.until(lambda: problem(studio, f"{name}/ "), "it is said again")
        standing = list(support.files(studio, name))
        assert standing == []
        assert support.command(studio, "status").returncode == 3
        if instead != "nothing":
            shutil.rmtree(studio.path(name))
        os.rename(tmp_path / "away", studio.path(name))
        if name == "ready":
            fog(studio)
        support.until(lambda: support.prints(studio) and not support.problems(studio), "all goes on")
        support.until(lambda: not support.files(studio, "ready"), "the pictures have moved")
        support.until(lambda: not support.status(studio)["counts"]["working"], "that is recorded")
    states = {p.path: p.state for p in LedgerReader(studio.ledger).prints()}
    assert states == {"card/Small.tif": "review", "card/Stone.tif": "review", "card/Fog.tif": "printable"}
    assert support.prints(studio) == ["card/60x50 mm/Fog.tif"]


STEPS = ("spooled", "rendered", "verified", "intent-written", "print-published", "published-written", "original-moved")


def test_what_waits_for_a_folder_is_seen(studio: Studio, tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    """While print/ is away, each picture is listed as waiting, with the reason; the log has that once, and its end once."""
    fog(studio)
    os.rename(studio.path("print"), tmp_path / "away")
    with serving(studio):
        support.until(lambda: support.status(studio)["jobs"] != [], "it is listed")
        (job,) = support.status(studio)["jobs"]
        assert (job["picture"], job["paper"], job["state"]) == ("card/Fog.tif", "card", "waiting")
        assert job["says"].startswith("print/ is not there")
        seen = support.status(studio)["last_scan"]
        support.until(lambda: support.status(studio)["last_scan"] != seen, "it looks again")
        os.rename(tmp_path / "away", studio.path("print"))
        support.until(lambda: support.prints(studio), "it is made")
    said = [record.getMessage() for record in caplog.records]
    assert sum("print/ is not there" in line for line in said) == 1
    assert sum("all there again" in line for line in said) == 1


def test_missing_profiles_are_said(studio: Studio, tmp_path: Path) -> None:
    """profiles/ has no mark, but without it nothing can be printed: `status` says so and ends with 3."""
    os.rename(studio.path("profiles"), tmp_path / "away")
    with serving(studio):
        support.until(lambda: problem(studio, "profiles/ is not there"), "it is said")
        assert support.command(studio, "status").returncode == 3
        os.rename(tmp_path / "away", studio.path("profiles"))
        support.until(lambda: not support.problems(studio), "that is over")


@pytest.mark.parametrize("name", ["print", "masters"])
@pytest.mark.parametrize("step", STEPS)
def test_a_folder_goes_at_a_step(studio: Studio, tmp_path: Path, monkeypatch: Patch, name: str, step: str) -> None:
    """Gone at any step of a picture, with an empty mount point in its place: nothing lands there, and it is made once."""
    fog(studio)

    def reached(at: str) -> None:
        if at == step and not os.path.exists(tmp_path / "away"):
            os.rename(studio.path(name), tmp_path / "away")
            os.mkdir(studio.path(name))

    with monkeypatch.context() as patch:
        patch.setattr(steps, "reached", reached)
        serve(studio)
    assert tree(studio.path(name)) == {}
    os.rmdir(studio.path(name))
    os.rename(tmp_path / "away", studio.path(name))
    serve(studio)
    assert support.prints(studio) == ["card/60x50 mm/Fog.tif"]
    assert support.files(studio, "masters") == {"masters/card/Fog.tif": support.sha256(support.picture())}
    assert support.files(studio, "ready", "review") == {}
    assert support.spool(studio) == []


@pytest.mark.parametrize("step", STEPS[:-1])
def test_ready_goes_at_a_step(studio: Studio, tmp_path: Path, monkeypatch: Patch, step: str) -> None:
    """What lay in a ready/ that is not there just now was not taken away: it is made once, and its master is the original."""
    fog(studio)

    def reached(at: str) -> None:
        if at == step and not os.path.exists(tmp_path / "away"):
            os.rename(studio.path("ready"), tmp_path / "away")
            os.mkdir(studio.path("ready"))

    with monkeypatch.context() as patch:
        patch.setattr(steps, "reached", reached)
        serve(studio)
    assert "withdrawn" not in {str(p.state) for p in LedgerReader(studio.ledger).prints()}
    os.rmdir(studio.path("ready"))
    os.rename(tmp_path / "away", studio.path("ready"))
    serve(studio)
    assert support.prints(studio) == ["card/60x50 mm/Fog.tif"]
    assert support.files(studio, "masters") == {"masters/card/Fog.tif": support.sha256(support.picture())}
    assert support.files(studio, "ready") == {}


def test_a_daybook_that_is_not_there_stops_no_print(studio: Studio) -> None:
    """Pages are worth no print: pictures are made, the folder is named, and it is not made anew."""
    os.rename(studio.path("daybook"), studio.path("daybook.away"))
    fog(studio)
    with serving(studio):
        support.until(lambda: support.prints(studio), "the print is made")
        support.until(lambda: problem(studio, "daybook/ is not there"), "it is said")
    assert not os.path.exists(studio.path("daybook"))


def test_init_puts_folders_back(studio: Studio) -> None:
    """Folders that the photographer took away come back at `init`, by name and marked; a second time nothing is to be done."""
    for name in ("print", "comparisons"):
        shutil.rmtree(studio.path(name))
    os.unlink(studio.path("masters", MARK))
    fog(studio)
    with pytest.raises(WorldError, match="print/ is not there"):
        serve(studio)
    ended = support.command(studio, "init")
    assert ended.returncode == 0, ended.stderr
    assert "print/ is back, and empty." in ended.stdout
    assert "masters/ carries the studio's mark again." in ended.stdout
    assert serve(studio).made == 1
    before = tree(studio.root)
    assert support.command(studio, "init").returncode == 3
    assert tree(studio.root) == before


def test_init_leaves_another_studios_folder_alone(studio: Studio) -> None:
    """A folder with another studio's mark is not taken over, not even at `init`."""
    os.unlink(studio.path("masters", MARK))
    marker.put(studio.path("masters"), marker.new_id())
    with pytest.raises(StudioError, match="the mark of another studio"):
        list(put_back(studio))
    with pytest.raises(WorldError, match="masters/ carries the mark of another studio"):
        studio.require_folder("masters")


def test_read_only_ready_needs_no_mark(studio: Studio, monkeypatch: Patch) -> None:
    """ready/ that is mounted read-only cannot be marked; it is taken as it is, other folders are not."""
    for name in ("ready", "print"):
        os.unlink(studio.path(name, MARK))
    real = os.statvfs
    monkeypatch.setattr(os, "statvfs", lambda path: os.statvfs_result((*real(path)[:8], os.ST_RDONLY, 255)))
    studio.require_folder("ready")
    with pytest.raises(WorldError, match="print/ is not there"):
        studio.require_folder("print")


def test_a_group_folder_that_is_called_like_a_master(studio: Studio) -> None:
    """A folder in ready/ with the name of a file in masters/: said by name with what to do, and made once it is renamed."""
    fog(studio)
    serve(studio)
    fog(studio, "card/Fog.tif/Nets.tif", 2)
    with serving(studio):
        support.until(
            lambda: any("/Fog.tif is a file, so" in job["says"] for job in support.status(studio)["jobs"]),
            "it is said",
        )
        os.rename(studio.path("ready/card/Fog.tif"), studio.path("ready/card/Fog"))
        support.until(lambda: len(support.prints(studio)) == 2, "the print is made")


# -- what is read by name ----------------------------------------------------------------------


@pytest.mark.parametrize("command", [["status"], ["doctor"], ["serve", "--once"]])
def test_a_pipe_for_settings(studio: Studio, command: list[str]) -> None:
    """A named pipe called studio.yaml hangs nobody: it is said to be no regular file."""
    os.unlink(studio.path("studio.yaml"))
    os.mkfifo(studio.path("studio.yaml"))
    ended = support.command(studio, *command)
    assert ended.returncode in (2, 3, 78)
    assert "studio.yaml cannot be read: it is not a regular file" in ended.stdout + ended.stderr


@pytest.mark.parametrize("name", ["lock", MARK, MARKER])
def test_pipes_for_marks(studio: Studio, name: str) -> None:
    """Pipes for the lock, for a folder's mark or for the marker hang nobody either."""
    serve(studio)
    path = studio.path("print", MARK) if name == MARK else studio.private(name)
    os.unlink(path)
    os.mkfifo(path)
    assert support.command(studio, "status").returncode == (0 if name == "lock" else 3)
    assert support.command(studio, "serve", "--once").returncode == 3


# -- really mounted -------------------------------------------------------------------------------


_UNMOUNTED = """
import os, subprocess, sys, threading
from pathlib import Path
from printqueue.service.starting import running_service
from printqueue.sandbox import protocol
from printqueue.studio.folders import open_studio, put_back
from tests.running import support
protocol.WORKER = "tests.running.quick_worker"
root, name = sys.argv[1], sys.argv[2]
studio = support.new_studio(root + "/studio")
disk, point = Path(root, "disk"), studio.path(name)
def do(*words): subprocess.run(words, check=True)
disk.mkdir()
do("mount", "-t", "tmpfs", "mill", str(disk))
do("mount", "--bind", str(disk), point)
assert list(put_back(studio)) == [name + "/ carries the studio's mark again."]
support.drop(studio, "card/Small.tif", support.small_picture())
with running_service(open_studio(studio.root), once=False, watch=False) as service:
    thread = threading.Thread(target=service.run)
    thread.start()
    try:
        support.until(lambda: support.status(studio)["counts"]["review"], "turned back")
        do("umount", point)
        support.until(lambda: any(name + "/ is not there" in said for said in support.problems(studio)), "it is said")
        support.drop(studio, "card/Fog.tif", support.picture())
        seen = support.status(studio)["last_scan"]
        support.until(lambda: support.status(studio)["last_scan"] > seen, "another look")
        assert os.listdir(point) == [".printqueue"], os.listdir(point)  # the mark that the folder had before
        assert support.status(studio)["counts"]["review"] == 1
        do("mount", "--bind", str(disk), point)
        support.until(lambda: support.status(studio)["counts"]["printable"], "it is made")
        assert support.status(studio)["counts"]["review"] == 1
    finally:
        service.stop()
        thread.join(30)
print("held")
"""


@pytest.mark.parametrize("name", ["print", "review", "masters"])
def test_really_unmounted(tmp_path: Path, name: str) -> None:
    """A folder on a mount of its own, unmounted under the service: nothing lands beneath, nothing counts as taken."""
    if shutil.which("unshare") is None:
        support.missing("unshare")
    if subprocess.run(["unshare", "-Urm", "true"], capture_output=True, check=False).returncode:
        pytest.skip("this kernel does not permit user namespaces")
    command = ["unshare", "-Urm", sys.executable, "-c", _UNMOUNTED, str(tmp_path), name]
    environment = os.environ | {"PYTHONPATH": str(support.ROOT)}
    ended = subprocess.run(command, capture_output=True, text=True, env=environment, timeout=120, check=False)
    assert ended.stdout.strip() == "held", ended.stderr


_INNER = """
import os, subprocess, sys, threading
from pathlib import Path
from printqueue.service.starting import running_service
from printqueue.sandbox import protocol
from printqueue.studio.folders import open_studio, put_back
from tests.running import support
protocol.WORKER = "tests.running.quick_worker"
root, name = sys.argv[1], sys.argv[2]
studio = support.new_studio(root + "/studio")
disk, point = Path(root, "disk"), studio.path(name)
def do(*words): subprocess.run(words, check=True)
def mount(): do("mount", "--bind", str(disk), point)
disk.mkdir()
do("mount", "-t", "tmpfs", "mill", str(disk))
os.makedirs(point)
mount()
def served(work):
    with running_service(open_studio(studio.root), once=False, watch=False) as service:
        thread = threading.Thread(target=service.run)
        thread.start()
        try:
            work()
        finally:
            service.stop()
            thread.join(30)
def counts(): return support.status(studio)["counts"]
def before():
    support.drop(studio, "card/Fog.tif", support.picture())
    support.drop(studio, "card/Small.tif", support.small_picture())
    support.until(lambda: (counts()["printable"], counts()["review"]) == (1, 1), "both are done")
    do("umount", point)
    support.drop(studio, "card/Late.tif", support.picture(2))
    support.drop(studio, "card/Low.tif", support.picture(8, width=60, height=40))
    without()
def without():
    support.until(lambda: any(name + "/ was a disk" in job["says"] for job in support.status(studio)["jobs"]), "it is said")
    assert os.listdir(point) == [], os.listdir(point)
    assert counts()["withdrawn"] == 0, counts()
served(before)
served(without)  # also after a new start, as when the machine was started and the share was not
def after():
    mount()
    support.until(lambda: (counts()["printable"], counts()["review"]) == (2, 2), "all are done")
    do("umount", point)
    assert list(put_back(studio)) == [name + "/ is a plain folder from now on."]
    support.drop(studio, "card/Last.tif", support.picture(3))
    support.until(lambda: counts()["printable"] == 3, "it is made")
served(after)
print("held")
"""


@pytest.mark.parametrize("name", ["print/card", "review/card", "masters/card"])
def test_a_mount_inside_a_folder_goes(tmp_path: Path, name: str) -> None:
    """One paper's folder on a mount of its own, unmounted: nothing lands beneath, nothing counts as taken, at a new start
    either; what was meant to go there waits, until it is mounted or `init` says that it is a plain folder.
    """
    if shutil.which("unshare") is None:
        support.missing("unshare")
    if subprocess.run(["unshare", "-Urm", "true"], capture_output=True, check=False).returncode:
        pytest.skip("this kernel does not permit user namespaces")
    command = ["unshare", "-Urm", sys.executable, "-c", _INNER, str(tmp_path), name]
    environment = os.environ | {"PYTHONPATH": str(support.ROOT)}
    ended = subprocess.run(command, capture_output=True, text=True, env=environment, timeout=120, check=False)
    assert ended.stdout.strip() == "held", ended.stderr


# -- the ledger is busy --------------------------------------------------------------------------


def test_another_program_holds_the_ledger(studio: Studio, caplog: pytest.LogCaptureFixture) -> None:
    """A lock on the ledger that lasts longer than SQLite waits: said and waited for, and the service goes on."""
    import sqlite3

    with serving(studio) as service:
        support.until(lambda: support.status(studio)["last_scan"], "a first look")
        service.context.ledger._connection.execute("PRAGMA busy_timeout = 50")
        with closing(sqlite3.connect(studio.ledger, isolation_level=None)) as other:
            other.execute("BEGIN IMMEDIATE")
            fog(studio)
            support.until(lambda: "Another program holds the ledger locked" in caplog.text, "it is said")
            other.execute("ROLLBACK")
        support.until(lambda: support.prints(studio), "the print is made")
    assert support.status(studio)["counts"]["stuck"] == 0
