"""`printqueue init`."""

from __future__ import annotations

import argparse

from printqueue.cli.console import say
from printqueue.core.errors import Exit, StudioError
from printqueue.core.text import shown

_AGAIN = (
    "In a studio that is one already, it puts back folders that were taken away, and the mark by which the service knows "
    "them; nothing else is changed. Be sure that they are not just unmounted: the service waits for those by itself."
)


def arguments(command: argparse.ArgumentParser) -> None:
    """Add the arguments: where to make the studio, or what to put back."""
    command.description = f"{command.description} {_AGAIN}"
    command.add_argument(
        "dir",
        nargs="?",
        metavar="DIR",
        help="a new or empty folder, or a studio that lacks folders (default: this one)",
    )


def run(options: argparse.Namespace) -> int:
    """Make the studio and say what to do next."""
    from printqueue.studio import starter
    from printqueue.studio.marker import is_studio

    root = options.dir or options.studio or "."
    if is_studio(root):
        return _put_back(root)
    studio = starter.init(root)
    say(f"Studio made: {studio.root}")
    say("Drop an export (not your only file) into ready/PAPER/SIZE/, for example ready/smooth-rag/A3/.")
    say("Start the service there: printqueue serve")
    say(
        "The profiles are DEMONSTRATION profiles, not for a real sheet: put your own into profiles/ (printqueue papers)."
    )
    return Exit.DONE


def _put_back(root: str) -> int:
    """Restore folders the photographer removed and wants back."""
    from printqueue.studio.folders import open_studio, put_back

    studio = open_studio(root)
    done = False
    for line in put_back(studio):
        say(line)
        done = True
    if not done:
        raise StudioError(
            f"{shown(studio.root)} is a studio already, and none of its folders is missing. Nothing was changed.",
            do="Start the service there: printqueue serve.",
        )
    return Exit.DONE
