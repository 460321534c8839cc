"""`printqueue ledger backup FILE`, `printqueue ledger check`."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING, Any

from printqueue.cli.console import add_json, print_json, say, studio_of
from printqueue.core.errors import Exit, StudioError

if TYPE_CHECKING:
    from printqueue.ledger import LedgerReader

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
    """Add the actions `backup` and `check`."""
    actions = command.add_subparsers(dest="action", metavar="ACTION", required=True)
    for name, line, description, example in (
        ("backup", "copy the ledger to a new file", _BACKUP, "backup ledger-2026-11-25.sqlite"),
        ("check", "look whether the ledger is sound", _CHECK, "check"),
    ):
        action = actions.add_parser(
            name,
            help=line,
            description=description,
            epilog=f"example:\n  printqueue ledger {example}\n\nexit codes: 0 done; 2 bad use; 3 the ledger or the machine is at fault.",
            formatter_class=argparse.RawDescriptionHelpFormatter,
        )
        add_json(action)
        if name == "backup":
            action.add_argument("file", metavar="FILE", help="a new file; nothing is overwritten")


def run(options: argparse.Namespace) -> int:
    """Run the action. Both only read the ledger, and neither waits for the service."""
    from printqueue.ledger import LedgerReader

    studio = studio_of(options)
    reader = LedgerReader(studio.ledger)
    action = _backup if options.action == "backup" else _check
    return action(studio.ledger, reader, options)


def _backup(path: str, reader: LedgerReader, options: argparse.Namespace) -> int:
    from printqueue.core.text import shown
    from printqueue.ledger.rescue.backup import back_up

    if not reader.exists:
        raise StudioError("There is no ledger yet, so nothing to copy.", do="The service makes it at its first start.")
    size = back_up(path, options.file)
    if options.json:
        print_json({"file": shown(options.file, limit=1000), "bytes": size, "sound": True})
    else:
        say(f"Copied to {options.file} ({size / 1e6:.1f} MB), and checked: the copy is whole.")
    return Exit.DONE


def _check(path: str, reader: LedgerReader, options: argparse.Namespace) -> int:
    from printqueue.ledger.rescue.care import check_up

    answer: dict[str, Any] = {"bytes": 0, "version": None, "rows": {}, "sound": True, "problems": [], "rebuilt": []}
    if reader.exists:
        found, rebuilt = check_up(path), reader.rebuilds()
        answer = {
            "bytes": found.size,
            "version": found.schema,
            "rows": found.rows,
            "sound": not found.problems,
            "problems": found.problems,
            "rebuilt": [{"at": one.at, "set_aside": one.aside, "says": one.says, "do": one.do} for one in rebuilt],
        }
    if options.json:
        print_json(answer)
    else:
        _say(answer)
    return Exit.DONE if answer["sound"] else Exit.STUDIO


def _say(answer: dict[str, Any]) -> None:
    if answer["version"] is None:
        return say("There is no ledger yet: the service makes it at its first start.")
    for problem in answer["problems"]:
        say(problem)
    for one in answer["rebuilt"]:
        say(f"{one['says']} {one['do']}")
    size = f"{answer['bytes'] / 1e6:.1f} MB"
    if answer["problems"]:
        return say(f"Not all is well with the ledger ({size}). Pictures and prints are untouched.")
    counts = ", ".join(f"{name} {count}" for name, count in answer["rows"].items())
    return say(f"The ledger is sound: {size}, version {answer['version']}; {counts}.")
