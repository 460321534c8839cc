"""`printqueue init`."""

from __future__ import annotations

import argparse

from printqueue.cli.console import say
from printqueue.errors import Exit


def arguments(command: argparse.ArgumentParser) -> None:
    """Where to make it."""
    command.add_argument("dir", nargs="?", metavar="DIR", help="a new or empty folder (default: this one)")


def run(options: argparse.Namespace) -> int:
    """Make the studio and say what to do next."""
    from printqueue import starter

    studio = starter.init(options.dir or options.studio or ".")
    say(f"Studio made: {studio.root}")
    say("Drop an export (not your only file) into ready/PAPER/SIZE/, for example ready/smooth-rag/A3/.")
    say("Start the service there: printqueue serve")
    say(
        "The profiles are DEMONSTRATION profiles, not for a real sheet: put your own into profiles/ (printqueue papers)."
    )
    return Exit.DONE
