"""The pages as HTML. Pure: entries in, text out; the same entries give the same text."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Iterable, Sequence
from datetime import datetime
from functools import cache
from importlib.resources import files
from urllib.parse import quote

from printqueue.reports.daybook.entries import Happened, Month, Open, PaperLine, Picture, Print, Today
from printqueue.reports.daybook.html import Html, address, joined, tag

FIRST = "index.html"


def first_page(today: Today) -> str:
    """What is in progress, what is waiting and why, what was turned back, what was made, the papers, the service."""
    parts = [
        _needs(today.attention),
        _section("now", "In hand", _open_rows(today.working, "Nothing is being made at this moment.")),
        _section("waiting", "Waiting", _open_rows(today.waiting, "Nothing waits.")),
        _section("stuck", "Stuck, and kept safe", _open_rows(today.stuck, "")) if today.stuck else None,
        _section("back", "Turned back", _cards(today.turned_back, "Nothing stands in review/.")),
        _section("made", "Made", _made(today)),
        _section("papers", "Papers", _papers(today.papers)),
        _section("service", "The service", _service(today)),
    ]
    names = [("now", "In hand"), ("waiting", "Waiting"), ("back", "Turned back"), ("made", "Made")]
    names += [("papers", "Papers"), ("service", "The service")]
    links = [tag("li", tag("a", name, href=f"#{anchor}")) for anchor, name in names]
    return _page(
        f"Daybook of {today.studio}",
        _heading(today),
        tag("nav", tag("ul", *links), aria_label="On this page"),
        joined([part for part in parts if part is not None]),
        written=today.written,
    )


def month_page(studio: str, month: Month, prints: Sequence[Print], written: datetime) -> str:
    """Everything made or turned back in one month, newest first."""
    counts = f"{_counted(month.made, 'print')} made, {_counted(month.turned_back, 'picture')} turned back."
    rows = tag("ol", *(_month_row(one) for one in prints), class_="plain rows month")
    return _page(
        f"{month.title}: daybook of {studio}",
        joined([tag("h1", month.title), tag("p", f"{studio}. {counts}", class_="soft")]),
        tag("nav", tag("ul", tag("li", tag("a", "Back to the daybook", href=FIRST))), aria_label="Daybook"),
        rows if prints else tag("p", "Nothing was made or turned back."),
        written=written,
    )


def _page(title: str, heading: Html, navigation: Html, content: Html, *, written: datetime) -> str:
    """The frame of every page. It allows our own style and pictures, and loads or runs nothing else."""
    style, digest = _style()
    policy = (
        f"default-src 'none'; img-src 'self' file:; style-src 'sha256-{digest}'; base-uri 'none'; form-action 'none'"
    )
    head = [
        Html('<meta charset="utf-8">'),
        Html(f'<meta http-equiv="Content-Security-Policy" content="{policy}">'),
        tag("meta", name="viewport", content="width=device-width, initial-scale=1"),
        tag("meta", name="referrer", content="no-referrer"),
        tag("title", title),
        Html(f"<style>{style}</style>"),
    ]
    said = "This page is a plain file. While the service runs it is written again at every change: reload to see it."
    body = [
        tag("a", "To the content", class_="skip", href="#content"),
        tag("header", heading, navigation),
        tag("main", content, id="content"),
        tag("footer", tag("p", "Written ", _time(written), ". ", said)),
    ]
    page = tag("html", tag("head", joined(head)), Html("\n"), tag("body", joined(body)), lang="en")
    return f"<!doctype html>\n{page}\n"


@cache
def _style() -> tuple[str, str]:
    """The style sheet and its hash for the page's policy (CSP level 3, hash-source)."""
    style = files("printqueue.reports.daybook").joinpath("style.css").read_text("utf-8")
    return style, base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()


def _heading(today: Today) -> Html:
    maker = f", {today.maker}" if today.maker else ""
    state = "the service was running" if today.running else "the service had ended: nothing is taken from ready/ now"
    said = tag("p", "When this was written, ", _time(today.written), f", {state}.", class_="soft")
    return joined([tag("h1", f"Daybook of {today.studio}{maker}"), said])


def _section(anchor: str, title: str, content: Html) -> Html:
    return tag("section", tag("h2", title, id=f"{anchor}-title"), content, id=anchor, aria_labelledby=f"{anchor}-title")


def _needs(sentences: Sequence[str]) -> Html | None:
    if not sentences:
        return None
    items = tag("ul", *(tag("li", one) for one in sentences), class_="plain")
    return tag(
        "section", tag("h2", "Needs you", id="needs-title"), items, class_="needs", aria_labelledby="needs-title"
    )


