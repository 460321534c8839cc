"""Gathers what the daybook's pages show from the ledger, the papers and the folders."""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping
from datetime import datetime
from typing import Any

from printqueue.core import naming
from printqueue.core.disk.durable import lstamp
from printqueue.core.model.finding import Level
from printqueue.core.model.job import Arrival, MonthCount, PrintRecord, State
from printqueue.core.model.publication import Publication
from printqueue.core.units import stops_text
from printqueue.ledger import LedgerReader, Wanted
from printqueue.reports.daybook.entries import Happened, Month, Open, PaperLine, Picture, Print, Today
from printqueue.reports.queue import attention, collect
from printqueue.studio.folders import Studio
from printqueue.studio.papers.loader import Shelf
from printqueue.studio.stock import profile_state

THUMBNAILS = "pictures"  # below daybook/
_NEWEST = 24  # prints on the first page
_MAX_PRINTS = 100_000  # in one month


def today(studio: Studio, shelf: Shelf, months: Iterable[MonthCount], *, now: datetime, running: bool) -> Today:
    """The first page's content; all times are given in the time zone of `now`. `months`: those that have a page.

    The cost depends only on what the page shows, however much was made before.
    """
    ledger = LedgerReader(studio.ledger)
    with ledger.at_once():
        answer, sightings = collect(ledger, running=running), ledger.sightings()
        book = _Book(studio, shelf, ledger, now)
        newest, back = book.newest(), book.turned_back()
    return Today(
        studio=os.path.basename(studio.root) or "the studio",
        maker=studio.config.maker,
        written=now,
        running=running,
        watch=_watch(answer, now),
        attention=tuple(attention(answer, sightings, now, scan_s=studio.config.scan, standing=0)),
        working=_open(answer, State.WORKING, now),
        waiting=_open(answer, State.WAITING, now),
        stuck=_open(answer, State.STUCK, now),
        turned_back=back,
        newest=newest,
        months=tuple(Month(one.month, one.made, one.turned_back) for one in months),
        papers=_papers(studio, shelf),
        passed_over=tuple((one["file"], one["why"]) for one in answer["passed_over"]),
    )


def month(studio: Studio, shelf: Shelf, ledger: LedgerReader, count: MonthCount, *, now: datetime) -> tuple[Print, ...]:
    """Everything made or turned back in that month, newest first."""
    book = _Book(studio, shelf, ledger, now)
    with ledger.at_once():
        records = ledger.prints(Wanted(month=count.month, judged=True), limit=_MAX_PRINTS)
        book.know_all_thumbnails()
    found = [book.print(record, still_there=False) for record in records]
    return tuple(sorted(found, key=lambda one: (one.when, one.job), reverse=True))


class _Book:
    """One look at the ledger and the folders."""

    def __init__(self, studio: Studio, shelf: Shelf, ledger: LedgerReader, now: datetime) -> None:
        self._studio, self._shelf, self._ledger, self._now = studio, shelf, ledger, now
        self._thumbnails: dict[int, str] = {}  # of the jobs shown
        self._standing: frozenset[str] | None = None  # all thumbnails; None: look for each one
        self._superseded = frozenset[int]()

    def know_all_thumbnails(self) -> None:
        """Read the ledger and the folder just once, for a page of many prints."""
        self._thumbnails = self._ledger.thumbnails()
        self._standing = _names(self._studio.path("daybook", THUMBNAILS))

    def newest(self) -> tuple[Print, ...]:
        """The most recently made prints."""
        records = self._ledger.prints(Wanted(made=True), limit=_NEWEST)
        self._thumbnails |= self._ledger.thumbnails([one.job for one in records])
        return tuple(self.print(record, still_there=True) for record in records)

    def turned_back(self) -> tuple[Print, ...]:
        """One entry for each picture in review/, however many prints of it were ordered."""
        found = []
        records = {one.arrival: one for one in self._ledger.prints(Wanted(turned_back=True, open_only=True))}
        self._thumbnails |= self._ledger.thumbnails([one.job for one in records.values()])
        self._superseded = self._ledger.superseded()
        for arrival in self._ledger.in_review():
            if arrival.intent is not None:
                record = records.get(arrival.id) or _unplanned(arrival)
                found.append(self._in_review(record, arrival, Publication.from_json(arrival.intent)))
        return tuple(sorted(found, key=lambda one: one.happened is Happened.SUPERSEDED))

    def _in_review(self, record: PrintRecord, arrival: Arrival, intent: Publication) -> Print:
        older = arrival.id in self._superseded
        return self._entry(
            record,
            Happened.SUPERSEDED if older else Happened.TURNED_BACK,
            proof=self._there(_with(intent, naming.PROOF)),
            note=self._there(_with(intent, naming.REASON)),
            says=arrival.says if older else intent.says,
        )

    def print(self, record: PrintRecord, *, still_there: bool) -> Print:
        """One print; `still_there`: check whether its files still exist (pages of past months do not)."""
        if record.state is not State.PRINTABLE:
            happened = Happened.TAKEN if record.state is State.WITHDRAWN else Happened.TURNED_BACK
            return self._entry(record, happened, says=_worst(record))
        base = (record.output or "").removesuffix(naming.PRINT)
        if not base or not still_there:
            return self._entry(record, Happened.MADE)
        return self._entry(
            record, Happened.MADE, proof=self._there(base + naming.PROOF), note=self._there(base + naming.PRINT_NOTE)
        )

    def _entry(
        self, record: PrintRecord, happened: Happened, *, proof: str = "", note: str = "", says: str = ""
    ) -> Print:
        _, name = os.path.split(record.path)
        title = record.settings.get("title")
        paper = self._shelf.papers.get(record.paper)
        thumbnail = self._thumbnails.get(record.job, "")
        return Print(
            job=record.job,
            name=str(title or name),
            folder=_below(record, named=title is None),
            paper=paper.paper if paper else record.paper or "a paper not named",
            size=record.size or "size not named",
            happened=happened,
            when=_time(record.made if record.state is State.PRINTABLE and record.made else record.since, self._now),
            how=tuple(_how(record)),
            says=says,
            picture=Picture(thumbnail if self._has_thumbnail(thumbnail) else "", proof),
            note=note,
        )

    def _has_thumbnail(self, name: str) -> bool:
        if self._standing is None:
            return bool(name and self._there(os.path.join("daybook", THUMBNAILS, name)))
        return name in self._standing

    def _there(self, path: str) -> str:
        """`path` if the file exists, otherwise "": files the photographer has taken away are not linked to."""
        try:
            return path if path and lstamp(self._studio.path(path)) is not None else ""
        except OSError:
            return ""


