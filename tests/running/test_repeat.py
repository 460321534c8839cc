"""Nothing is printed twice by mistake: the check `repeat`, in the service and for a file outside of it."""

from __future__ import annotations

import json
import os
import signal
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import pytest

from printqueue.cli.single import look_up_file
from printqueue.core.errors import PictureError, WorldError
from printqueue.core.model.earlier import EarlierPrint
from printqueue.core.model.finding import Finding, Level
from printqueue.core.model.measures import Measure, Word
from printqueue.core.model.picture import PictureFacts
from printqueue.core.model.request import Request
from printqueue.core.units import Size
from printqueue.judging.judged import Judged
from printqueue.judging.repeat import Asked, readings
from printqueue.ledger import Ledger, LedgerReader, Wanted
from printqueue.sandbox import ForkServer
from printqueue.service import delivery, repeat, steps
from printqueue.studio.folders import Studio
from tests.running import support

pytestmark = pytest.mark.slow

REPEAT = "  repeat: {reprint: note, again: warn, within: 24 h, edition_full: reject}\n"
CARD = support.CARD + REPEAT


def found(studio: Studio) -> dict[str, dict[str, Any]]:
    """The finding `repeat` of every print on record, by the picture's path."""
    records = LedgerReader(studio.ledger).prints()
    return {record.path: next(f for f in record.findings if f["check"] == "repeat") for record in records}


@pytest.fixture
def studio(new_studio: Callable[..., Studio]) -> Studio:
    """A studio whose paper asks about repeats, with two workers."""
    return new_studio(support.SETTINGS.replace("workers: 1", "workers: 2"), card=CARD)


def test_the_same_print_again_is_warned_of(studio: Studio, fork_server: ForkServer) -> None:
    """The same bytes by the same order within a day: made, with a warning that names the first job."""
    support.drop(studio, "card/Fog.tif", support.picture(1))
    support.serve_once(studio, fork_server)
    support.drop(studio, "card/Fog.tif", support.picture(1))
    support.drop(studio, "card/Kelp.tif", support.picture(2))
    assert support.serve_once(studio, fork_server).made == 2
    records = sorted(LedgerReader(studio.ledger).prints(), key=lambda record: record.job)
    levels = [next(f["level"] for f in record.findings if f["check"] == "repeat") for record in records]
    assert [record.path for record in records].count("card/Fog.tif") == 2
    assert sorted(levels) == ["pass", "pass", "warn"]
    warned = records[levels.index("warn")]
    finding = next(f for f in warned.findings if f["check"] == "repeat")
    assert f"job {records[0].job}" in finding["says"]


