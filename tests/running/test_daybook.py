"""The daybook as the service keeps it: written when something changes, whole or not at all, and worth no print."""

from __future__ import annotations

import errno
import os
from contextlib import closing
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import pytest

from printqueue.core.disk import durable
from printqueue.core.model.job import State
from printqueue.ledger import Ledger, LedgerReader, Wanted
from printqueue.reports.daybook import Daybook, gather
from printqueue.reports.daybook.html import address, tag, text
from printqueue.sandbox import ForkServer
from printqueue.studio.folders import Studio
from printqueue.studio.papers.loader import Shelf
from tests.running import support
from tests.stamps import stamp

pytestmark = pytest.mark.slow
NOW = datetime(2026, 11, 27, 10, 30, tzinfo=UTC)


def page(studio: Studio, name: str = "index.html") -> str:
    """The text of a page."""
    return Path(studio.path("daybook", name)).read_text("utf-8")


def kept(studio: Studio) -> Daybook:
    """A daybook over the studio as it stands, on a clock that stands still."""
    return Daybook(studio, Shelf.load(studio.path("rules")), clock=lambda: 0.0, today=lambda: NOW)


def test_what_was_made_and_what_was_turned_back(studio: Studio, fork_server: ForkServer) -> None:
    """Both stand on the first page and on the month's, with their reason; the order's lift and edition are told."""
    support.drop(studio, "card/Fog.tif", support.picture())
    support.drop(studio, "card/Fog.order.yaml", b"lift: 1/3 stop\ncopies: 2\nedition: {of: 25}\n")
    support.drop(studio, "card/Small.tif", support.small_picture())
    support.serve_once(studio, fork_server)
    (month,) = [name for name in os.listdir(studio.path("daybook")) if name[0] == "2"]
    for said in (page(studio), page(studio, month)):
        for words in ("Fog.tif", "lift +1/3 stop", "2 copies", "edition of 25", "Small.tif"):
            assert words in said
        assert "too few pixels" in said
    assert "the service had ended" in page(studio)
    assert "print/card/60x50%20mm/Fog.proof.jpg" in page(studio)


def test_what_has_gone_is_not_linked_to(studio: Studio, fork_server: ForkServer) -> None:
    """A proof picture that the photographer took away leaves the entry and its thumbnail, and no dead link."""
    support.drop(studio, "card/Fog.tif", support.picture())
    support.serve_once(studio, fork_server)
    os.unlink(studio.path(f"print/card/{support.SIZE}/Fog.proof.jpg"))
    kept(studio).close()
    assert "Fog.proof.jpg" not in page(studio)
    assert "Fog.print.txt" in page(studio)
    assert "pictures/" in page(studio)


