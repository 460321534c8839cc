"""`printqueue doctor`."""

from __future__ import annotations

import argparse
from collections import Counter

from printqueue.cli.console import add_json, print_json, root_of, say, table
from printqueue.core.errors import Exit


def arguments(command: argparse.ArgumentParser) -> None:
    """Add the output option."""
    add_json(command)


def run(options: argparse.Namespace) -> int:
    """Ask every question; return 3 if any answer is bad."""
    results = _results(options)
    count = Counter(result["state"] for result in results)
    if options.json:
        print_json(results)
    else:
        rows = [("BAD" if r["state"] == "bad" else r["state"], r["name"], r["says"], r["do"]) for r in results]
        table("Doctor", ("", "what", "how it is", "what to do"), rows, wide=2)
        say(f"{count['bad']} bad, {count['warn']} to look at, {count['fine']} fine.")
    return Exit.STUDIO if count["bad"] else Exit.DONE


def _results(options: argparse.Namespace) -> list[dict[str, str]]:
    """The objects of `doctor --json`; just one if a library is too broken to ask anything."""
    try:
        from printqueue.cli.doctor import examine
    except ImportError as error:
        says = f"A library cannot be loaded ({error}). Nothing else was looked at."
        do = "Install printqueue again into a fresh environment."
        return [{"name": "libraries", "state": "bad", "says": says, "do": do}]
    results = examine(root_of(options))
    return [{"name": r.name, "state": str(r.state), "says": r.says, "do": r.do} for r in results]