def test_two_equal_pictures_at_once_are_not_both_the_first(
    studio: Studio, fork_server: ForkServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Dropped into two folders and worked on side by side: whoever is judged second sees the other in work.

    The look into the ledger is drawn out, so that without the one turn both would see nothing.
    """
    look = Ledger.earlier_prints

    def slow(ledger: Ledger, sha256: str, arrival: int) -> list[EarlierPrint]:
        seen = look(ledger, sha256, arrival)
        time.sleep(0.3)
        return seen

    both = threading.Barrier(2, timeout=20)

    def reached(step: str) -> None:
        if step == "spooled":
            both.wait()

    monkeypatch.setattr(steps, "reached", reached)
    monkeypatch.setattr(Ledger, "earlier_prints", slow)
    support.drop(studio, "card/North/Fog.tif", support.picture(1))
    support.drop(studio, "card/South/Fog.tif", support.picture(1))
    assert support.serve_once(studio, fork_server).made == 2
    assert sorted(finding["level"] for finding in found(studio).values()) == ["pass", "warn"]


def test_another_size_or_paper_is_no_repeat(studio: Studio, fork_server: ForkServer) -> None:
    """The same picture on another sheet is another print."""
    support.drop(studio, "card/60x50 mm/Fog.tif", support.picture(1))
    support.serve_once(studio, fork_server)
    support.drop(studio, "card/80x60 mm/Fog.tif", support.picture(1))
    support.serve_once(studio, fork_server)
    assert {finding["level"] for finding in found(studio).values()} == {"pass"}


def test_a_full_edition_turns_back(studio: Studio, fork_server: ForkServer) -> None:
    """Two of two are made: the third goes to review with the numbers, unless it is allowed on the record."""
    order = b"edition: {of: 2}\ncopies: 2\n"
    support.drop(studio, "card/One/Fog.tif", support.picture(1))
    support.drop(studio, "card/One/Fog.order.yaml", order)
    assert support.serve_once(studio, fork_server).made == 1
    support.drop(studio, "card/Two/Fog.tif", support.picture(1))
    support.drop(studio, "card/Two/Fog.order.yaml", b"edition: {of: 2}\n")
    assert support.serve_once(studio, fork_server).made == 0
    finding = found(studio)["card/Two/Fog.tif"]
    assert finding["level"] == "reject"
    assert "2 of 2" in finding["says"]
    support.drop(studio, "card/Three/Fog.tif", support.picture(1))
    support.drop(studio, "card/Three/Fog.order.yaml", b"edition: {of: 2}\nallow: {repeat: proof for the printer}\n")
    assert support.serve_once(studio, fork_server).made == 1
    assert found(studio)["card/Three/Fog.tif"]["allowed"] is True


def test_what_was_turned_back_does_not_count(studio: Studio, fork_server: ForkServer) -> None:
    """A picture that was never printed is no earlier print, and a picture put back does not see itself."""
    support.drop(studio, "card/Small.tif", support.small_picture())
    assert support.serve_once(studio, fork_server).made == 0
    support.drop(studio, "card/Small.tif", support.small_picture())
    support.drop(studio, "card/Small.order.yaml", b"allow: [resolution]\n")
    assert support.serve_once(studio, fork_server).made == 1
    records = LedgerReader(studio.ledger).prints()
    made = next(record for record in records if record.state == "printable")
    assert next(f["level"] for f in made.findings if f["check"] == "repeat") == "pass"


# -- a kill in between -----------------------------------------------------------------------


@pytest.fixture(scope="module")
def nursery() -> Iterator[support.Nursery]:
    """A process that forks services and kills them."""
    running = support.Nursery()
    yield running
    running.close()


@pytest.mark.parametrize(
    "kill",
    [
        ("spooled", 2),
        ("judged", 1),
        ("judged", 2),
        ("intent-written", 1),
        ("published-written", 1),
        ("done-written", 1),
    ],
    ids=lambda kill: "-".join(map(str, kill)),
)
def test_killed_with_two_equal_pictures_in_hand(
    studio: Studio, nursery: support.Nursery, kill: tuple[str, int]
) -> None:
    """After the next start there are two prints: one is the first, the other names it. None sees itself or a ghost."""
    support.drop(studio, "card/North/Fog.tif", support.picture(1))
    support.drop(studio, "card/South/Fog.tif", support.picture(1))
    assert nursery.run(studio, kill)["code"] == -signal.SIGKILL
    assert nursery.run(studio, None)["code"] == 0
    assert len(support.prints(studio)) == 2
    records = {record.job: record for record in LedgerReader(studio.ledger).prints()}
    told = {job: next(f for f in record.findings if f["check"] == "repeat") for job, record in records.items()}
    (first,) = (job for job, finding in told.items() if finding["level"] == "pass")
    (second,) = (job for job, finding in told.items() if finding["level"] == "warn")
    assert f"job {first}" in told[second]["says"]


def test_a_picture_killed_alone_does_not_see_itself(studio: Studio, nursery: support.Nursery) -> None:
    """Its own earlier attempt was judged, and killed; at the next one it is still the first, and its edition is not full."""
    support.drop(studio, "card/Fog.tif", support.picture(1))
    support.drop(studio, "card/Fog.order.yaml", b"edition: {of: 1}\n")
    assert nursery.run(studio, ("rendered", 1))["code"] == -signal.SIGKILL
    assert nursery.run(studio, None)["code"] == 0
    assert found(studio)["card/Fog.tif"]["level"] == "pass"


def test_both_claimed_again_before_either_is_judged(
    studio: Studio, nursery: support.Nursery, fork_server: ForkServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What a killed attempt was judged to be is no print in work: else each would see the other, and an edition of one
    would turn both back.
    """
    for side in ("North", "South"):
        support.drop(studio, f"card/{side}/Fog.tif", support.picture(1))
        support.drop(studio, f"card/{side}/Fog.order.yaml", b"edition: {of: 2}\n")
    assert nursery.run(studio, ("judged", 2))["code"] == -signal.SIGKILL
    both = threading.Barrier(2, timeout=20)
    monkeypatch.setattr(steps, "reached", lambda step: both.wait() if step == "spooled" else None)
    assert support.serve_once(studio, fork_server).made == 2
    assert sorted(finding["level"] for finding in found(studio).values()) == ["pass", "warn"]


# -- what the photographer reads ---------------------------------------------------------------


def test_notes_say_so(studio: Studio, fork_server: ForkServer) -> None:
    """The note beside the second print warns; the reason of one beyond the edition gives the numbers and the way out."""
    for folder in ("One", "Two", "Three"):
        support.drop(studio, f"card/{folder}/Fog.tif", support.picture(1))
        support.drop(studio, f"card/{folder}/Fog.order.yaml", b"edition: {of: 2}\n")
        support.serve_once(studio, fork_server)
    note = " ".join(Path(studio.path("print", f"card/{support.SIZE}/Two/Fog.print.txt")).read_text().split())
    assert "Warning The same print was made just now, 2026-11-25 06:00 UTC (job 1)" in note
    assert "Number 2 of the edition of 2." in note
    reason = support.reason(studio, "card/Three/Fog.reason.txt")
    assert "would exceed its edition" in reason
    assert "2 of 2 are made or in work; this would be 3. Limit 2 copies (the edition in your order)." in reason
    assert "allow: [repeat]" in reason


def test_damage_found_while_drawing_is_no_print(
    studio: Studio, fork_server: ForkServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Accepted, and then turned back: the record says so, and a whole copy of it later is not told of a print."""

    def damaged(*_: object) -> None:
        raise PictureError("It cannot be read to its end.", do="Export it again.")

    support.drop(studio, "card/Fog.tif", support.picture(1))
    with monkeypatch.context() as patch:
        patch.setattr(delivery, "render", damaged)
        assert support.serve_once(studio, fork_server).turned_back == 1
    (record,) = LedgerReader(studio.ledger).prints()
    assert (record.state, record.verdict, [f["check"] for f in record.findings]) == ("review", "turned-back", ["whole"])
    support.drop(studio, "card/Again.tif", support.picture(1))
    assert support.serve_once(studio, fork_server).made == 1
    records = LedgerReader(studio.ledger).prints(Wanted(name="Again"))
    assert next(f["level"] for f in records[0].findings if f["check"] == "repeat") == "pass"


# -- a file outside the queue --------------------------------------------------------------------


def test_check_looks_up_and_writes_nothing(studio: Studio, fork_server: ForkServer, tmp_path: Path) -> None:
    """Without a ledger: not looked up. With one: the print on record is found. With a damaged one: that is said."""
    path = support.drop(studio, "card/Fog.tif", support.picture(1))
    file = tmp_path / "Fog.tif"
    file.write_bytes(Path(path).read_bytes())
    with support.service(studio, fork_server) as running:
        kept = running.context.stock(running.context.shelf.papers["card"])
    os.unlink(studio.ledger)
    size = kept.paper.usual_size
    request = Request("card", size, border=kept.paper.border.border(), ppi=kept.paper.print.ppi)
    plain = Judged((Finding("repeat", Level.PASS, "Not looked up."),), None, {})

    def looked() -> Finding:
        facts = PictureFacts("TIFF", 150, 100, 16, "rgb")
        asked = Asked(facts, request, kept.facts, kept.profile_sha256, kept.paper.checks.get("repeat"))
        return look_up_file(studio.ledger, str(file), plain, asked).findings[0]

    assert looked() is plain.findings[0]
    assert not os.path.exists(studio.ledger)
    support.serve_once(studio, fork_server)
    before = Path(studio.ledger).read_bytes()
    assert "job 1" in looked().says
    assert looked().level in (Level.NOTE, Level.WARN)  # the real clock is not the ledger's here
    file.write_bytes(support.picture(2))
    assert (looked().level, looked().measured) == (Level.PASS, 0)
    assert Path(studio.ledger).read_bytes() == before
    Path(studio.ledger).write_bytes(b"no database" * 1000)
    assert looked().level is Level.NOTE
    assert "cannot be read" in looked().says


# -- the numbers alone -------------------------------------------------------------------

SHEET = Size("A3", 297, 420)
NOW = "2026-11-25T12:00:00Z"


def earlier(job: int = 1, made: str | None = "2026-11-25T09:00:00Z", **changes: Any) -> EarlierPrint:
    """A print of the same bytes by the plain order, made three hours ago."""
    request = Request("card", SHEET, **changes)
    settings = json.loads(json.dumps(asdict(request), default=str))
    return EarlierPrint(job, "card", "A3", request.copies, made, "p" if made else None, settings)


def test_three_hours_ago() -> None:
    """The newest of the same order is told, with its age in hours."""
    seen = readings([earlier(1), earlier(2, "2026-11-25T10:30:00Z")], Request("card", SHEET), "p", NOW)
    assert (seen[Measure.REPEAT_EARLIER], seen[Measure.REPEAT_SAME_JOB], seen[Measure.REPEAT_SAME_HOURS]) == (2, 2, 1.5)


@pytest.mark.parametrize("changes", [{"lift_stops": 1 / 3}, {"copies": 3}, {"title": "Fog"}])
def test_another_order_is_a_reprint_only(changes: dict[str, Any]) -> None:
    """What the print is made from differs: a reprint, but not the same print again."""
    seen = readings([earlier(1, **changes)], Request("card", SHEET), "p", NOW)
    assert seen[Measure.REPEAT_EARLIER] == 1
    assert Measure.REPEAT_SAME_JOB not in seen


def test_another_profile_is_another_print() -> None:
    """The same order under a new profile gives other colours."""
    assert Measure.REPEAT_SAME_JOB not in readings([earlier(1)], Request("card", SHEET), "new profile", NOW)


def test_turned_sheets_are_the_same_sheet() -> None:
    """420 × 297 under another name is A3."""
    turned = Request("card", Size("custom", 420, 297))
    assert readings([earlier(1)], turned, "p", NOW)[Measure.REPEAT_EARLIER] == 1


def test_edition_counts_copies_and_siblings() -> None:
    """Copies of all prints with that edition, and what the same order asks for before this one."""
    made = [earlier(1, copies=3, edition_of=25), earlier(2, copies=4)]
    asked = Request("card", SHEET, edition_of=25)
    seen = readings(made, asked, "p", NOW, siblings=[Request("card", SHEET, copies=2, edition_of=25)])
    assert seen[Measure.REPEAT_EDITION_MADE] == 5


def test_one_that_gave_way_is_not_told_of() -> None:
    """Job 2 was judged while job 1 was in work, overtook it, and is made: job 1 is still the first, for others both count."""
    asked = Request("card", SHEET, edition_of=25)
    first = EarlierPrint(1, "card", "A3", 1, None, None, json.loads(json.dumps(asdict(asked), default=str)))
    beside = readings([first], asked, "p", NOW, job=2)
    assert (beside[Word.REPEAT_BESIDE], beside[Measure.REPEAT_SAME_JOB]) == ("1", 1)
    second = replace(earlier(2, edition_of=25), gave_way_to=frozenset({1}))
    again = readings([second], asked, "p", NOW, job=1)
    assert again[Measure.REPEAT_EARLIER] == 0
    assert Measure.REPEAT_SAME_JOB not in again
    assert again[Measure.REPEAT_EDITION_MADE] == 1
    assert readings([second], asked, "p", NOW, job=3)[Measure.REPEAT_SAME_JOB] == 2


def test_overtaken_after_a_fault(studio: Studio, fork_server: ForkServer, monkeypatch: pytest.MonkeyPatch) -> None:
    """The first is judged, and then its disk fails; the second is made meanwhile. One of the two is told of, once."""
    real = delivery.render
    failed: list[bool] = []

    def once(context: Any, attempt: Any, child: Any, judged: Any) -> Any:
        if attempt.seen.path == "card/North/Fog.tif" and not failed:
            failed.append(True)
            support.until(lambda: len(support.prints(studio)) == 1, "the second was made")
            raise WorldError("The disk failed.")
        return real(context, attempt, child, judged)

    order = threading.Event()
    measured = repeat._judged

    def north_first(context: Any, attempt: Any, report: Any) -> Any:
        judged = measured(context, attempt, report)
        order.set()
        return judged

    def reached(step: str) -> None:
        if step == "spooled" and not order.is_set() and threading.current_thread().name.endswith("_1"):
            assert order.wait(20)

    monkeypatch.setattr(delivery, "render", once)
    monkeypatch.setattr(repeat, "_judged", north_first)
    monkeypatch.setattr(steps, "reached", reached)
    support.drop(studio, "card/North/Fog.tif", support.picture(1))
    support.drop(studio, "card/South/Fog.tif", support.picture(1))
    support.serve_once(studio, fork_server)
    monkeypatch.undo()
    support.serve_once(studio, fork_server)
    assert len(support.prints(studio)) == 2
    levels = {path: finding["level"] for path, finding in found(studio).items()}
    assert levels == {"card/North/Fog.tif": "pass", "card/South/Fog.tif": "warn"}
