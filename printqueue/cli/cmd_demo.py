"""`printqueue demo`."""

from __future__ import annotations

import argparse
import logging
import os
import sys

from printqueue.cli.console import progress, say, table
from printqueue.core.errors import Exit, StudioError
from printqueue.core.text import shown


def arguments(command: argparse.ArgumentParser) -> None:
    """Add the argument: the folder to make it in."""
    command.add_argument("dir", metavar="DIR", help="a new or empty folder")


def run(options: argparse.Namespace) -> int:
    """Make the studio, run the service once, say where to look. Return 0 if every picture came out as captioned."""
    from printqueue.demo import run as demo
    from printqueue.demo.cases import CASES

    _complaints_only()
    if os.path.isdir(options.dir) and os.listdir(options.dir):
        raise StudioError(
            f"{shown(options.dir)} is not empty. Nothing was changed.",
            do="Name a new folder: printqueue demo NEW-FOLDER.",
        )
    say(f"Painting {len(CASES)} pictures of an invented coast ...")
    with progress("Painting", len(CASES)) as done:
        studio = demo.make(options.dir, done)
    say("The service runs once over them ...")
    with progress("Judging and rendering", len(CASES)) as done:
        results = demo.run(studio, done)
    rows = [
        (r.verdict, r.case.name, r.case.caption if r.wrong is None else f"NOT AS IT SHOULD BE: {r.wrong}")
        for r in results
    ]
    table("The demo", ("verdict", "picture", "why it is here"), rows, wide=2)
    _where_to_look(options.dir, studio.root)
    wrong = [r for r in results if r.wrong is not None]
    if wrong:
        print(f"printqueue: {len(wrong)} pictures did not come out as their captions say.", file=sys.stderr)
    return Exit.STUDIO if wrong else Exit.DONE


def _complaints_only() -> None:
    """Show the service's warnings and errors, not its progress messages."""
    handler = logging.StreamHandler(sys.stderr)
    handler.setLevel(logging.WARNING)
    logging.basicConfig(handlers=[handler], format="%(message)s")


def _program() -> str:
    """How this program was called, so that the commands we show can be typed as they are."""
    name = sys.argv[0]
    return name if os.path.basename(name) == "printqueue" else "printqueue"


def _where_to_look(called: str, root: str) -> None:
    say(f"Look into {root}:")
    say("  daybook/index.html   open it in a browser: everything at a glance")
    say("  print/    print-ready TIFFs, each with a .print.txt (how to print it) and a .proof.jpg (how it will look)")
    say("  review/   what was turned back, each with a .reason.txt (why, and what to do) and a .proof.jpg (where)")
    say("  masters/  the untouched pictures that were accepted")
    say("A test strip of the dark one, into strips/:")
    dark = f"{called}/masters/smooth-rag/A4/Mill before dawn.tif"
    say(f"  {_program()} -C {called} strip '{dark}' --paper smooth-rag --size A4")
    say(f"Go on: {_program()} -C {called} serve   (then copy a picture into {called}/ready/smooth-rag/A3/)")
