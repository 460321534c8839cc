"""`status`: the contract's keys, and a look that changes nothing."""

from __future__ import annotations

import signal
import stat
import subprocess
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from printqueue.cli.main import main
from printqueue.core.model.job import Sighting, State
from printqueue.core.model.why import Reason, Why, told
from printqueue.ledger import Ledger, LedgerReader, open_ledger
from printqueue.reports.queue import attention, collect
from printqueue.service.lock import StudioLock
from printqueue.studio import passing
from printqueue.studio.folders import open_studio
from tests.cli.support import assert_plain, in_terminal, picture, program, run, tree, typed_into, without_codes
from tests.stamps import stamp

STATES = ["waiting", "working", "printable", "review", "withdrawn", "stuck"]
JOB = ["job", "picture", "paper", "size", "state", "since", "says"]
KEYS = ["running", "last_scan", "watch", "counts", "jobs", "passed_over"]
MORE = ["watch_because", "oldest_waiting", "problems", "attention"]  # beyond the contract
NOW = datetime(2026, 11, 25, 12, 0, tzinfo=UTC)


def test_keys(worked: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The contract's keys first, then ours; counts by state; open jobs and passed-over files with the reason; tree untouched."""
    before = tree(worked)
    ran = run(capsys, "-C", str(worked), "status", "--json")
    assert ran.code == 3
    assert tree(worked) == before
    answer = ran.json
    assert list(answer) == KEYS + MORE
    assert (answer["oldest_waiting"], answer["problems"]) == (None, [])
    # The link needs a human; what is empty, or half written by its name, goes on by itself.
    assert answer["attention"] == ["Passed over in ready/ until you see to it: kozo/Link\\x1b[2J.tif."]
    assert answer["running"] is False
    assert answer["watch"] in ("events", "poll")
    assert datetime.fromisoformat(answer["last_scan"]).utcoffset() is not None
    assert answer["counts"] == dict.fromkeys(STATES, 0) | {"printable": 2, "review": 2}
    assert [list(job) for job in answer["jobs"]] == [[*JOB, "deferred_until"]] * 2
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


# -- the truth -------------------------------------------------------------------


def ledger_file(studio: Path) -> str:
    """Where the service keeps its record."""
    return str(studio / ".printqueue" / "ledger.sqlite")


@contextmanager
def ledger(studio: Path, now: datetime = NOW) -> Iterator[Ledger]:
    """The studio's ledger, as its service would hold it."""
    with closing(Ledger(ledger_file(studio), lambda: now.strftime("%Y-%m-%dT%H:%M:%SZ"))) as kept:
        yield kept


def waiting(name: str, since: str, says: str, until: str | None = None) -> Sighting:
    """A picture that stands in ready/baryta/A4 and waits."""
    return Sighting(f"baryta/A4/{name}", "waiting", "baryta", "A4", since, told(says), until)


def test_what_waits_and_why(studio: Path) -> None:
    """Each waiting picture is there once, planned or not, with the reason of the last scan, and until when it is
    deferred; the one that waits longest is named; the counts agree with the jobs.
    """
    with ledger(studio) as kept:
        planned = kept.claim("baryta/A4/Net.tif", stamp(1, 2, 3)).id
        kept.plan_prints(planned, [("baryta", "A4", 1, "{}")])
        kept.settle(planned, State.WAITING, "the share is away")
        kept.settle(kept.claim("baryta/A4/Fog.tif", stamp(1, 2, 3)).id, State.WAITING, "the disk is full")
        kept.settle(kept.claim("baryta/A4/Kelp.tif", stamp(1, 2, 3)).id, State.STUCK, "it ended its child twice")
        until = "2026-11-25T12:05:00Z"
        sightings = [
            waiting("Fog.tif", "2026-11-25T10:00:00Z", "The disk is full.", until),
            waiting("Net.tif", "2026-11-25T11:00:00Z", "queued"),
            waiting("New.tif", "2026-11-25T11:59:00Z", "arriving"),
        ]
        kept.scanned("poll", [], sightings, why="a network share sends no events")
    answer = collect(LedgerReader(ledger_file(studio)), running=True)
    jobs = {job.pop("picture").rpartition("/")[2]: job for job in answer["jobs"]}
    assert {name: (j["job"], j["state"], j["says"], j["deferred_until"]) for name, j in jobs.items()} == {
        "Net.tif": (1, "waiting", "queued", None),
        "Kelp.tif": (None, "stuck", "it ended its child twice", None),
        "Fog.tif": (None, "waiting", "The disk is full.", until),
        "New.tif": (None, "waiting", "arriving", None),
    }
    assert {(j["paper"], j["size"]) for name, j in jobs.items() if name != "Kelp.tif"} == {("baryta", "A4")}
    assert jobs["Kelp.tif"]["paper"] == "baryta"
    assert answer["counts"] == dict.fromkeys(STATES, 0) | {"waiting": 3, "stuck": 1}
    assert answer["watch_because"] == "a network share sends no events"
    assert answer["oldest_waiting"] == {
        "picture": "baryta/A4/Fog.tif", "since": "2026-11-25T10:00:00Z", "says": "The disk is full.",
        "deferred_until": until,
    }  # fmt: skip


@pytest.mark.slow
@pytest.mark.parametrize("planned", [True, False])
def test_stuck_behind_a_thousand_in_review(studio: Path, planned: bool) -> None:
    """However many pictures came to review/ after it: what is stuck is shown, and asks for a human."""
    with ledger(studio) as kept:
        for number in range(1003):
            arrival = kept.claim(f"baryta/A4/{number}.tif", stamp(1, 2, 3)).id
            if planned:
                kept.plan_prints(arrival, [("baryta", "A4", 1, "{}")])
            kept.settle(arrival, State.STUCK if number == 1 else State.REVIEW, "it is so")
    answer = collect(LedgerReader(ledger_file(studio)), running=True)
    assert answer["jobs"][0]["picture"] == "baryta/A4/1.tif"
    assert answer["counts"] == dict.fromkeys(STATES, 0) | {"review": 1002, "stuck": 1}
    found = attention(answer | {"last_scan": "2026-11-25T11:59:50Z"}, [], NOW, scan_s=15, standing=0)
    assert found == ["Stuck, and kept safe: baryta/A4/1.tif."]


def test_waiting_longest_is_said(studio: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """In plain text: how old the last look is, how it is woken and why, what waits longest and until when."""
    with ledger(studio, datetime.now(UTC) - timedelta(seconds=7)) as kept:
        until = "2026-11-25T12:05:00Z"
        kept.scanned("poll", [], [waiting("Fog.tif", "2026-11-25T10:00:00Z", "The disk is full.", until)], why="as set")
    out = run(capsys, "-C", str(studio), "status").out
    assert "s ago), woken by the clock (as set)." in out
    assert "Waiting longest: baryta/A4/Fog.tif, since 2026-11-25T10:00:00Z: The disk is full." in out
    assert out.count(until) == 2


WELL: dict[str, Any] = {
    "running": True, "last_scan": "2026-11-25T11:59:50Z", "problems": [], "jobs": [], "counts": {"working": 0},
}  # fmt: skip


@pytest.mark.parametrize(
    ("change", "standing", "says"),
    [
        ({}, 0, None),
        ({"jobs": [{"state": "review", "picture": "Fog.tif"}, {"state": "waiting", "picture": "Net.tif"}]}, 0, None),
        ({"last_scan": "2026-11-25T11:59:30Z"}, 0, None),
        ({"last_scan": "2026-11-25T11:59:29Z"}, 0, "was 31 s ago"),
        ({"last_scan": "2026-11-25T12:30:00Z"}, 0, "set the clock"),
        ({"last_scan": None}, 0, "not finished its first look"),
        ({"problems": ["the share is away"]}, 0, "the share is away"),
        ({"jobs": [{"state": "stuck", "picture": f"{n}.tif"} for n in range(5)]}, 0, "0.tif, 1.tif, 2.tif and 2 more"),
        ({"running": False, "last_scan": None, "problems": ["old"]}, 0, None),
        ({"running": False}, 1, "No service is running, and 1 picture stands in ready/"),
        ({"running": False}, 20, "20 pictures stand"),
        ({"running": False, "counts": {"working": 1}}, 0, "left half-way"),
        ({"running": False, "jobs": [{"state": "stuck", "picture": "Net.tif"}]}, 0, "Net.tif"),
    ],
)
def test_attention(change: dict[str, Any], standing: int, says: str | None) -> None:
    """A human is needed where a job is stuck, a running service is late or complains, or none serves what stands there."""
    found = attention(WELL | change, [], NOW, scan_s=15, standing=standing)
    assert (found == []) if says is None else any(says in sentence for sentence in found)


@pytest.mark.parametrize("why", Why)
def test_passed_over_until_you_see_to_it(why: Why) -> None:
    """What goes on by itself, or is no picture at all, needs nobody; everything else that is passed over does, also what an
    earlier version wrote down in words; what waits does not, whatever for.
    """
    reason = Reason(why, ("Fog.order.yaml", "Fog.order.yaml"), "it is empty; a picture may still follow")
    passed = Sighting("kozo/Fog.tif", "passed-over", "", None, "then", reason)
    by_itself = why in (Why.UNFINISHED, Why.EMPTY, Why.LATE_ORDER, Why.SERVER_FOLDER)
    needs = [] if by_itself else ["Passed over in ready/ until you see to it: kozo/Fog.tif."]
    assert attention(WELL, [passed], NOW, scan_s=15, standing=0) == needs
    assert attention(WELL, [replace(passed, kind="waiting")], NOW, scan_s=15, standing=0) == []


def test_exit_code(studio: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """0 with nothing to do and no service; 3 with a picture in ready/ and no service, and while it lies in a folder that
    names no paper; 0 for a file that a program is still at work on and for a file server's own folders; 3 for a service whose last look is old.
    """
    words = ("-C", str(studio), "status", "--json")
    assert run(capsys, *words).code == 0
    (studio / "ready" / "barita").mkdir()
    picture(studio / "ready" / "barita" / "Fog.tif", 30, 20)
    ran = run(capsys, *words)
    assert (ran.code, ran.json["attention"]) == (3, ["No service is running, and 1 picture stands in ready/."])
    with ledger(studio, datetime.now(UTC)) as kept:
        kept.scanned(
            "poll", [], [Sighting("barita", "passed-over", "", None, "then", told("There is no paper 'barita'."))]
        )
    ran = run(capsys, *words)
    assert (ran.code, ran.json["attention"]) == (3, ["Passed over in ready/ until you see to it: barita."])
    with ledger(studio, datetime.now(UTC)) as kept:
        why = passing.file_reason("Fog.tif.part", stat.S_IFREG, 1)
        assert why is not None
        passed = [Sighting("kozo/Fog.tif.part", "passed-over", "", None, "then", Reason(why))]
        (studio / "ready" / "kozo" / "Fog.tif.part").write_bytes(b"x")
        for name in ("@eaDir", "kozo/#recycle"):
            (studio / "ready" / name).mkdir()
            why = passing.folder_reason(name.rpartition("/")[2])
            assert why is not None
            passed.append(Sighting(name, "passed-over", "", None, "then", Reason(why)))
        kept.scanned("poll", [], passed)
    (studio / "ready" / "barita" / "Fog.tif").unlink()
    assert run(capsys, *words).code == 0
    with ledger(studio, datetime.now(UTC) - timedelta(hours=1)) as kept:
        kept.scanned("poll", [], [])
    lock = StudioLock(open_studio(str(studio)))
    try:
        ran = run(capsys, *words)
    finally:
        lock.release()
    assert ran.code == 3
    assert "there should be one every 15 s" in ran.json["attention"][0]


def test_rebuilt_ledger_is_said(studio: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A ledger that was rebuilt says so in status, and counts as a problem while a service runs, until it is seen to."""
    (studio / ".printqueue" / "ledger.sqlite").write_bytes(b"barnacles " * 500)
    with closing(open_ledger(ledger_file(studio), lambda: "2026-11-25T12:00:00Z", lambda _: True)):
        (problem,) = run(capsys, "-C", str(studio), "status", "--json").json["problems"]
        assert "was rebuilt on 2026-11-25T12:00:00Z" in problem
        assert "Problem: The ledger was damaged" in run(capsys, "-C", str(studio), "status").out
    (aside,) = (studio / ".printqueue").glob("ledger-set-aside-*")
    assert aside.read_bytes() == b"barnacles " * 500
    aside.unlink()
    assert run(capsys, "-C", str(studio), "status", "--json").json["problems"] == []


def test_older_ledger(studio: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Before the first start after an upgrade, `status` answers from the ledger as it is, in the words that it finds there,
    and does not migrate it.
    """
    with ledger(studio) as kept:
        said = "its name says that a program is still at work on it"
        passed = replace(waiting("Net.tif.part", "2026-11-25T10:00:00Z", said), kind="passed-over")
        kept.scanned("poll", [], [waiting("Fog.tif", "2026-11-25T10:00:00Z", "queued"), passed])
        for change in (
            *(f"sightings DROP COLUMN {name}" for name in ("until", "reason", "about")),
            "heartbeat DROP COLUMN why",
        ):
            kept._connection.execute(f"ALTER TABLE {change}")
        kept._connection.execute("DROP TABLE rebuilds")
        kept._connection.execute("PRAGMA user_version = 2")
    (studio / "ready" / "baryta" / "A4").mkdir(parents=True, exist_ok=True)
    (studio / "ready" / "baryta" / "A4" / "Net.tif.part").write_bytes(b"x")
    before = tree(studio)
    answer = run(capsys, "-C", str(studio), "status", "--json").json
    assert answer["passed_over"] == [{"file": "baryta/A4/Net.tif.part", "why": said}]
    assert answer["attention"] == ["Passed over in ready/ until you see to it: baryta/A4/Net.tif.part."]
    assert [(job["picture"], job["says"], job["deferred_until"]) for job in answer["jobs"]] == [
        ("baryta/A4/Fog.tif", "queued", None)
    ]
    assert tree(studio) == before


# -- staying -------------------------------------------------------------------------


def test_follow_and_json_are_two_things(studio: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A stream is no JSON document: exit 2."""
    ran = run(capsys, "-C", str(studio), "status", "--follow", "--json")
    assert (ran.code, ran.out) == (2, "")


def _ended_by_hand(
    words: tuple[str, ...], until: str, act: Callable[[], object], before: Callable[[], object] | None = None
) -> tuple[int, str]:
    """Follow in a pipe; `act` once it stands, Ctrl-C once `until` was said; exit code and output. `before`: in the new process."""
    with subprocess.Popen(
        program(*words), stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, preexec_fn=before
    ) as process:
        assert process.stdout is not None
        said = [process.stdout.readline(), process.stdout.readline()]
        act()
        while until not in said[-1]:
            said.append(process.stdout.readline())
            assert said[-1], "it ended by itself"
        process.send_signal(signal.SIGINT)
        rest, errors = process.communicate(timeout=30)
    assert errors == ""
    return process.returncode, "".join(said) + rest


def test_follow_in_a_pipe(studio: Path) -> None:
    """One plain line per change, none missed although several fall into one look; Ctrl-C is how it ends: 0."""

    def work() -> None:
        with ledger(studio) as kept:
            for name in ("Fog.tif", "k\x1b[31melp.tif"):
                arrival = kept.claim(f"baryta/A4/{name}", stamp(1, 2, 3))
                kept.copied(arrival.id, "00")
                kept.settle(arrival.id, State.STUCK, "It ended its child twice.")

    code, said = _ended_by_hand(("-C", str(studio), "status", "--follow"), "stuck      baryta/A4/k", work)
    assert code == 0
    assert_plain(said)
    changes = [line[10:].split("  ")[0].strip() for line in said.split("\n") if line[2:3] == ":"]
    assert changes == ["working", "stuck", "working", "stuck"]
    assert "k\\x1b[31melp.tif  It ended its child twice." in said


def test_follow_ends_where_interrupts_came_in_ignored(studio: Path) -> None:
    """A job in the background of a shell without job control starts with SIGINT ignored (POSIX, sh, 2.11); it ends all the same."""

    def work() -> None:
        with ledger(studio) as kept:
            kept.copied(kept.claim("baryta/A4/Fog.tif", stamp(1, 2, 3)).id, "00")

    def ignore() -> None:
        signal.signal(signal.SIGINT, signal.SIG_IGN)

    code, _ = _ended_by_hand(("-C", str(studio), "status", "--follow"), "working", work, ignore)
    assert code == 0


def test_follow_tells_why_something_waits(studio: Path) -> None:
    """A new reason of the last look is a line of its own."""

    def look() -> None:
        with ledger(studio) as kept:
            kept.scanned("poll", [], [waiting("Fog.tif", "2026-11-25T10:00:00Z", "The disk is full.")])

    code, said = _ended_by_hand(("-C", str(studio), "status", "--follow"), "waiting    baryta/A4/Fog.tif", look)
    assert code == 0
    assert "The disk is full." in said


def test_follow_in_a_terminal(worked: Path) -> None:
    """A live view that fits 80 columns, in which a hostile name does nothing; Ctrl-C ends it with 0."""
    code, shown = typed_into("-C", str(worked), "status", "--follow", columns=80, until="ends this view", send=b"\x03")
    assert code == 0
    assert "\x1b[2J" not in shown
    assert "\\x1b[2J" in shown
    seen = without_codes(shown).replace("^C", "")  # what the terminal itself echoes
    assert max(len(line) for line in seen.split("\n")) <= 80


def test_long_reasons_are_cut(worked: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A reason stands in full in review/; the table says the first of it. JSON says all, and where it stands."""
    out = run(capsys, "-C", str(worked), "status").out
    full = {job["picture"]: job["says"] for job in run(capsys, "-C", str(worked), "status", "--json").json["jobs"]}
    rows = [line.split("\t") for line in out.split("\n") if "\treview\t" in line]
    assert len(rows) == 2
    for row in rows:
        assert len(row[4]) <= 162
        assert row[4].split(" …")[0] == full[row[2]][: len(row[4].split(" …")[0])]
        assert full[row[2]].endswith(".reason.txt")


def test_empty_queue(studio: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Where nothing waits, it says what to do next."""
    assert "Nothing waits. Copy a picture into ready/PAPER/SIZE/" in run(capsys, "-C", str(studio), "status").out
