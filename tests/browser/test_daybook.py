"""The daybook in a real browser: at three widths, in light and dark, with hostile names, and with years of work.

Chromium from Debian; axe-core from npm (`npm ci` in this folder). With PRINTQUEUE_REQUIRE_TOOLS=1 a missing one fails.
"""

from __future__ import annotations

import os
import shutil
import statistics
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, NoReturn

import pytest
from PIL import Image

from printqueue.reports.daybook import pages
from printqueue.reports.daybook.entries import Happened, Month, Open, PaperLine, Picture, Print, Today
from printqueue.sandbox import ForkServer
from printqueue.studio.folders import Studio
from tests.browser.cdp import Browser, running
from tests.running import support

pytestmark = pytest.mark.slow

HERE = Path(__file__).parent
AXE = HERE / "node_modules/axe-core/axe.min.js"
WIDTHS = (360, 768, 1440)
NOW = datetime(2026, 11, 27, 10, 30, tzinfo=UTC)
HOSTILE = "</script><script>document.title='taken'</script><img src=x onerror=alert(1)>\u202egpj.\x1b[31m\"'"


def _missing(what: str) -> NoReturn:
    (pytest.fail if os.environ.get("PRINTQUEUE_REQUIRE_TOOLS") == "1" else pytest.skip)(what)
    raise AssertionError


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """One Chromium for all tests here."""
    program = shutil.which("chromium")
    if program is None:
        _missing("Chromium is not installed (Debian package chromium).")
    with running(program) as found:
        yield found


@pytest.fixture(scope="module")
def axe() -> str:
    """The accessibility checker's script."""
    if not AXE.exists():
        _missing("axe-core is not installed: run `npm ci` in tests/browser.")
    return AXE.read_text("utf-8")


