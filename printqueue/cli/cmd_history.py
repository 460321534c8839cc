"""`printqueue history`."""

from __future__ import annotations

import argparse
from typing import Any

from printqueue.cli.console import add_json, print_json, say, studio_of, table
from printqueue.errors import Exit


def arguments(command: argparse.ArgumentParser) -> None:
    """Which pictures."""
    command.add_argument("name", nargs="?", metavar="NAME", help="only pictures whose path contains this")
    add_json(command)


def run(options: argparse.Namespace) -> int:
    """Every judged print, newest first."""
    from printqueue.ledger import LedgerReader, Wanted

    wanted = Wanted(name=options.name)
    records = [r for r in LedgerReader(studio_of(options).ledger).prints(wanted) if r.verdict is not None]
    if options.json:
        print_json([_object(record) for record in records])
        return Exit.DONE
    if not records:
        say("Nothing was made yet." if not options.name else "Nothing of that name.")
        return Exit.DONE
    rows = [
        (
            str(r.job),
            r.made or r.since,
            "made" if r.state == "printable" else str(r.state),
            r.path,
            f"{r.paper} {r.size}",
            _settings(r),
        )
        for r in records
    ]
    table("History", ("job", "when", "state", "picture", "on", "how"), rows, wide=5)
    return Exit.DONE


def _settings(record: Any) -> str:
    from printqueue.units import stops_text

    settings = record.settings
    if not settings:
        return ""
    return f"{settings['intent']}, lift {stops_text(settings['lift_stops'])}, {settings['ppi']} ppi, copies {record.copies}"


def _object(record: Any) -> dict[str, Any]:
    from printqueue.text import shown

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
