"""`printqueue explain`."""

from __future__ import annotations

import argparse
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from printqueue.cli.completing import checks, completes
from printqueue.cli.console import add_json, in_terminal, print_json, table, terminal
from printqueue.core.errors import Exit, UsageError

if TYPE_CHECKING:
    from printqueue.studio.papers.schema import Paper

_HEADINGS = r"(?m)^(?:[a-z]+(?:-[a-z]+)*\n|(?:Measures|Matters|Source|Typical|Limits)\b)"
_NAMES = r"(?m)^  [a-z]+(?:_[a-z]+)*(?=  |\n)"


def arguments(command: argparse.ArgumentParser) -> None:
    """Add the arguments: the check and the output option."""
    check = command.add_argument(
        "check", nargs="?", metavar="CHECK", help="a check's name; without it, all of them in a line each"
    )
    completes(check, checks)
    add_json(command)


def run(options: argparse.Namespace) -> int:
    """Print the check's explanation, and the limits the starter papers set."""
    from printqueue.cli import explaining
    from printqueue.core.nearest import suggestion
    from printqueue.judging.checks import REGISTRY

    if options.check is None:
        _list(REGISTRY.values(), as_json=options.json)
        return Exit.DONE
    if options.check not in REGISTRY:
        raise UsageError(f"There is no check '{options.check}'. {suggestion(options.check, REGISTRY)}")
    check = REGISTRY[options.check]
    limits = explaining.parameters(check, starter_papers())
    if options.json:
        named = {one.name: {key: value for key, value in asdict(one).items() if key != "name"} for one in limits}
        print_json({"check": check.name, **asdict(check.explanation), "parameters": named})
    else:
        _show(explaining.page(check, limits))
    return Exit.DONE


def starter_papers() -> list[Paper]:
    """The papers `init` puts into a studio."""
    from importlib.resources import files

    from printqueue.studio.papers.loader import Shelf

    return list(Shelf.load(str(files("printqueue") / "rules")).papers.values())


def _list(checks: Any, *, as_json: bool) -> None:
    if as_json:
        print_json([{"check": check.name, "question": check.explanation.question} for check in checks])
        return
    rows = [(check.name, check.explanation.question) for check in checks]
    table("", ("check", "the question it answers"), rows, wide=1)


def _show(text: str) -> None:
    """Print `text`: plain in a pipe, with highlighted headings in a terminal."""
    if not in_terminal():
        print(text, end="")
        return
    from rich.text import Text

    drawn = Text(text, end="")
    drawn.highlight_regex(_HEADINGS, "bold")
    drawn.highlight_regex(_NAMES, "cyan")
    terminal().print(drawn, soft_wrap=True)