@pytest.fixture(scope="module")
def daybook(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The pages that a real service wrote: prints, a picture turned back, hostile names and titles, one passed over."""
    with support.fork_server_of("tests.running.proof_worker") as fork_server:
        return Path(_served(tmp_path_factory.mktemp("daybook"), fork_server).path("daybook"))


def _served(folder: Path, fork_server: ForkServer) -> Studio:
    studio = support.new_studio(folder / "studio")
    for number, name in enumerate(("Fog.tif", "Slipway.tif", HOSTILE.replace("/", "∕") + ".tif")):
        support.drop(studio, f"card/{name}", support.picture(number))
    support.drop(studio, "card/Titled.tif", support.picture(7))
    title = "'<b>&</b> " + "x" * 150 + "'"
    support.drop(studio, "card/Titled.order.yaml", f"title: {title}\nlift: 1/3 stop\nedition: {{of: 25}}\n".encode())
    support.drop(studio, "card/Small.tif", support.small_picture())
    support.drop(studio, "card/Broken <i>.tif", b"no picture")
    support.drop(studio, "card/empty.tif", b"")
    support.serve_once(studio, fork_server)
    return studio


def _texts(page: Path) -> str:
    return page.read_text("utf-8")


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize("page", ["index.html", "month"])
def test_a_page_fits_and_is_whole(browser: Browser, daybook: Path, page: str, width: int, *, dark: bool) -> None:
    """No sideways scrolling, no error or warning in the console, nothing loaded but the page and its own pictures."""
    file = daybook / page if page != "month" else _month_of(daybook)
    browser.open(file, width=width, dark=dark)
    browser.evaluate("document.querySelectorAll('img').forEach(i => i.loading = 'eager')")
    browser.settle()
    assert browser.evaluate("document.documentElement.scrollWidth") <= width
    wide = browser.evaluate(
        "[...document.querySelectorAll('body *')].filter(e => !e.matches('.skip'))"
        ".filter(e => e.getBoundingClientRect().right > innerWidth + 0.5).map(e => e.outerHTML.slice(0, 80))"
    )
    assert wide == []
    assert browser.named("Runtime.consoleAPICalled") == browser.named("Log.entryAdded") == []
    assert browser.named("Runtime.exceptionThrown") == []
    asked = [event["request"]["url"] for event in browser.named("Network.requestWillBeSent")]
    assert all(url.startswith(daybook.as_uri() + "/") for url in asked), asked
    assert browser.evaluate("[...document.images].every(i => i.complete && i.naturalWidth > 0)")
    assert browser.evaluate("document.images.length") >= 4


def _month_of(daybook: Path) -> Path:
    (found,) = daybook.glob("20*.html")
    return found


def test_hostile_names_are_inert(browser: Browser, daybook: Path) -> None:
    """A name of script, markup, bidirectional and terminal controls is text that can be read, and does nothing."""
    for page in (daybook / "index.html", _month_of(daybook)):
        browser.open(page, width=1440)
        browser.settle()
        assert "taken" not in browser.evaluate("document.title")
        assert browser.evaluate("document.scripts.length") == 0
        assert browser.evaluate("[...document.images].every(i => i.getAttribute('src').startsWith('pictures/'))")
        seen = browser.evaluate("document.body.innerText")
        assert "script>document.title" in seen
        assert "\\u202egpj.\\x1b[31m" in seen
        assert "<b>&</b>" in seen
        assert "\u202e" not in _texts(page)


def test_every_link_leads_to_a_file(browser: Browser, daybook: Path) -> None:
    """Proof pictures, reasons and notes are there, also those with hostile names; no link leads out of the studio."""
    browser.open(daybook / "index.html", width=1440)
    links = browser.evaluate("[...document.querySelectorAll('a')].map(a => a.href)")
    files = {link.partition("#")[0] for link in links} - {(daybook / "index.html").as_uri()}
    assert len(files) >= 11
    for link in files:
        path = Path.from_uri(link) if hasattr(Path, "from_uri") else _path(link)
        assert path.is_file(), link
        assert path.is_relative_to(daybook.parent)


def _path(uri: str) -> Path:
    from urllib.parse import unquote_to_bytes

    return Path(os.fsdecode(unquote_to_bytes(uri.removeprefix("file://"))))


def test_nothing_but_the_pages_own_style_may_act(browser: Browser, daybook: Path) -> None:
    """The policy forbids script, network and styles that are not the page's own: each is tried and is refused."""
    file = daybook / "index.html"
    tried = daybook / "tried.html"
    tried.write_text(
        _texts(file).replace("</main>", "<script>document.title='taken'</script><p style='color:red'></main>")
    )
    try:
        browser.open(tried, width=768)
        browser.settle()
        assert browser.evaluate("document.title") != "taken"
        refused = [entry["entry"]["text"] for entry in browser.named("Log.entryAdded")]
        assert sum("Content Security Policy" in text for text in refused) >= 2, refused
        blocked = "fetch('https://example.invalid/').then(() => 'went', () => 'refused')"
        assert browser.evaluate(blocked) == "refused"
    finally:
        tried.unlink()


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
@pytest.mark.parametrize("page", ["index.html", "month", "full"])
def test_axe_finds_nothing(browser: Browser, daybook: Path, tmp_path: Path, axe: str, page: str, *, dark: bool) -> None:
    """axe-core, all its rules (WCAG 2.x A and AA, best practices): no violation."""
    file = {"index.html": daybook / "index.html", "month": _month_of(daybook)}.get(page) or _full(tmp_path)
    browser.open(file, width=768, dark=dark)
    browser.evaluate(axe + "; 0")
    found = browser.evaluate(
        "axe.run().then(r => [r.passes.length, r.violations.map("
        "v => [v.id, v.help, v.nodes.map(n => n.html.slice(0, 160)).slice(0, 3)])])"
    )
    assert found[1] == []
    assert found[0] > 15  # it did look


def test_the_whole_page_by_keyboard(browser: Browser, daybook: Path) -> None:
    """The first thing that Tab reaches leads to the content; everything else it reaches is a link with a name."""
    browser.open(daybook / "index.html", width=768)
    names = browser.evaluate(
        "[...document.querySelectorAll('a')].map(a => a.ariaLabel || a.innerText || a.querySelector('img')?.alt)"
    )
    assert names[0] == "To the content"
    assert all(names)
    assert browser.evaluate("document.querySelectorAll('[tabindex], [onclick]').length") == 0


def prints(count: int) -> tuple[Print, ...]:
    """A history, newest first."""
    return tuple(
        Print(
            job=count - number,
            name=f"Salt marsh, frame {count - number}.tif",
            folder="Tide tables",
            paper="Smooth cotton, cool white",
            size="A3",
            happened=Happened.TURNED_BACK if number % 9 == 4 else Happened.MADE,
            when=NOW - timedelta(minutes=7 * number),
            how=("lift +1/3 stop", "edition of 25"),
            says="Halo 46 %: the edges ring." if number % 9 == 4 else "",
            picture=Picture("fog.jpg", ""),
        )
        for number in range(count)
    )


def today(**changes: Any) -> Today:
    """A page with something in every part."""
    waiting = Open("Fog over the harbour.tif", "smooth-rag A3", NOW, "Settling: its size changed 3 s ago.")
    stuck = replace(waiting, name="Kelp.tif", says="The reading process ended twice.")
    full = Today(
        studio="tidal mill",
        maker="The studio",
        written=NOW,
        running=True,
        watch="Its last look at ready/ was a moment ago.",
        attention=("Stuck, and kept safe: Kelp.tif.",),
        working=(waiting,),
        waiting=(waiting,),
        stuck=(stuck,),
        turned_back=tuple(replace(one, happened=Happened.TURNED_BACK, picture=Picture()) for one in prints(2)),
        newest=tuple(replace(one, picture=Picture()) for one in prints(3)),
        months=(Month("2026-11", 3, 2), Month("2026-10", 40, 1)),
        papers=(PaperLine("smooth-rag", "Smooth cotton", "smooth-matte", "A4, A3", "Profile: fine"),),
        passed_over=(("Notes.txt.part", "its name says that a program is at work on it"),),
    )
    return replace(full, **changes)


def _full(folder: Path) -> Path:
    file = folder / "full.html"
    file.write_text(pages.first_page(today()), "utf-8")
    return file


def test_five_thousand_rows_open_at_once(browser: Browser, tmp_path: Path) -> None:
    """Opening a month of 5,000 prints takes less than 2 s longer than an empty one (medians of three, same browser)."""
    (tmp_path / "pictures").mkdir()
    Image.new("RGB", (360, 240), (120, 130, 140)).save(tmp_path / "pictures/fog.jpg")
    seconds = {}
    for name, count in (("empty", 0), ("full", 5000)):
        file = tmp_path / f"{name}.html"
        file.write_text(pages.month_page("tidal mill", Month("2026-11", count, 0), prints(count), NOW), "utf-8")
        seconds[name] = statistics.median(browser.open(file, width=1440) for _ in range(3))
    assert browser.evaluate("document.querySelectorAll('.rows > li').length") == 5000
    browser.settle()
    loaded = [event for event in browser.named("Network.requestWillBeSent") if "fog.jpg" in event["request"]["url"]]
    assert len(loaded) < 500, "pictures out of sight are not loaded"
    assert seconds["full"] - seconds["empty"] < 2.0, seconds