def _unplanned(arrival: Arrival) -> PrintRecord:
    """A picture turned back before any print of it was planned, because its order cannot be followed."""
    folder = os.path.dirname(arrival.path)
    return PrintRecord(
        job=0,
        arrival=arrival.id,
        path=arrival.path,
        paper=folder.partition("/")[0],
        size="",
        copies=1,
        state=arrival.state,
        since=arrival.since,
        says=arrival.says,
        sha256=arrival.sha256,
    )


def _below(record: PrintRecord, *, named: bool) -> str:
    """Where the picture was below paper and size: the photographer's own folders, plus its name if a title is shown."""
    parts = record.path.split("/")[1:]
    if len(parts) > 1 and parts[0].casefold() == record.size.casefold():
        parts = parts[1:]
    return "/".join(parts[:-1] if named else parts)


def _with(intent: Publication, ending: str) -> str:
    return next((placed.final for placed in intent.placed if placed.final.endswith(ending)), "")


def _worst(record: PrintRecord) -> str:
    """What the first finding that rejects says, otherwise the first that warns."""
    found = record.counting(Level.REJECT) or record.counting(Level.WARN)
    return str(found[0].get("says", "")) if found else ""


def _how(record: PrintRecord) -> Iterable[str]:
    settings = record.settings
    made = record.state is State.PRINTABLE
    if made and record.file:
        yield record.file
    if lift := settings.get("lift_stops"):
        yield f"lift {stops_text(float(lift))}"
    if record.copies != 1:
        yield f"{record.copies} copies"
    if edition := settings.get("edition_of"):
        yield f"edition of {edition}"
    if made and (warned := record.counting(Level.WARN)):
        yield f"warned of: {', '.join(str(one.get('check')) for one in warned)}"


def _open(answer: Mapping[str, Any], state: State, now: datetime) -> tuple[Open, ...]:
    return tuple(
        Open(job["picture"], f"{job['paper']} {job['size'] or ''}".strip(), _time(job["since"], now), _why(job))
        for job in answer["jobs"]
        if job["state"] == state
    )


def _why(job: Mapping[str, Any]) -> str:
    until = f" Not tried before {job['deferred_until']}." if job["deferred_until"] else ""
    said = str(job["says"])
    return f"{said[:1].upper()}{said[1:]}{until}"


def _watch(answer: Mapping[str, Any], now: datetime) -> str:
    if answer["last_scan"] is None:
        return "It has not looked at ready/ yet."
    when = _time(answer["last_scan"], now)
    how = "woken by file events and the clock" if answer["watch"] == "events" else "woken by the clock"
    why = f" ({answer['watch_because']})" if answer["watch_because"] else ""
    return f"Its last look at ready/ before this was written: {when:%H:%M:%S}, {how}{why}."


def _papers(studio: Studio, shelf: Shelf) -> tuple[PaperLine, ...]:
    return tuple(
        PaperLine(
            key=key,
            name=paper.paper,
            surface=str(paper.surface),
            sizes=", ".join(size.name for size in paper.sizes),
            profile=f"Profile: {profile_state(studio.path('profiles'), paper)}",
        )
        for key, paper in shelf.papers.items()
    )


def _names(folder: str) -> frozenset[str]:
    try:
        return frozenset(os.listdir(folder))
    except OSError:
        return frozenset()


def _time(text: str, now: datetime) -> datetime:
    """A ledger time in the time zone of `now`; `now` if it cannot be parsed."""
    try:
        return datetime.fromisoformat(text).astimezone(now.tzinfo)
    except ValueError:
        return now
