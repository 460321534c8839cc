"""`status --follow`: a live view in a terminal, one line per change in a pipe."""

from __future__ import annotations

import signal
import time
from collections.abc import Iterator
from datetime import datetime
from typing import TYPE_CHECKING, Any

from printqueue.cli.console import drawn, in_terminal, say, terminal
from printqueue.cli.queue_view import lines, listings, look
from printqueue.core.errors import Exit, PrintqueueError
from printqueue.core.text import shown
from printqueue.ledger import LedgerReader
from printqueue.reports.why_words import sighting_words

if TYPE_CHECKING:
    from rich.console import Group

    from printqueue.core.model.job import Fact
    from printqueue.studio.folders import Studio

_EVERY_S = 1.0
# Facts worth a line, in the words of `status`.
_BECAME = {
    "claimed": "working",
    "waiting": "waiting",
    "interrupted": "waiting",
    "printable": "printable",
    "review": "review",
    "withdrawn": "withdrawn",
    "stuck": "stuck",
}


def follow(studio: Studio) -> int:
    """Show changes until Ctrl-C. If the ledger cannot be read, the live view says so and keeps trying; in a pipe the
    command ends.
    """
    signal.signal(signal.SIGINT, signal.default_int_handler)  # ignored in a shell's background job
    try:
        if in_terminal():
            _live(studio)
        else:
            _plain(studio)
    except KeyboardInterrupt:  # the normal way to leave
        pass
    return Exit.DONE


def _live(studio: Studio) -> None:
    from rich.live import Live

    with Live(_view(studio), console=terminal(), auto_refresh=False, vertical_overflow="ellipsis") as live:
        while True:
            time.sleep(_EVERY_S)
            live.update(_view(studio), refresh=True)


def _view(studio: Studio) -> Group:
    from rich.console import Group
    from rich.text import Text

    try:
        answer, now = look(studio)
    except PrintqueueError as error:
        return Group(Text(shown(str(error), limit=1000)))
    # First, because a long queue gets cut off at the bottom of the screen.
    parts: list[Any] = [Text(f"{now.astimezone():%H:%M:%S}  Ctrl-C ends this view, not the service.", style="dim")]
    parts += [Text(shown(line, limit=1000)) for line in lines(answer, now)]
    parts += [drawn(one.title, one.columns, one.rows, wide=one.wide) for one in listings(answer)]
    return Group(*parts)


def _plain(studio: Studio) -> None:
    ledger = LedgerReader(studio.ledger)
    newest = ledger.newest_fact()
    answer, now = look(studio)
    for line in lines(answer, now):
        say(line)
    for line in changes(ledger, newest):
        say(line)


def changes(ledger: LedgerReader, newest: int) -> Iterator[str]:
    """Yield, as they happen, a line for each transition after fact number `newest` and for each new reason to wait."""
    waiting: set[tuple[str, str]] = set()
    while True:
        for fact in ledger.facts(newest):
            newest = fact.id
            if fact.fact in _BECAME:
                yield _line(fact)
        now = {(one.path, sighting_words(one)) for one in ledger.sightings() if one.kind == "waiting"}
        for path, says in sorted(now - waiting):
            yield f"{datetime.now():%H:%M:%S}  waiting    {path}  {says}".rstrip()
        waiting = now
        time.sleep(_EVERY_S)


def _line(fact: Fact) -> str:
    at = datetime.fromisoformat(fact.at).astimezone()
    says = "" if fact.fact == "claimed" else fact.detail
    return f"{at:%H:%M:%S}  {_BECAME[fact.fact]:<9}  {fact.path}  {says}".rstrip()
