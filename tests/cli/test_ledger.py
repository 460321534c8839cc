"""`ledger backup` and `ledger check`, and a service that finds its ledger damaged."""

from __future__ import annotations

import os
import shutil
import sqlite3
import subprocess
from contextlib import closing
from pathlib import Path

import pytest

from printqueue.ledger import Ledger, schema
from tests.cli.support import assert_plain, program, run, tree


def ledger_file(studio: Path) -> Path:
    """Where the service keeps its record."""
    return studio / ".printqueue" / "ledger.sqlite"


@pytest.fixture
def copy(worked: Path, tmp_path: Path) -> Path:
    """A studio that has worked, for one test."""
    return Path(shutil.copytree(worked, tmp_path / "copy", symlinks=True))


@pytest.mark.parametrize("action", ["backup", "check"])
def test_help(action: str, capsys: pytest.CaptureFixture[str]) -> None:
    """Each action has help of its own: an example that can be typed, and its exit codes."""
    ran = run(capsys, "ledger", action, "--help")
    assert ran.code == 0
    assert f"example:\n  printqueue ledger {action}" in ran.out
    assert "exit codes: 0 done" in ran.out
    assert "--json" in ran.out
    assert_plain(ran.out)


@pytest.mark.parametrize("words", [[], ["chek"], ["backup"], ["check", "it"]])
def test_bad_use(words: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    """No action, an unknown one, or one without its file: 2, and nothing on standard output."""
    ran = run(capsys, "ledger", *words)
    assert (ran.code, ran.out) == (2, "")


def test_check(worked: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A ledger that a real service wrote is sound in every respect; looking changes nothing."""
    before = tree(worked)
    ran = run(capsys, "-C", str(worked), "ledger", "check", "--json")
    assert (ran.code, ran.json["sound"], ran.json["problems"], ran.json["rebuilt"]) == (0, True, [], [])
    assert list(ran.json) == ["bytes", "version", "rows", "sound", "problems", "rebuilt"]
    assert ran.json["version"] == schema.NEWEST
    assert (ran.json["rows"]["arrivals"], ran.json["rows"]["prints"]) == (4, 4)
    assert tree(worked) == before
    said = run(capsys, "-C", str(worked), "ledger", "check")
    assert (said.code, said.out.startswith("The ledger is sound")) == (0, True)


def test_check_finds_a_lost_profile(copy: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A print whose profile is not on record any more: 3, and the job is named."""
    with closing(sqlite3.connect(ledger_file(copy), isolation_level=None)) as connection:
        connection.execute("DELETE FROM kept WHERE kind = 'profile'")
    ran = run(capsys, "-C", str(copy), "ledger", "check")
    assert ran.code == 3
    assert "lacks its kept profile" in ran.out
    assert "Pictures and prints are untouched" in ran.out


def test_no_ledger_yet(studio: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Before the first start nothing is wrong, there is nothing to copy, and asking makes no ledger."""
    assert run(capsys, "-C", str(studio), "ledger", "check").code == 0
    assert run(capsys, "-C", str(studio), "ledger", "check", "--json").json["sound"] is True
    ran = run(capsys, "-C", str(studio), "ledger", "backup", str(tmp_path / "copy.sqlite"))
    assert (ran.code, "no ledger yet" in ran.err) == (3, True)
    assert not ledger_file(studio).exists()
    assert not (tmp_path / "copy.sqlite").exists()


def test_backup_while_served(copy: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A copy while a transaction of the service is open: sound, private, and a ledger in its own right."""
    target = tmp_path / "copy.sqlite"
    with closing(Ledger(str(ledger_file(copy)), lambda: "2026-11-25T12:00:00Z")) as ledger:
        ledger._connection.execute("BEGIN IMMEDIATE")
        ledger._connection.execute("DELETE FROM facts")
        ran = run(capsys, "-C", str(copy), "ledger", "backup", str(target), "--json")
        ledger._connection.execute("ROLLBACK")
    assert (ran.code, ran.json) == (0, {"file": str(target), "bytes": target.stat().st_size, "sound": True})
    shutil.copy(target, ledger_file(copy))
    history = run(capsys, "-C", str(copy), "history", "--json").json
    assert sum(one["made"] is not None for one in history) == 2
    assert run(capsys, "-C", str(copy), "ledger", "check").code == 0


def test_backup_never_overwrites(worked: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A name that is taken: 2, and what has it stays."""
    target = tmp_path / "mine"
    target.write_bytes(b"mine")
    ran = run(capsys, "-C", str(worked), "ledger", "backup", str(target))
    assert (ran.code, ran.out) == (2, "")
    assert "there already" in ran.err
    assert target.read_bytes() == b"mine"


def serve_once(studio: Path) -> subprocess.CompletedProcess[str]:
    """The real service until nothing is left to do."""
    line = program("-C", str(studio), "serve", "--once", "--no-watch")
    return subprocess.run(line, capture_output=True, text=True, timeout=120, check=False)


@pytest.mark.slow
def test_damaged_ledger_costs_no_print(copy: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A service that finds its ledger damaged goes on with what can be read of it, says so, and makes nothing twice:
    a picture whose print is visible and which still stands in ready/ is finished, although no row of it is left.
    """
    for twin in [*(copy / "masters").rglob("k*"), *(copy / "print").rglob("k*")]:
        twin.unlink()  # of the same bytes, so it would count as this picture's master
    before = tree(copy / "print")
    (master,) = (copy / "masters").rglob("Slipway.tif")
    os.rename(master, copy / "ready" / master.relative_to(copy / "masters"))
    ledger_file(copy).write_bytes(b"barnacles " * 5000)
    ended = serve_once(copy)
    assert ended.returncode in (0, 1), ended.stderr
    assert "the ledger is damaged" in ended.stderr
    assert tree(copy / "print") == before
    assert master.exists()
    (aside,) = (copy / ".printqueue").glob("ledger-set-aside-*.sqlite")
    assert aside.read_bytes() == b"barnacles " * 5000
    assert "was rebuilt" in run(capsys, "-C", str(copy), "status").out
    doctor = {(one["name"], one["state"]) for one in run(capsys, "-C", str(copy), "doctor", "--json").json}
    assert ("ledger", "warn") in doctor
    check = run(capsys, "-C", str(copy), "ledger", "check", "--json").json
    assert [one["set_aside"] for one in check["rebuilt"]] == [aside.name]


def test_newer_ledger_stops_the_service(copy: Path) -> None:
    """The ledger of a newer printqueue: exit 3 with the way on, and nothing is changed."""
    with closing(sqlite3.connect(ledger_file(copy), isolation_level=None)) as connection:
        connection.execute(f"PRAGMA user_version = {schema.NEWEST + 1}")
    before = tree(copy)
    ended = serve_once(copy)
    assert ended.returncode == 3
    assert "newer printqueue" in ended.stderr
    assert "Traceback" not in ended.stderr
    after = tree(copy)
    assert {name: one for name, one in after.items() if name in before} == before
