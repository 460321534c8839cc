"""The ledger over the years: earlier versions, damage, what is no ledger of ours, copies, and what `check` finds."""

from __future__ import annotations

import hashlib
import os
import random
import sqlite3
import stat
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from printqueue.core.disk import durable, filesystems
from printqueue.core.disk.filesystems import FileSystem
from printqueue.core.errors import PrintqueueError, StudioError, UsageError
from printqueue.core.model.job import Sighting, State
from printqueue.core.model.why import told
from printqueue.ledger import (
    Ledger,
    LedgerDamagedError,
    LedgerError,
    LedgerNewerError,
    LedgerReader,
    Wanted,
    file,
    open_ledger,
    opening,
    schema,
)
from printqueue.ledger.rescue import rebuild
from printqueue.ledger.rescue.backup import back_up
from printqueue.ledger.rescue.care import MAX_NAMED, check_up
from printqueue.ledger.transactions import suspect_mark
from printqueue.service import state_folder
from printqueue.service.starting import intent_is_whole
from printqueue.studio.folders import Studio
from printqueue.studio.settings import Config
from tests.stamps import stamp

NOW = "2026-11-25T06:00:00Z"
ASIDE = "ledger-set-aside-2026-11-25T06-00-00Z.sqlite"
PROFILE, RULES = b"profile bytes", b"rules text"
INTENT = '{"kind": "print", "placed": [], "moved": [], "says": ""}'
TABLES = ("arrivals", "prints", "kept", "facts")


class KilledError(BaseException):
    """Stands for SIGKILL: nothing of ours catches it."""


@pytest.fixture
def path(tmp_path: Path) -> str:
    """Where the ledger lies."""
    return str(tmp_path / "ledger.sqlite")


def sha256(data: bytes) -> str:
    """SHA-256 in hex."""
    return hashlib.sha256(data).hexdigest()


def opened(path: str) -> Ledger:
    """As a service that starts opens it."""
    return open_ledger(path, lambda: NOW, intent_is_whole)


def make(ledger: Ledger, number: int) -> int:
    """One print that was made, as the service records it; its job number."""
    arrival = ledger.claim(f"card/A4/Kelp {number}.tif", stamp(number, 10, 10))
    ledger.copied(arrival.id, sha256(str(number).encode()))
    (job,) = ledger.plan_prints(arrival.id, [("card", "A4", 1, "{}")])
    ledger.judged(job, "accepted", [{"check": "whole"}], {"noise": number / 7})
    ledger.keep(sha256(PROFILE), "profile", PROFILE)
    ledger.keep(sha256(RULES), "rules", RULES)
    hashes = {"profile_sha256": sha256(PROFILE), "rules_sha256": sha256(RULES)}
    ledger.made(job, output=f"print/card/A4/Kelp {number}.tif", recipe=f"recipe {number}", **hashes)
    ledger.intend(arrival.id, INTENT)
    ledger.published(arrival.id, INTENT)
    ledger.settle(arrival.id, State.PRINTABLE, "made")
    return job


