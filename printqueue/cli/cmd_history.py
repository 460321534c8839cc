"""`printqueue history`."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING, Any

from printqueue.cli.completing import completes, papers, sizes
from printqueue.cli.console import add_json, print_json, say, studio_of, table
from printqueue.core.errors import Exit

if TYPE_CHECKING:
    from printqueue.core.model.job import PrintRecord
    from printqueue.ledger import Wanted

_MAX_SHOWN = 1000
_MAX_WHY = 160


def arguments(command: argparse.ArgumentParser) -> None:
    """Add the filters."""
    command.add_argument("name", nargs="?", metavar="NAME", help="only pictures whose path contains this")
    completes(command.add_argument("--paper", metavar="PAPER", help="only on this paper (its key)"), papers)
    completes(command.add_argument("--size", metavar="SIZE", help="only of this size, as the paper calls it"), sizes)
    command.add_argument("--since", metavar="WHEN", help="from then on: 2026, 2026-11, 2026-11-29 (local time)")
    command.add_argument("--until", metavar="WHEN", help="up to then, that year, month or day included")
    outcome = command.add_mutually_exclusive_group()
    outcome.add_argument("--made", action="store_true", help="only what was made")
    outcome.add_argument("--turned-back", action="store_true", help="only what was turned back")
    command.add_argument(
        "--most", type=_count, default=_MAX_SHOWN, metavar="N", help=f"at most so many (default: {_MAX_SHOWN})"
    )
    add_json(command)


def _count(text: str) -> int:
    if not (text.isascii() and text.isdigit() and 0 < int(text) <= 10_000_000):
        raise argparse.ArgumentTypeError(f"'{text[:20]}' is no number of prints")
    return int(text)


def run(options: argparse.Namespace) -> int:
    """List every matching judged print, newest first."""
    from printqueue.ledger import LedgerReader, Wanted

    wanted = _wanted(options)
    studio = studio_of(options)
    found = LedgerReader(studio.ledger).prints(wanted, limit=options.most + 1)
    records = found[: options.most]
    if options.json:
        print_json([_object(record) for record in records])
        return Exit.DONE
    if not records:
        say("Nothing was made yet." if wanted == Wanted(judged=True) else _nothing_like_that(options))
        return Exit.DONE
    _show(records)
    if len(found) > len(records):
        say(f"These are the newest {len(records)}. Ask for more with --most.")
    return Exit.DONE


def _wanted(options: argparse.Namespace) -> Wanted:
    from printqueue.cli.dates import first_moment, last_moment
    from printqueue.ledger import Wanted

    return Wanted(
        name=options.name,
        paper=options.paper,
        size=options.size,
        since=first_moment(options.since) if options.since else None,
        until=last_moment(options.until) if options.until else None,
        made=options.made,
        not_made=options.turned_back,
        judged=True,
    )


def _nothing_like_that(options: argparse.Namespace) -> str:
    """Name the nearest paper in rules/: with a misspelt paper, the work would seem lost."""
    from printqueue.core.nearest import suggestion

    said = "Nothing like that was made or turned back."
    known = papers(options)
    if options.paper and options.paper not in known:
        return f"{said} rules/ has no paper '{options.paper}' now. {suggestion(options.paper, known)}"
    return said


def _show(records: list[PrintRecord]) -> None:
    from printqueue.cli.dates import local, zone

    rows = [
        (
            str(record.job),
            local(record.made if record.state == "printable" and record.made else record.since),
            _became(record),
            f"{record.path} → {record.file}" if record.file else record.path,  # if numbered
            f"{record.paper} {record.size}".strip(),
            _settings(record) if record.state == "printable" else _why(record),
        )
        for record in records
    ]
    table("History", ("job", f"when ({zone()})", "became", "picture", "on", "how, or why not"), rows, wide=3)


def _became(record: PrintRecord) -> str:
    """What became of the print, in the daybook's words."""
    if record.state == "printable":
        return "made"
    return "turned back (since taken)" if record.state == "withdrawn" else "turned back"


def _why(record: PrintRecord) -> str:
    """The checks that turned it back: those that reject, otherwise those that warn. Other faults are given in full."""
    from printqueue.core.model.finding import Level
    from printqueue.core.text import shown
    from printqueue.judging.checks import REGISTRY

    found = record.counting(Level.REJECT) or record.counting(Level.WARN)
    if not found:
        return shown(record.says, limit=_MAX_WHY)
    names = {str(one.get("check")): str(one.get("says")) for one in found}
    return ", ".join(
        name if name in REGISTRY else shown(f"{name}: {says}", limit=_MAX_WHY) for name, says in names.items()
    )


def _settings(record: PrintRecord) -> str:
    from printqueue.core.units import stops_text

    settings = record.settings
    if not settings:
        return ""
    lift = f", lift {stops_text(settings['lift_stops'])}" if settings["lift_stops"] else ""
    copies = f", {record.copies} copies" if record.copies != 1 else ""
    return f"{settings['intent']}{lift}, {settings['ppi']} ppi{copies}"


def _object(record: PrintRecord) -> dict[str, Any]:
    from printqueue.core.text import shown

    return {
        "job": record.job,
        "picture": shown(record.path),
        "sha256": record.sha256,
        "paper": record.paper,
        "size": record.size,
        "copies": record.copies,
        "made": record.made if record.state == "printable" else None,
        "verdict": record.verdict,
        "output": None if record.output is None else shown(record.output, limit=1000),
        "profile_sha256": record.profile_sha256,
        "settings": record.settings,
        "findings": record.findings,
    }