def _open_rows(rows: Iterable[Open], none: str) -> Html:
    items = [
        tag(
            "li",
            tag("div", tag("h3", one.name), tag("p", one.for_, class_="soft")),
            tag("div", tag("p", one.says) if one.says else None, tag("p", "since ", _time(one.since), class_="soft")),
        )
        for one in rows
    ]
    return tag("ul", *items, class_="plain rows") if items else tag("p", none)


def _made(today: Today) -> Html:
    parts = [_cards(today.newest, "Nothing was made yet. Drop a picture into ready/ and a paper's folder in it.")]
    if today.months:
        links = [tag("li", tag("a", one.title, href=one.file), f" ({one.made})") for one in today.months]
        parts.append(tag("nav", tag("ul", *links), aria_label="By month"))
    return joined(parts)


def _cards(prints: Sequence[Print], none: str) -> Html:
    if not prints:
        return tag("p", none)
    return tag("ul", *(_card(one) for one in prints), class_="plain cards")


def _card(one: Print) -> Html:
    kind = {Happened.MADE: "made", Happened.SUPERSEDED: "older"}.get(one.happened, "back")
    words = [
        tag("h3", one.name),
        tag("p", f"{one.paper}, {one.size}"),
        tag("p", ", ".join(one.how)) if one.how else None,
        tag("p", one.says) if one.says else None,
        _links(one),
        tag(
            "p",
            _time(one.when),
            f" · job {one.job}" if one.job else None,
            tag("span", f" · {one.folder}") if one.folder else None,
            class_="soft",
        ),
    ]
    return tag("li", _mat(one), tag("div", *words, class_="words"), class_=f"card {kind}")


def _mat(one: Print) -> Html:
    """The thumbnail, linked to the proof picture if that still exists."""
    image = _image(one.picture, f"{one.name} on {one.paper}")
    return tag("div", image or tag("span", "no picture to show"), class_="mat")


def _image(picture: Picture, alt: str) -> Html | None:
    if not picture.thumbnail:
        return None
    image = tag("img", src=f"pictures/{quote(picture.thumbnail)}", alt=alt, loading="lazy", decoding="async")
    return tag("a", image, href=address(picture.proof)) if picture.proof else image


def _links(one: Print) -> Html | None:
    said = "how to print it" if one.happened is Happened.MADE else "the reason"
    links = []
    if one.picture.proof:
        links.append(
            tag("a", "proof picture", href=address(one.picture.proof), aria_label=f"proof picture of {one.name}")
        )
    if one.note:
        links.append(tag("a", said, href=address(one.note), aria_label=f"{said}: {one.name}"))
    return tag("p", joined(links, " · ")) if links else None


def _month_row(one: Print) -> Html:
    kind = "made" if one.happened is Happened.MADE else "back"
    how = " · ".join([f"{one.paper}, {one.size}", *one.how])
    lines = [
        tag("h2", one.name, class_="name"),
        tag("p", tag("span", str(one.happened), class_=f"word {kind}"), " ", how),
        tag("p", one.says) if one.says and kind == "back" else None,
        tag("p", _time(one.when), f" · job {one.job}", f" · {one.folder}" if one.folder else None, class_="soft"),
    ]
    return tag("li", _mat(one), tag("div", *lines))


def _papers(papers: Sequence[PaperLine]) -> Html:
    if not papers:
        return tag("p", "No paper is in force. Look into rules/, or run ", tag("code", "printqueue papers"), ".")
    items = [
        tag(
            "li",
            tag("div", tag("h3", one.name), tag("p", f"ready/{one.key}/", class_="soft")),
            tag("div", tag("p", f"{one.surface}; {one.sizes}"), tag("p", one.profile)),
        )
        for one in papers
    ]
    return tag("ul", *items, class_="plain rows")


def _service(today: Today) -> Html:
    lines = [tag("p", today.watch)]
    if today.passed_over:
        items = [tag("li", tag("div", tag("h3", name)), tag("div", tag("p", why))) for name, why in today.passed_over]
        lines += [tag("p", "Passed over in ready/, left where they are:"), tag("ul", *items, class_="plain rows")]
    return joined(lines)


def _time(when: datetime) -> Html:
    said = f"{when.day} {when:%B %Y}, {when:%H:%M}"
    return tag("time", said, datetime=when.isoformat())


def _counted(number: int, what: str) -> str:
    return f"{number} {what}" if number == 1 else f"{number} {what}s"