@pytest.fixture(scope="module")
def year(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """A ledger of 60 prints, and one picture stuck before anything of it was planned, closed properly."""
    path = str(tmp_path_factory.mktemp("year") / "ledger.sqlite")
    with closing(Ledger(path, lambda: NOW)) as ledger:
        ledger._connection.execute("PRAGMA synchronous = OFF")  # it is thrown away
        ledger._full = False
        for number in range(60):
            make(ledger, number)
        ledger.settle(ledger.claim("card/A4/Net.tif", stamp(7, 7, 7)).id, State.STUCK, "twice")
    return Path(path).read_bytes()


def rows(path: str) -> dict[str, dict[int, tuple[Any, ...]]]:
    """Table → row number → all values (facts without those that a rebuild adds)."""
    with closing(sqlite3.connect(path)) as connection:
        found = {table: {r[0]: r[1:] for r in connection.execute(f"SELECT rowid, * FROM {table}")} for table in TABLES}
    found["facts"] = {number: row for number, row in found["facts"].items() if row[3] not in ("rebuilt", "remembered")}
    return found


def page_size(data: bytes) -> int:
    """Bytes 16 and 17 of the header, sqlite.org/fileformat2.html#page_size."""
    return int.from_bytes(data[16:18], "big")


def spoil(data: bytes, number: int) -> bytes:
    """The same file with page `number` (from 1) written over."""
    size = page_size(data)
    return data[: (number - 1) * size] + b"\xa5" * size + data[number * size :]


def page_in_the_middle(data: bytes) -> int:
    """The number of a page of the table `arrivals` with rows from its middle: a leaf (first byte 13,
    fileformat2.html#b_tree_pages), and only arrivals hold intents.
    """
    size = page_size(data)
    pages = [data[at : at + size] for at in range(0, len(data), size)]
    (found,) = [n for n, page in enumerate(pages, 1) if page[0] == 13 and b"Kelp 30.tif" in page and b'"kind"' in page]
    return found


# -- earlier versions ---------------------------------------------------------


@pytest.mark.parametrize("version", range(1, schema.NEWEST + 1))
def test_a_migration_keeps_every_row(path: str, version: int) -> None:
    """A ledger of any earlier version, with rows in every table it had, has the same rows and is sound afterwards."""
    with closing(sqlite3.connect(path, isolation_level=None)) as old:
        for number in range(version):
            old.executescript(f"BEGIN;{schema.MIGRATIONS[number]};PRAGMA user_version = {number + 1};COMMIT;")
        hashes = (sha256(PROFILE), sha256(RULES))
        old.execute(
            "INSERT INTO arrivals (id, path, shown, inode, size, mtime_ns, sha256, state, phase, attempt, strikes, since, says)"
            " VALUES (7, ?, 'Fog', 1, 2, 3, 'aa', 'printable', 'done', 2, 1, 'then', 'made')",
            (b"card/Fog\xff.tif",),
        )
        old.execute(
            "INSERT INTO prints (job, arrival, paper, size, copies, verdict, output, recipe, profile_sha256, rules_sha256, made,"
            " settings, findings, measurements) VALUES (9, 7, 'card', 'A4', 3, 'accepted', x'70', 'r', ?, ?, 'then', '{}', '[]', '{}')",
            hashes,
        )
        old.execute("INSERT INTO kept VALUES (?, 'profile', ?)", (hashes[0], PROFILE))
        old.execute("INSERT INTO kept VALUES (?, 'rules', ?)", (hashes[1], RULES))
        old.execute("INSERT INTO facts VALUES (4, 'then', 7, 'printable', 'made')")
        old.execute(
            "INSERT INTO sightings (path, shown, kind, paper, size, since, says)"
            " VALUES (x'61', 'a', 'waiting', 'card', NULL, 'then', 'queued')"
        )
        if version >= 2:
            old.execute("INSERT INTO found_prints (recipe, output) VALUES ('q', x'71')")
    before = rows(path)
    assert LedgerReader(path).sightings() == [Sighting("a", "waiting", "card", None, "then", told("queued"))]
    with closing(opened(path)) as ledger:
        assert ledger.found_print("q") == ("q" if version >= 2 else None)
        assert ledger.claim("card/Net.tif", stamp(1, 2, 3)).id == 8
    reader = LedgerReader(path)
    assert reader.sightings() == [Sighting("a", "waiting", "card", None, "then", told("queued"))]
    assert [(p.job, p.path, p.copies) for p in reader.prints(Wanted(name="fog"))] == [
        (9, os.fsdecode(b"card/Fog\xff.tif"), 3)
    ]
    assert (reader.heartbeat().why, reader.rebuilds()) == ("", [])
    after = rows(path)
    for table in TABLES:  # a migration may add columns at the end
        assert all(after[table][number][: len(row)] == row for number, row in before[table].items())
    assert check_up(path).problems == []


def test_newer_ledger_is_left_alone(path: str, year: bytes, tmp_path: Path) -> None:
    """A whole ledger of a newer printqueue is refused with the way on, and not a byte or name beside it changes."""
    Path(path).write_bytes(year)
    with closing(sqlite3.connect(path)) as connection:
        connection.execute(f"PRAGMA user_version = {schema.NEWEST + 1}")
    before = Path(path).read_bytes()
    with pytest.raises(LedgerNewerError, match=r"newer.*not touched.*Upgrade.*move ledger.sqlite"):
        opened(path)
    for look in (lambda: back_up(path, str(tmp_path / "copy")), lambda: check_up(path)):
        with pytest.raises(LedgerError, match="newer"):
            look()
    assert Path(path).read_bytes() == before
    assert [name for name in os.listdir(tmp_path) if not name.endswith(("-wal", "-shm"))] == ["ledger.sqlite"]


# -- what is no ledger of ours --------------------------------------------------


def _link(path: str) -> None:
    elsewhere = path + ".elsewhere"
    Ledger(elsewhere, lambda: NOW).close()
    os.symlink(elsewhere, path)


def _foreign(path: str) -> None:
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("CREATE TABLE boats (name TEXT)")


def _piped_wal(path: str) -> None:
    Ledger(path, lambda: NOW).close()
    os.mkfifo(path + "-wal")


NOT_OURS: list[tuple[Callable[[str], object], str]] = [
    (_link, "symbolic link"),
    (lambda path: os.mkfifo(path), "named pipe"),
    (lambda path: os.mkdir(path), "folder"),
    (_foreign, "no ledger of printqueue"),
    (_piped_wal, "named pipe"),
]


@pytest.mark.parametrize(("put", "says"), NOT_OURS)
def test_what_is_no_ledger_is_refused(path: str, put: Callable[[str], object], says: str) -> None:
    """A link, a pipe, a folder or another program's database is refused at once with what to do, and stays as it is."""
    put(path)
    before = sorted((name, os.lstat(os.path.join(os.path.dirname(path), name)).st_size) for name in _beside(path))
    with pytest.raises(LedgerError, match=says) as refusal:
        opened(path)
    assert refusal.value.do
    after = sorted((name, os.lstat(os.path.join(os.path.dirname(path), name)).st_size) for name in _beside(path))
    assert [one for one in after if not one[0].endswith("-shm")] == before


def _beside(path: str) -> list[str]:
    return os.listdir(os.path.dirname(path))


def test_pipe_does_not_hold_a_reader(path: str) -> None:
    """`status` at a named pipe ends with a sentence instead of waiting for a writer."""
    os.mkfifo(path)
    with pytest.raises(LedgerError, match="named pipe"):
        LedgerReader(path).counts()


def test_another_users_ledger(path: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """The service does not write another user's ledger; who may read it may look into it."""
    Ledger(path, lambda: NOW).close()
    stranger = os.stat(path).st_uid + 1
    monkeypatch.setattr(os, "geteuid", lambda: stranger)
    with pytest.raises(LedgerError, match="belongs to another user"):
        opened(path)
    assert LedgerReader(path).heartbeat().watch == "poll"


def test_new_ledger_is_private(path: str) -> None:
    """Names of pictures are nobody else's business: a new ledger has mode 0600, whatever the umask."""
    before = os.umask(0)
    try:
        opened(path).close()
    finally:
        os.umask(before)
    assert stat.S_IMODE(os.stat(path).st_mode) == 0o600


@pytest.mark.parametrize(
    ("kind", "refused"), [("nfs4", True), ("cifs", True), ("fuse.sshfs", True), ("ext4", False), ("unknown", False)]
)
def test_ledger_on_a_share_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, kind: str, refused: bool
) -> None:
    """On a network file system the service does not start, and names the setting; a local or unknown one is taken."""
    asked: list[str] = []

    def of(path: str) -> FileSystem:
        asked.append(path)
        return FileSystem("/", kind)

    monkeypatch.setattr(filesystems, "of", of)
    studio = Studio(str(tmp_path), Config(state="elsewhere"))
    os.mkdir(studio.state)
    if refused:
        with pytest.raises(StudioError, match=f"on a share.*{kind}.*`state: ") as refusal:
            state_folder.require_local_state(studio)
        assert refusal.value.exit_code == 3
    else:
        state_folder.require_local_state(studio)
    assert asked == [studio.state]


# -- damage -------------------------------------------------------------------


@pytest.mark.parametrize("first", range(1, 10))
def test_any_lost_page_costs_its_own_rows_only(tmp_path: Path, year: bytes, first: int) -> None:
    """Whichever page is written over, the service starts: with rows that all stood there before and none besides, with
    the damaged file set aside as it was, and with numbers that were never given. No loss is said to be none.
    """
    whole_file = tmp_path / "whole.sqlite"
    whole_file.write_bytes(year)
    whole = rows(str(whole_file))
    for page in range(first, len(year) // page_size(year) + 1, 9):
        folder = tmp_path / str(page)
        folder.mkdir()
        path = str(folder / "ledger.sqlite")
        damaged = spoil(year, page)
        Path(path).write_bytes(damaged)
        with closing(opened(path)) as ledger:
            assert ledger.is_new
            (rebuilt,) = LedgerReader(path).rebuilds()
            kept = rows(path)
            lost = {table for table in TABLES if len(kept[table]) < len(whole[table])}
            assert all(kept[table].items() <= whole[table].items() for table in TABLES), page
            assert lost == {table for table in TABLES if rebuilt.salvaged[table]["dropped"] or not
                            rebuilt.salvaged[table]["whole"]}, page  # fmt: skip
            assert ledger.claim("card/New.tif", stamp(1, 2, 3)).id > max(whole["arrivals"]), page
        assert (folder / ASIDE).read_bytes() == damaged
        assert check_up(path).problems == [] or lost, page


def test_rows_on_both_sides_of_a_damaged_page_are_saved(path: str, year: bytes) -> None:
    """A table is read from both ends: the newest prints, the ones that matter, are not lost with one in the middle."""
    Path(path).write_bytes(spoil(year, page_in_the_middle(year)))
    with closing(opened(path)) as ledger:
        paths = {p.path for p in LedgerReader(path).prints()}
        assert {"card/A4/Kelp 0.tif", "card/A4/Kelp 59.tif"} <= paths
        assert 30 < len(paths) < 60
        assert not ledger._all("PRAGMA foreign_key_check")


@pytest.mark.parametrize("damage", [b"", b"no database at all " * 100, b"SQLite format 3\0" + b"\xff" * 5000])
def test_nothing_readable(path: str, damage: bytes) -> None:
    """Of a file in which nothing can be read, nothing is taken over, and it is kept; an empty one is a new ledger."""
    Path(path).write_bytes(damage)
    with closing(opened(path)) as ledger:
        assert ledger.is_new
        assert [one.aside for one in LedgerReader(path).rebuilds()] == ([ASIDE] if damage else [])
    if damage:
        assert Path(path).with_name(ASIDE).read_bytes() == damage


def test_cut_short(path: str, year: bytes) -> None:
    """A ledger whose end is missing is damage, and what is left of it is read."""
    Path(path).write_bytes(year[: len(year) * 7 // 10])
    with closing(opened(path)):
        (rebuilt,) = LedgerReader(path).rebuilds()
    assert 0 < rebuilt.salvaged["arrivals"]["rows"] < 61
    assert 0 < rebuilt.salvaged["prints"]["rows"] < 60
    assert not all(one["whole"] and not one["dropped"] for one in rebuilt.salvaged.values())


ILLEGAL = (
    "UPDATE arrivals SET path = x'2e2e2f612e746966' WHERE id = 1",
    "UPDATE arrivals SET path = x'2f657463' WHERE id = 2",
    "UPDATE arrivals SET state = 'flying' WHERE id = 3",
    "UPDATE arrivals SET phase = 'published', intent = NULL WHERE id = 4",
    "UPDATE arrivals SET intent = '{\"kind\": 1}' WHERE id = 5",
    """UPDATE arrivals SET intent = '{"kind": "print", "placed": [], "says": "", "moved": [{"source": "ready/a",
    "target": "../a", "inode": 1, "size": 1, "mtime_ns": 1}]}' WHERE id = 6""",
    "DELETE FROM arrivals WHERE id = 7",
)


def test_illegal_rows_are_not_believed(path: str, year: bytes) -> None:
    """Rows with paths out of the studio, unknown words, intents that say nothing, JSON that is none or bytes with
    another hash stay behind, and so does what belongs to them; each is counted.
    """
    Path(path).write_bytes(year)
    with closing(sqlite3.connect(path, isolation_level=None)) as old:
        for sql in ILLEGAL:
            old.execute(sql)
        old.execute("UPDATE prints SET findings = 'none' WHERE job = 20")
        old.execute("UPDATE prints SET output = x'612f2e2e2f62' WHERE job = 21")
        old.execute("UPDATE kept SET bytes = x'00' WHERE kind = 'rules'")
    made = rebuild.rebuild(path, "a test", lambda: NOW, intent_is_whole)
    assert {name: (one["rows"], one["dropped"]) for name, one in made.salvaged.items() if name != "facts"} == {
        "arrivals": (61 - 7, 6), "prints": (60 - 7 - 2, 9), "kept": (1, 1), "rebuilds": (0, 0)
    }  # fmt: skip
    assert "Not everything in it could be read" in made.says


def test_a_kill_anywhere_in_a_rebuild_is_made_good(
    tmp_path: Path, year: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Killed at any of its effects on the disk, the next start comes to the same ledger and the same set-aside files."""
    names = ("create", "sync", "sync_folder", "rename_no_clobber", "remove")
    real = {name: getattr(durable, name) for name in names}
    ends, kills, done = set(), 0, False
    while not done:
        folder = tmp_path / str(kills)
        folder.mkdir()
        path = str(folder / "ledger.sqlite")
        _crashed_and_damaged(path, year)
        before = {name: (folder / name).read_bytes() for name in ("ledger.sqlite", "ledger.sqlite-wal")}
        left = [kills]

        def counted(name: str, left: list[int] = left) -> Callable[..., Any]:
            def call(*values: Any) -> Any:
                left[0] -= 1
                if left[0] < 0:
                    raise KilledError
                return real[name](*values)

            return call

        for name in names:
            monkeypatch.setattr(durable, name, counted(name))
        try:
            opened(path).close()
            done = True
        except KilledError:
            kills += 1
        for name in names:
            monkeypatch.setattr(durable, name, real[name])
        with closing(opened(path)) as ledger:
            assert ledger.is_new
            assert len(LedgerReader(path).rebuilds()) == 1
        ends.add(repr(rows(path)))
        assert (folder / ASIDE).read_bytes() == before["ledger.sqlite"]
        assert (folder / (ASIDE + "-wal")).read_bytes() == before["ledger.sqlite-wal"]
        assert {name for name in os.listdir(folder) if not name.endswith("-shm")} == {
            "ledger.sqlite", ASIDE, ASIDE + "-wal"
        }  # fmt: skip
    assert kills >= 10
    assert len(ends) == 1


def _crashed_and_damaged(path: str, year: bytes) -> None:
    """The state after a power cut with a -wal, and a page of the database lost besides."""
    working = path + ".working"
    Path(working).write_bytes(year)
    with closing(Ledger(working, lambda: NOW)) as ledger:
        ledger.claim("card/Late.tif", stamp(1, 2, 3))
        for part in ("", "-wal"):
            Path(path + part).write_bytes(Path(working + part).read_bytes())
    for part in ("", "-wal", "-shm"):
        durable.remove(working + part)
    data = Path(path).read_bytes()
    Path(path).write_bytes(spoil(data, page_in_the_middle(data)))


def test_rows_of_the_wal_are_saved(path: str, year: bytes) -> None:
    """What was committed and stands only in the -wal comes into the new ledger."""
    _crashed_and_damaged(path, year)
    with closing(opened(path)) as ledger:
        assert ledger.last_at("card/Late.tif") is not None


def test_wal_without_its_ledger_is_kept(path: str) -> None:
    """Somebody deleted ledger.sqlite alone: a new one is made, and the -wal is not thrown away nor taken for its own."""
    Path(path + "-wal").write_bytes(b"frames")
    with closing(opened(path)) as ledger:
        assert ledger.is_new
    assert Path(path).with_name(ASIDE + "-wal").read_bytes() == b"frames"


def test_nothing_set_aside_is_overwritten(path: str, year: bytes) -> None:
    """Two rebuilds within one second: two files, two rows, the first as it was."""
    first, second = spoil(year, 3), spoil(year, 4)
    for damaged in (first, second):
        Path(path).write_bytes(damaged)
        opened(path).close()
    assert Path(path).with_name(ASIDE).read_bytes() == first
    assert Path(path).with_name(ASIDE.replace(".sqlite", " (2).sqlite")).read_bytes() == second


def test_message_stands_until_the_file_is_moved(path: str, year: bytes) -> None:
    """A rebuilt ledger says so until somebody has moved the damaged file away, over restarts."""
    Path(path).write_bytes(spoil(year, 3))
    opened(path).close()
    opened(path).close()
    (rebuilt,) = LedgerReader(path).rebuilds()
    assert ASIDE in rebuilt.do
    assert NOW in rebuilt.says
    os.unlink(Path(path).with_name(ASIDE))
    assert LedgerReader(path).rebuilds() == []


def test_rebuilt_is_new_until_print_was_looked_through(path: str, year: bytes) -> None:
    """After a rebuild print/ is looked through once; a print that a saved row accounts for is not remembered again."""
    Path(path).write_bytes(spoil(year, root_page_of(year, "facts")))
    with closing(opened(path)) as ledger:
        assert ledger.is_new
        ledger.remember({"recipe 5": "print/card/A4/Kelp 5.tif", "recipe 6": "print/moved.tif", "lost": "print/x.tif"})
        assert not ledger.is_new
        assert [ledger.found_print(recipe) for recipe in ("recipe 5", "recipe 6", "lost")] == [
            None, "print/moved.tif", "print/x.tif"
        ]  # fmt: skip
    with closing(opened(path)) as ledger:
        assert not ledger.is_new


def root_page_of(data: bytes, name: str) -> int:
    """The first page of a table in a database given as bytes."""
    with closing(sqlite3.connect(":memory:")) as connection:
        connection.deserialize(data[:18] + b"\1\1" + data[20:])  # memory has no WAL: file format versions 1
        return int(connection.execute("SELECT rootpage FROM sqlite_master WHERE name = ?", (name,)).fetchone()[0])


def test_damage_met_in_use_is_found_at_the_next_start(path: str, year: bytes, monkeypatch: pytest.MonkeyPatch) -> None:
    """A big ledger that was closed properly is not read through; damage met in use ends the service with a sentence,
    and the next start looks at everything, however cleanly that end was.
    """
    monkeypatch.setattr(opening, "QUICKLY_READ_BYTES", 0)
    Path(path).write_bytes(spoil(year, root_page_of(year, "arrivals_by_path")))
    with closing(opened(path)) as ledger:
        assert not os.path.exists(suspect_mark(path))
        with pytest.raises(LedgerDamagedError, match=r"The service stops.*Start it again"):
            ledger.last_at("card/A4/Kelp 5.tif")
    assert os.path.exists(suspect_mark(path))
    with closing(opened(path)) as ledger:
        assert ledger.last_at("card/A4/Kelp 5.tif") is not None
        assert len(LedgerReader(path).prints()) == 60  # it was the index: no row was lost
    assert not os.path.exists(suspect_mark(path))
    assert Path(path).with_name(ASIDE).exists()


def test_a_suspicion_that_does_not_hold_is_dropped(path: str, year: bytes) -> None:
    """A mark beside a sound ledger (memory that failed once) costs one thorough look, and changes nothing."""
    Path(path).write_bytes(year)
    Path(suspect_mark(path)).write_bytes(b"")
    opened(path).close()
    assert sorted(_beside(path)) == ["ledger.sqlite"]
    assert rows(path)["prints"].keys() == set(range(1, 61))


@pytest.mark.parametrize(
    "sql",
    [
        "DROP INDEX arrivals_by_path",
        "DROP INDEX arrivals_by_path; CREATE INDEX arrivals_by_path ON arrivals (path) WHERE id > 5",
        "DROP TABLE found_prints",
        "ALTER TABLE arrivals RENAME COLUMN strikes TO strikos",
        "ALTER TABLE kept RENAME TO kelp",
        "PRAGMA user_version = 0",
        "PRAGMA user_version = -1",
        "PRAGMA user_version = 50331651",
    ],
)
def test_changed_tables_are_damage(path: str, year: bytes, sql: str) -> None:
    """Tables that are not as the migrations made them, or a version number that there never was: damage, which SQLite
    does not see; `check` names it, and the service rebuilds the ledger with every row of the tables that are whole.
    """
    Path(path).write_bytes(year)
    whole = rows(path)
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.executescript(sql)
    with pytest.raises(LedgerDamagedError):
        check_up(path)
    with closing(opened(path)) as ledger:
        make(ledger, 61)
        ledger.scanned("poll", [], [])
    renamed = {"kept"} if "kelp" in sql else {"arrivals", "prints"} if "strikos" in sql else set()
    assert all(whole[table].items() <= rows(path)[table].items() for table in set(TABLES) - renamed)


def test_schema_that_is_no_text(path: str, year: bytes) -> None:
    """SQLite quotes damaged names in its messages, which then are no text: that is damage, and no crash."""
    Path(path).write_bytes(year.replace(b"INTEGER NOT NULL, size", b"INTEGER NOT NUL\x87, size"))
    with pytest.raises(LedgerError):
        check_up(path)
    with pytest.raises(StudioError, match="cannot be read"):
        LedgerReader(path).prints()
    opened(path).close()
    assert Path(path).with_name(ASIDE).exists()


@pytest.mark.parametrize(
    ("sql", "is_over"),
    [
        ("UPDATE arrivals SET phase = 'do2e' WHERE id = 5", True),
        ("UPDATE arrivals SET says = CAST(x'80ff' AS TEXT) WHERE id = 5", True),
        ("UPDATE prints SET settings = '{' WHERE job = 5", True),
        ("UPDATE arrivals SET state = 'workin\x07' WHERE id = 5", False),
        ("UPDATE arrivals SET state = 'review', intent = '{}' WHERE id = 5", False),
    ],
)
@pytest.mark.parametrize("is_big", [False, True])
def test_row_that_makes_no_sense(
    path: str, year: bytes, monkeypatch: pytest.MonkeyPatch, sql: str, is_over: bool, is_big: bool
) -> None:
    """Damage inside a row is none to SQLite. It is found at the start; in a big ledger only where the service will act
    on the row, else it ends with a sentence when it meets it, and the next start rebuilds the ledger without that row.
    """
    if is_big:
        monkeypatch.setattr(opening, "QUICKLY_READ_BYTES", 0)
    Path(path).write_bytes(year)
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.execute(sql)
    if is_big and is_over:
        with closing(opened(path)) as ledger, pytest.raises(LedgerDamagedError, match="Start it again"):
            (ledger.last_at("card/A4/Kelp 4.tif"), ledger.prints_of(5))
    with closing(opened(path)) as ledger:
        assert len(LedgerReader(path).rebuilds()) == 1
        ledger.last_at("card/A4/Kelp 4.tif")
        ledger.prints_of(5)
    assert len(rows(path)["arrivals"]) >= 60


@pytest.mark.parametrize("seed", range(24))
def test_changed_bytes(path: str, year: bytes, seed: int) -> None:
    """Some bytes changed anywhere: the service starts, records a print and answers, or ends with a sentence after
    which the next start does; or it takes the file for a newer one's and leaves it alone. Never anything else.
    """
    random_ = random.Random(seed)
    data = bytearray(year)
    for _ in range(random_.choice([1, 5, 40])):
        data[random_.randrange(len(data))] = random_.randrange(256)
    Path(path).write_bytes(data)
    try:
        _use(path)
    except LedgerDamagedError:
        _use(path)
    except LedgerNewerError:
        assert Path(path).read_bytes() == data


def _use(path: str) -> None:
    with closing(opened(path)) as ledger:
        make(ledger, 61)
        ledger.scanned("poll", [], [])
        (ledger.arrivals(*State), ledger.review_targets())
        reader = LedgerReader(path)
        (reader.prints(), reader.unplanned(), reader.counts(), reader.sightings(), reader.heartbeat())


# -- copies -------------------------------------------------------------------


@pytest.fixture
def ledger(path: str) -> Iterator[Ledger]:
    """A new ledger with one print made."""
    with closing(opened(path)) as made:
        make(made, 1)
        yield made


def test_copy_while_the_service_writes(ledger: Ledger, path: str, tmp_path: Path) -> None:
    """A copy taken in the middle of a transaction of the service is what was committed: one file, sound, private."""
    committed = rows(path)
    copy = str(tmp_path / "copy.sqlite")
    with ledger._transaction(None, "") as run:
        run("UPDATE arrivals SET says = 'half way'", ())
        assert back_up(path, copy) == os.stat(copy).st_size
    assert rows(copy) == committed
    assert check_up(copy).problems == []
    assert stat.S_IMODE(os.stat(copy).st_mode) == 0o600
    assert Path(copy).read_bytes()[18:20] == b"\1\1"  # no WAL, fileformat2.html#file_format_version_numbers
    assert {name for name in _beside(path) if "ledger" not in name} >= {"copy.sqlite"}
    assert not [name for name in _beside(path) if name.startswith(".")]


def test_a_copy_can_take_the_ledgers_place(ledger: Ledger, path: str, tmp_path: Path) -> None:
    """The service goes on with a copy as with the ledger itself."""
    copy = str(tmp_path / "copy.sqlite")
    back_up(path, copy)
    with closing(opened(copy)) as again:
        assert not again.is_new
        assert make(again, 2) == 2


@pytest.mark.parametrize("put", [lambda p: Path(p).write_bytes(b"mine"), lambda p: os.symlink("nowhere", p)])
def test_copy_never_overwrites(ledger: Ledger, path: str, tmp_path: Path, put: Callable[[str], object]) -> None:
    """A name that is taken, by a dangling link too, is refused, and what has it stays."""
    copy = str(tmp_path / "copy.sqlite")
    put(copy)
    before = (os.lstat(copy).st_ino, os.lstat(copy).st_size)
    with pytest.raises(UsageError, match="there already"):
        back_up(path, copy)
    assert (os.lstat(copy).st_ino, os.lstat(copy).st_size) == before


def test_name_taken_at_the_last_moment(
    ledger: Ledger, path: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A file that comes under the name while the copy is made stays, and no other is left."""
    copy = tmp_path / "copy.sqlite"
    real = durable.sync

    def meanwhile(name: str) -> None:
        copy.write_bytes(b"mine")
        real(name)

    monkeypatch.setattr(durable, "sync", meanwhile)
    with pytest.raises(UsageError, match="there already"):
        back_up(path, str(copy))
    assert copy.read_bytes() == b"mine"
    assert not [name for name in _beside(path) if name.startswith(".")]


def test_no_copy_of_a_damaged_ledger(path: str, year: bytes, tmp_path: Path) -> None:
    """A copy that would not be sound is not left lying about as if it were one."""
    Path(path).write_bytes(spoil(year, 5))
    with pytest.raises(LedgerError, match=r"ledger (itself )?was not touched"):
        back_up(path, str(tmp_path / "copy.sqlite"))
    assert not [name for name in _beside(path) if not name.startswith("ledger.sqlite")]


def test_copy_by_way_of_a_link(ledger: Ledger, path: str, tmp_path: Path) -> None:
    """Whoever runs the command may name a folder by a link; the copy lies in the true folder. A bare folder is none."""
    (tmp_path / "disk").mkdir()
    (tmp_path / "link").symlink_to("disk")
    back_up(path, str(tmp_path / "link" / "copy.sqlite"))
    assert os.listdir(tmp_path / "disk") == ["copy.sqlite"]
    with pytest.raises(UsageError):
        back_up(path, str(tmp_path / "disk") + "/")


def test_copy_into_no_folder(ledger: Ledger, path: str, tmp_path: Path) -> None:
    """A folder that is not there is not made."""
    with pytest.raises(UsageError, match="no folder"):
        back_up(path, str(tmp_path / "away" / "copy.sqlite"))
    assert not (tmp_path / "away").exists()


# -- what `check` finds ----------------------------------------------------------

PROBLEMS = [
    ("UPDATE arrivals SET state = 'flying'", "'flying' and 'done' are no state and phase"),
    ("UPDATE arrivals SET phase = 'half'", "'printable' and 'half' are no state and phase"),
    ("UPDATE arrivals SET phase = 'published'", "contradict each other"),
    ("UPDATE arrivals SET state = 'working', phase = 'publishing', intent = NULL", "is not recorded"),
    ("UPDATE prints SET output = NULL", "Job 1: made, but the record lacks its output"),
    ("UPDATE prints SET recipe = NULL", "lacks its recipe"),
    ("UPDATE prints SET profile_sha256 = NULL", "lacks its profile"),
    ("DELETE FROM kept WHERE kind = 'rules'", "lacks its kept rules"),
    ("UPDATE prints SET rules_sha256 = profile_sha256", "lacks its kept rules"),
    ("UPDATE kept SET bytes = x'00' WHERE kind = 'profile'", "do not have that hash"),
    ("DELETE FROM prints", "no print of it is recorded"),
    ("UPDATE prints SET findings = '{}'", "its findings cannot be read"),
    ("UPDATE prints SET settings = 'x'", "its settings cannot be read"),
    ("DELETE FROM sqlite_sequence WHERE name = 'prints'", "a number would be given twice"),
    ("PRAGMA foreign_keys = OFF; DELETE FROM arrivals", "that is not there"),
]


@pytest.mark.parametrize(("sql", "says"), PROBLEMS)
def test_check_finds(ledger: Ledger, path: str, sql: str, says: str) -> None:
    """Each breach of what must hold between rows is named; a sound ledger has none."""
    assert check_up(path).problems == []
    ledger.close()
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.executescript(sql)
    assert [problem for problem in check_up(path).problems if says in problem]


def test_check_counts_and_stays_short(path: str, year: bytes) -> None:
    """Rows are counted; of many problems of one kind the first are named, and the rest is a number."""
    Path(path).write_bytes(year)
    assert check_up(path).rows == {"arrivals": 61, "prints": 60, "kept": 2, "facts": 60 * 8 + 4}
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.execute("UPDATE prints SET output = NULL")
    problems = check_up(path).problems
    assert len(problems) == MAX_NAMED + 1
    assert problems[-1] == f"… and {60 - MAX_NAMED} more of that kind."


def test_check_of_a_damaged_ledger(path: str, year: bytes) -> None:
    """Every page: written over, `check` says so, or that it cannot be read; it never passes, and changes nothing."""
    for page in range(1, len(year) // page_size(year) + 1):
        damaged = spoil(year, page)
        Path(path).write_bytes(damaged)
        assert _is_refused(path), page
        assert Path(path).read_bytes() == damaged


def _is_refused(path: str) -> bool:
    try:
        return bool(check_up(path).problems)
    except PrintqueueError as error:
        return bool(error.do)


def test_check_of_an_older_ledger(path: str) -> None:
    """A whole ledger of an earlier version is no damage: it is said, and that the service brings it up to date."""
    with closing(sqlite3.connect(path, isolation_level=None)) as old:
        for number in range(2):
            old.executescript(f"BEGIN;{schema.MIGRATIONS[number]};PRAGMA user_version = {number + 1};COMMIT;")
    (problem,) = check_up(path).problems
    assert "Its version is 2" in problem


def interrupted(path: str, *, has_rows: bool) -> None:
    """What a kill leaves within one transaction of a ledger that has no write-ahead log yet: it is new (or, with rows, was
    just rebuilt), and the file with its rollback journal stands as SQLite had written it when it died.
    """
    other = path + ".other"
    if has_rows:
        make(ledger := Ledger(other, lambda: NOW), 1)
        ledger.close()
    with closing(sqlite3.connect(other, isolation_level=None)) as connection:
        for sql in ("PRAGMA journal_mode = DELETE", "PRAGMA cache_size = 1", "BEGIN IMMEDIATE"):
            connection.execute(sql)
        connection.execute("CREATE TABLE filler AS SELECT randomblob(9000) AS bytes")
        for _ in range(9):  # more than the cache holds, so that pages are written before the commit
            connection.execute("INSERT INTO filler VALUES (randomblob(9000))")
        for part in ("", "-journal"):
            Path(path + part).write_bytes(Path(other + part).read_bytes())
    assert os.path.getsize(path + "-journal") > 0


@pytest.mark.parametrize("has_rows", [False, True], ids=["new", "rebuilt"])
@pytest.mark.parametrize("reader_first", [False, True], ids=["service first", "reader first"])
def test_killed_before_it_had_its_log(path: str, has_rows: bool, reader_first: bool) -> None:
    """A ledger of which a journal is left to be played back: whoever comes first, reader or service, finds it whole."""
    interrupted(path, has_rows=has_rows)
    if reader_first:
        assert sum(LedgerReader(path).counts().values()) == has_rows
    opened(path).close()
    assert [one.job for one in LedgerReader(path).prints()] == [1] * has_rows
    assert not check_up(path).problems
    assert not LedgerReader(path).rebuilds()


def test_reader_that_may_not_play_a_journal_back(path: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """It says whose task that is, instead of SQLite's words of a write that nobody asked for."""
    interrupted(path, has_rows=True)
    monkeypatch.setattr(file, "_play_back", lambda path: None)
    with pytest.raises(StudioError, match=r"middle of a change.*untouched.*Start the service"):
        LedgerReader(path).counts()


def test_a_journal_goes_with_the_ledger_it_belongs_to(path: str) -> None:
    """Set aside together: it is never played back into the new ledger, and the old one is whole with it."""
    interrupted(path, has_rows=True)
    rebuild._move(path, ASIDE)
    assert not [part for part in ("", "-journal") if os.path.lexists(path + part)]
    opened(path).close()
    assert LedgerReader(path).prints() == []
    assert [one.job for one in LedgerReader(os.path.join(os.path.dirname(path), ASIDE)).prints()] == [1]
