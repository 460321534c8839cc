"""`status`: the contract's keys, and a look that changes nothing."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import pytest

from printqueue.cli.main import main
from printqueue.ledger import Ledger
from printqueue.studio import StudioLock, open_studio
from tests.cli.support import assert_plain, in_terminal, run, tree

STATES = ["waiting", "working", "printable", "review", "withdrawn", "stuck"]
JOB = ["job", "picture", "paper", "size", "state", "since", "says"]


def test_keys(worked: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Exactly the contract's keys; counts by state; open jobs and passed-over files with the reason; tree untouched."""
    before = tree(worked)
    ran = run(capsys, "-C", str(worked), "status", "--json")
    assert ran.code == 0
    assert tree(worked) == before
    answer = ran.json
    assert list(answer) == ["running", "last_scan", "watch", "counts", "jobs", "passed_over"]
    assert answer["running"] is False
    assert answer["watch"] in ("events", "poll")
    assert datetime.fromisoformat(answer["last_scan"]).utcoffset() is not None
    assert answer["counts"] == dict.fromkeys(STATES, 0) | {"printable": 2, "review": 2}
    assert [list(job) for job in answer["jobs"]] == [JOB, JOB]
    assert {job["picture"] for job in answer["jobs"]} == {"baryta/A4/net\\xff.tif", "kozo/A4/Fog.tif"}
    assert all(job["state"] == "review" and job["says"] for job in answer["jobs"])
    passed = {one["file"]: one["why"] for one in answer["passed_over"]}
    assert set(passed) == {
        "kozo/Link\\x1b[2J.tif",
        "smooth-rag/120x90 mm/Empty.tif",
        "smooth-rag/120x90 mm/Net.tif.part",
    }
    assert all(passed.values())
    assert all(list(one) == ["file", "why"] for one in answer["passed_over"])


def test_pipe(worked: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """In a pipe: plain lines, tabs between cells, hostile names escaped."""
    ran = run(capsys, "-C", str(worked), "status")
    assert_plain(ran.out)
    assert "not running (start it with: printqueue serve)" in ran.out
    assert "\treview\tbaryta/A4/net\\xff.tif\tbaryta A4\t" in ran.out
    assert "kozo/Link\\x1b[2J.tif\t" in ran.out


def test_terminal(worked: Path) -> None:
    """In a terminal: a table, in which a hostile name neither acts nor is taken for markup."""
    shown = in_terminal("-C", str(worked), "status")
    assert "\x1b[2J" not in shown
    assert "\\x1b[2J" in shown


def test_before_the_first_start(studio: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Without a ledger there is an answer, and no ledger is made by asking."""
    ran = run(capsys, "-C", str(studio), "status", "--json")
    assert (ran.code, ran.json["last_scan"], ran.json["jobs"]) == (0, None, [])
    assert not (studio / ".printqueue" / "ledger.sqlite").exists()
    assert "never" in run(capsys, "-C", str(studio), "status").out


def test_running(studio: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """`running` is whether somebody holds the studio's lock right now."""
    lock = StudioLock(open_studio(str(studio)))
    try:
        assert run(capsys, "-C", str(studio), "status", "--json").json["running"] is True
    finally:
        lock.release()
    assert run(capsys, "-C", str(studio), "status", "--json").json["running"] is False


def test_never_waits_for_the_service(studio: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """An answer comes while a write transaction of the service is open, and shows what was committed before."""
    ledger = Ledger(str(studio / ".printqueue" / "ledger.sqlite"), lambda: "2026-11-25T12:00:00Z")
    ledger.scanned("events", [], [])
    ledger._connection.execute("BEGIN IMMEDIATE")
    ledger._connection.execute("UPDATE heartbeat SET last_scan = 'never committed'")
    try:
        answer = run(capsys, "-C", str(studio), "status", "--json").json
    finally:
        ledger._connection.execute("ROLLBACK")
        ledger.close()
    assert answer["last_scan"] == "2026-11-25T12:00:00Z"


def test_damaged_ledger(studio: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A ledger that is none: exit 3, pictures said to be safe, and where to ask."""
    (studio / ".printqueue" / "ledger.sqlite").write_bytes(b"barnacles " * 500)
    for command in ("status", "history"):
        assert main(["-C", str(studio), command]) == 3
        said = capsys.readouterr().err
        assert "The ledger cannot be read" in said
        assert "printqueue doctor" in said
