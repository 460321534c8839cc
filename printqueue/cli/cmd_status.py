"""`printqueue status`."""

from __future__ import annotations

import argparse

from printqueue.cli.console import add_json, print_json, say, studio_of, table
from printqueue.core.errors import Exit, UsageError

_CODES = (
    "Ends with 0 where nothing needs a human, with 3 where something does: a job is stuck; a folder of the studio is not there; the running service names a "
    "problem, or its last look at ready/ is older than twice `scan`; no service runs although pictures stand in ready/. "
    "Pictures turned back are normal and count as 0: their reasons stand in review/."
)


def arguments(command: argparse.ArgumentParser) -> None:
    """Add the output options."""
    command.description = f"{command.description} {_CODES}"
    command.add_argument(
        "--follow",
        action="store_true",
        help="stay and show what changes, until Ctrl-C: a live view in a terminal, one line per change in a pipe",
    )
    add_json(command)


def run(options: argparse.Namespace) -> int:
    """Show what the ledger says, without ever blocking the service."""
    if options.follow and options.json:
        raise UsageError("--follow shows what changes to a person; --json is one answer. Leave one of them out.")
    from printqueue.cli import following, queue_view

    studio = studio_of(options)
    if options.follow:
        return following.follow(studio)
    answer, now = queue_view.look(studio)
    if options.json:
        print_json(answer)
    else:
        for line in queue_view.lines(answer, now):
            say(line)
        for one in queue_view.listings(answer):
            table(one.title, one.columns, one.rows, wide=one.wide)
    return Exit.STUDIO if answer["attention"] else Exit.DONE