def test_nothing_changed_nothing_written(
    studio: Studio, fork_server: ForkServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The same ledger and the same sightings: nothing is written; a new transition is, and every quarter of an hour."""
    support.drop(studio, "card/Fog.tif", support.picture())
    support.serve_once(studio, fork_server)
    clock, written = [0.0], list[str]()
    monkeypatch.setattr(durable, "replace_own", lambda path, _: written.append(os.path.basename(path)))
    book = Daybook(studio, Shelf.load(studio.path("rules")), clock=lambda: clock[0], today=lambda: NOW)

    def writings(at_s: float) -> int:
        clock[0] = at_s
        book.keep([], [])
        return written.count("index.html")

    assert writings(0.0) == 1
    assert writings(10.0) == 1
    with closing(Ledger(studio.ledger, lambda: support.NOW)) as ledger:
        ledger.claim("card/Net.tif", stamp(1, 2, 3))
        assert writings(20.0) == 2
        ledger.claim("card/Kelp.tif", stamp(4, 5, 6))
        assert writings(21.0) == 2  # at most every two seconds
        assert writings(23.0) == 3
    assert writings(800.0) == 3
    assert writings(1000.0) == 4


def test_pages_take_a_share_of_the_time_and_no_more(
    studio: Studio, fork_server: ForkServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    """However long the month's page has become: it takes a thousandth of a processor, the first page a two-hundredth; both
    are right when nothing changes any more, and when the service ends.
    """
    support.drop(studio, "card/Fog.tif", support.picture())
    support.serve_once(studio, fork_server)
    (month,) = [name for name in os.listdir(studio.path("daybook")) if name[0] == "2"]
    now_s, cpu_s, written = 0.0, [0.0], list[str]()
    real = durable.replace_own

    def replace_own(path: str, data: bytes) -> None:
        written.append(os.path.basename(path))
        cpu_s[0] += 0.05 if path.endswith(month) else 0.02
        real(path, data)

    monkeypatch.setattr(durable, "replace_own", replace_own)
    shelf = Shelf.load(studio.path("rules"))
    book = Daybook(studio, shelf, clock=lambda: now_s, cpu=lambda: cpu_s[0], today=lambda: NOW)
    with closing(Ledger(studio.ledger, lambda: support.NOW)) as ledger:
        for number in range(200):  # a print every second
            job = ledger.plan_prints(ledger.claim(f"card/{number}.tif", stamp(1, 2, 3)).id, [("card", "A4", 1, "{}")])[
                0
            ]
            ledger.judged(job, "accepted", [], {})
            ledger.made(job, output=f"print/{number}.tif", recipe="", profile_sha256="", rules_sha256="")
            ledger.settle(ledger.last_at(f"card/{number}.tif").id, State.PRINTABLE, "")  # type: ignore[union-attr]
            now_s = float(number)
            book.keep([], [])
        assert 4 <= written.count(month) <= 5  # each costs 0.05 s of the processor: 50 s apart
        assert 30 <= written.count("index.html") <= 50  # 0.02 s: 4 s apart
        for later in range(200, 300, 15):
            now_s = float(later)
            book.keep([], [])
        assert page(studio, month).count("<li>") >= 201
        assert "(201)" in page(studio)
        written.clear()
        now_s += 400
        book.keep([], [])
        assert written == []
        ledger.settle(ledger.claim("card/Last.tif", stamp(1, 2, 3)).id, State.WITHDRAWN, "")
        book.close()
    assert written == ["index.html"]


def test_a_month_that_is_over_is_not_written_again(studio: Studio, fork_server: ForkServer) -> None:
    """Also by a later run: its page tells which state of the ledger it shows."""
    support.drop(studio, "card/Fog.tif", support.picture())
    support.serve_once(studio, fork_server)
    (month,) = [name for name in os.listdir(studio.path("daybook")) if name[0] == "2"]
    before = os.stat(studio.path("daybook", month)).st_ino
    kept(studio).close()
    assert os.stat(studio.path("daybook", month)).st_ino == before
    support.drop(studio, "card/Net.tif", support.picture(2))
    support.serve_once(studio, fork_server)
    assert os.stat(studio.path("daybook", month)).st_ino != before
    assert "Net.tif" in page(studio, month)


def test_a_fault_in_writing_stops_no_print(
    studio: Studio, fork_server: ForkServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A full disk where the page should go: the print is made, status says that the daybook cannot be written."""

    def full(path: str, data: bytes) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(durable, "replace_own", full)
    support.drop(studio, "card/Fog.tif", support.picture())
    assert support.serve_once(studio, fork_server).made == 1
    assert not os.path.exists(studio.path("daybook", "index.html"))
    assert any("daybook cannot be written" in one for one in support.status(studio)["problems"])


def test_a_page_is_replaced_whole(tmp_path: Path) -> None:
    """A reader that has the old page open reads it to its end; the new one has its name; no temp is left."""
    path = tmp_path / "index.html"
    durable.replace_own(str(path), b"old page")
    with path.open("rb") as reading:
        durable.replace_own(str(path), b"the new page")
        assert reading.read() == b"old page"
    assert path.read_bytes() == b"the new page"
    assert os.listdir(tmp_path) == ["index.html"]
    assert durable.tail(str(path), 4) == b"page"
    assert durable.tail(str(tmp_path / "none"), 4) == b""


def test_times_are_told_in_the_zone_of_the_reader() -> None:
    """23:30 UTC is half past midnight of the next day one hour east."""
    east = NOW.astimezone(timezone(timedelta(hours=1)))
    assert gather._time("2026-11-26T23:30:00Z", east).isoformat() == "2026-11-27T00:30:00+01:00"
    assert gather._time("no time", east) == east


def test_the_ledger_answers_by_paper_size_time_and_outcome(studio: Studio, fork_server: ForkServer) -> None:
    """Every condition alone and together; what waits is never among what was judged."""
    support.drop(studio, "card/Fog.tif", support.picture())
    support.drop(studio, "card/80x60 mm/Net.tif", support.picture(2))
    support.drop(studio, "card/Small.tif", support.small_picture())
    support.serve_once(studio, fork_server)
    reader = LedgerReader(studio.ledger)

    def names(wanted: Wanted) -> set[str]:
        return {os.path.basename(one.path) for one in reader.prints(wanted)}

    assert names(Wanted(judged=True)) == {"Fog.tif", "Net.tif", "Small.tif"}
    assert names(Wanted(made=True)) == {"Fog.tif", "Net.tif"}
    assert names(Wanted(turned_back=True)) == {"Small.tif"}
    assert names(Wanted(made=True, size="80X60 MM")) == {"Net.tif"}
    assert names(Wanted(paper="card", name="fog")) == {"Fog.tif"}
    assert names(Wanted(paper="other")) == set()
    assert names(Wanted(since="2026-11-25T06:00:00Z", made=True)) == {"Fog.tif", "Net.tif"}
    assert names(Wanted(since="2026-11-25T06:00:01Z", judged=True)) == set()
    assert names(Wanted(until="2026-11-25", judged=True)) == {"Fog.tif", "Net.tif", "Small.tif"}
    assert names(Wanted(until="2026-11-24", judged=True)) == set()
    (month,) = reader.months()
    assert (month.made, month.turned_back) == (2, 1)
    assert names(Wanted(month=month.month, judged=True)) == {"Fog.tif", "Net.tif", "Small.tif"}


def test_no_string_gets_into_markup_unescaped() -> None:
    """Text, attributes and addresses: markup, quotes, controls, bidirectional marks, bytes that are no UTF-8."""
    assert text("<b>&\"'\u202e\x1b") == "&lt;b&gt;&amp;&quot;&#x27;\\u202e\\x1b"
    assert tag("a", "<i>", href='"><script>') == '<a href="&quot;&gt;&lt;script&gt;">&lt;i&gt;</a>'
    assert address("print/a b/javascript:x\udcff?#.jpg") == "../print/a%20b/javascript%3Ax%FF%3F%23.jpg"


def test_an_order_that_cannot_be_followed_stands_there_too(studio: Studio, fork_server: ForkServer) -> None:
    """Of such a picture no print was ever planned; it was turned back all the same, and its reason is linked."""
    support.drop(studio, "card/Fog.tif", support.picture())
    support.drop(studio, "card/Fog.order.yaml", b"copys: 2\n")
    assert support.serve_once(studio, fork_server).turned_back == 1
    page = Path(studio.path("daybook", "index.html")).read_text("utf-8")
    assert "../review/card/Fog.reason.txt" in page
    reason = Path(studio.path("review", "card", "Fog.reason.txt")).read_text("utf-8")
    assert "Put picture and order back into ready/card/." in reason
    assert "says the same on one sheet; the picture cannot be shown on it." in " ".join(reason.split())


def test_a_second_print_of_a_name_is_told_from_the_first(studio: Studio, fork_server: ForkServer) -> None:
    """Its file has a number, and the page says which; so do the note, and the warnings that a print was made with."""
    for seed in (1, 2):
        support.drop(studio, "card/Fog.tif", support.picture(seed))
        support.serve_once(studio, fork_server)
    page = Path(studio.path("daybook", "index.html")).read_text("utf-8")
    assert page.count("Fog (2).tif") >= 1
    note = Path(studio.path("print", "card", support.SIZE, "Fog (2).print.txt")).read_text("utf-8")
    assert "“Fog.tif” (Fog (2).tif)" in note
