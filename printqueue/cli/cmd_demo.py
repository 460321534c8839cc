"""`printqueue demo`."""

from __future__ import annotations

import argparse
import logging
import sys

from printqueue.cli.console import say, table
from printqueue.errors import Exit


def arguments(command: argparse.ArgumentParser) -> None:
    """Where to make it."""
    command.add_argument("dir", metavar="DIR", help="a new or empty folder")


def run(options: argparse.Namespace) -> int:
    """Make the studio, run the service once, and say where to look. 0 if every picture came out as captioned."""
    from printqueue.demo import run as demo
    from printqueue.demo.cases import CASES

    logging.basicConfig(stream=sys.stderr, level=logging.WARNING, format="%(message)s")
    say(f"Painting {len(CASES)} pictures of an invented coast ...")
    studio = demo.make(options.dir, _progress)
    say("The service runs once over them ...")
    results = demo.run(studio)
    rows = [
        (r.verdict, r.case.name, r.case.caption if r.wrong is None else f"NOT AS IT SHOULD BE: {r.wrong}")
        for r in results
    ]
    table("The demo", ("verdict", "picture", "why it is here"), rows, wide=2)
    say(f"Look into {studio.root}:")
    say("  print/    print-ready TIFFs, each with a .print.txt: how to print it and what was done")
    say("  review/   what was turned back, each with a .reason.txt: what was measured, why it matters, what to do")
    say("  masters/  the untouched pictures that were accepted")
    say("A test strip of the dark one, into strips/:")
    say(f"  printqueue -C {options.dir} strip '{options.dir}/masters/smooth-rag/A4/Night quay.tif' --paper smooth-rag")
    say(f"Go on: printqueue -C {options.dir} serve   (then copy a picture into {options.dir}/ready/smooth-rag/A3/)")
    wrong = [r for r in results if r.wrong is not None]
    if wrong:
        print(f"printqueue: {len(wrong)} pictures did not come out as their captions say.", file=sys.stderr)
    return Exit.STUDIO if wrong else Exit.DONE


def _progress(line: str) -> None:
    if sys.stderr.isatty():
        print(f"\r\x1b[K  {line}", end="", file=sys.stderr, flush=True)
