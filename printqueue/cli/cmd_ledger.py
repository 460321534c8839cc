"""`printqueue ledger backup FILE`, `printqueue ledger check`."""

from __future__ import annotations

import argparse
from typing import Any

from printqueue.cli.console import add_json, print_json, say, studio_of
from printqueue.core.errors import Exit, StudioError

_BACKUP = (
    "Copies the ledger as it is at this moment to a new file, while the service goes on, and checks the copy. "
    "To go back to it: stop the service, move ledger.sqlite (with its -wal and -shm) out of the state folder, "
    "and put the copy there under that name."
)
_CHECK = (
    "Looks through all of it: SQLite's integrity check, foreign keys, version; and whether each print that was made "
    "has its file, profile and rules on record. Changes nothing. Ends with 0 where all is well, else with 3."
)


def arguments(command: argparse.ArgumentParser) -> None:
    """What to do with it."""
    actions = command.add_subparsers(dest="action", metavar="ACTION", required=True)
    backup = _action(actions, "backup", "copy the ledger to a new file", _BACKUP, "backup ledger-2026-11-25.sqlite")
    backup.add_argument("file", metavar="FILE", help="a new file; nothing is overwritten")
    _action(actions, "check", "look whether the ledger is sound", _CHECK, "check")


def _action(actions: Any, name: str, line: str, description: str, example: str) -> argparse.ArgumentParser:
    made: argparse.ArgumentParser = actions.add_parser(
        name,
        help=line,
        description=description,
        epilog=f"example:\n  printqueue ledger {example}\n\nexit codes: 0 done; 2 bad use; 3 the ledger or the machine is at fault.",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    add_json(made)
    return made


def run(options: argparse.Namespace) -> int:
    """Both only read the ledger; neither waits for the service."""
    from printqueue.ledger import LedgerReader

    studio = studio_of(options)
    reader = LedgerReader(studio.ledger)
    if options.action == "backup":
        return _backup(studio.ledger, reader, options)
    return _check(studio.ledger, reader, options)


def _backup(path: str, reader: Any, options: argparse.Namespace) -> int:
    from printqueue.ledger.rescue.backup import back_up

    if not reader.exists:
        raise StudioError("There is no ledger yet, so nothing to copy.", do="The service makes it at its first start.")
    size = back_up(path, options.file)
    if options.json:
        from printqueue.core.text import shown

        print_json({"file": shown(options.file, limit=1000), "bytes": size, "sound": True})
    else:
        say(f"Copied to {options.file} ({size / 1e6:.1f} MB), and checked: the copy is whole.")
    return Exit.DONE


def _check(path: str, reader: Any, options: argparse.Namespace) -> int:
    if not reader.exists:
        return _not_there(options)
    from printqueue.ledger.rescue.care import check_up

    found, rebuilt = check_up(path), reader.rebuilds()
    if options.json:
        print_json(
            {
                "bytes": found.size,
                "version": found.schema,
                "rows": found.rows,
                "sound": not found.problems,
                "problems": found.problems,
                "rebuilt": [{"at": one.at, "set_aside": one.aside, "says": one.says, "do": one.do} for one in rebuilt],
            }
        )
    else:
        _say(found, rebuilt)
    return Exit.STUDIO if found.problems else Exit.DONE


def _not_there(options: argparse.Namespace) -> int:
    if options.json:
        print_json({"bytes": 0, "version": None, "rows": {}, "sound": True, "problems": [], "rebuilt": []})
    else:
        say("There is no ledger yet: the service makes it at its first start.")
    return Exit.DONE


def _say(found: Any, rebuilt: list[Any]) -> None:
    for problem in found.problems:
        say(problem)
    for one in rebuilt:
        say(f"{one.says} {one.do}")
    counts = ", ".join(f"{name} {count}" for name, count in found.rows.items())
    if found.problems:
        say(f"Not all is well with the ledger ({found.size / 1e6:.1f} MB). Pictures and prints are untouched.")
    else:
        say(f"The ledger is sound: {found.size / 1e6:.1f} MB, version {found.schema}; {counts}.")
