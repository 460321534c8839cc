"""What all commands share: finding the studio, and printing tables in a terminal or plain text in a pipe.

Colour is never the only cue: the word says the same. rich respects `NO_COLOR` and `TERM=dumb`; a pipe gets text only.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from functools import cache
from typing import TYPE_CHECKING, Any

from printqueue.core.text import shown

if TYPE_CHECKING:
    from rich.console import Console
    from rich.table import Table

    from printqueue.studio.folders import Studio

_MAX_CELL = 400
# Two colours, legible on white and on black (contrast 4 to 6 : 1) and distinct to the colour-blind.
_HEAVY, _LIGHT = "bold color(166)", "bold color(32)"
_INKS = {
    "reject": _HEAVY, "review": _HEAVY, "turned back": _HEAVY, "stuck": _HEAVY,
    "warn": _LIGHT, "waiting": _LIGHT, "working": _LIGHT,
}  # fmt: skip


def studio_of(options: argparse.Namespace) -> Studio:
    """The studio given by `-C`, otherwise by the current folder, otherwise by $PRINTQUEUE_STUDIO."""
    from printqueue.studio.folders import open_studio

    return open_studio(root_of(options))


def root_of(options: argparse.Namespace) -> str:
    """The folder assumed to be the studio, whether or not it is one."""
    from printqueue.studio.marker import is_studio

    return str(options.studio or ("." if is_studio(".") else os.environ.get("PRINTQUEUE_STUDIO", ".")))


def add_json(command: argparse.ArgumentParser) -> None:
    """Add the `--json` option."""
    command.add_argument("--json", action="store_true", help="machine-readable output (stable keys)")


def print_json(value: Any) -> None:
    """Print one JSON document to stdout, never with NaN or infinity."""
    print(json.dumps(value, ensure_ascii=True, indent=2, allow_nan=False))


def table(title: str, columns: Sequence[str], rows: Iterable[Sequence[str]], *, wide: int | None = None) -> None:
    """Print a table in a terminal, tab-separated lines in a pipe. Column number `wide` may wrap."""
    rows = list(rows)
    if in_terminal():
        terminal().print(drawn(title, columns, rows, wide=wide))
        return
    for row in (columns, *rows):
        print("\t".join(shown(cell, limit=_MAX_CELL) for cell in row), flush=True)


def drawn(title: str, columns: Sequence[str], rows: Iterable[Sequence[str]], *, wide: int | None = None) -> Table:
    """The table for a terminal, its cells escaped and words that name a level or state coloured."""
    from rich import box
    from rich.table import Table
    from rich.text import Text

    found = Table(title=title or None, title_justify="left", title_style="bold", box=box.SIMPLE_HEAD, pad_edge=False)
    for index, column in enumerate(columns):
        found.add_column(column, overflow="fold", ratio=1 if index == wide else None)
    for row in rows:
        cells = [shown(cell, limit=_MAX_CELL) for cell in row]
        found.add_row(*(Text(cell, style=_INKS.get(cell.partition(" (")[0], "")) for cell in cells))
    return found


def say(text: str) -> None:
    """Print one line, escaped."""
    print(shown(text, limit=2000), flush=True)


def in_terminal() -> bool:
    """Whether standard output is a terminal."""
    return sys.stdout.isatty()


@cache
def terminal() -> Console:
    """rich's console for stdout, shared so that text and a live display do not overwrite each other."""
    from rich.console import Console

    return Console(highlight=False)


@contextmanager
def progress(what: str, total: float) -> Iterator[Callable[[float, str], None]]:
    """Show a progress bar with the time left, estimated from the last half minute; nothing unless in a terminal.

    Yields `done(amount, says)`: how much more of `total` is done, and what comes next.
    """
    if not in_terminal() and not sys.stderr.isatty():
        yield lambda _amount, _says: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeRemainingColumn

    screen = terminal() if in_terminal() else Console(stderr=True, highlight=False)
    words = TextColumn("{task.fields[says]}", markup=False)
    columns = (
        TextColumn("{task.description}", markup=False),
        BarColumn(24),
        TaskProgressColumn(),
        TimeRemainingColumn(),
    )
    with Progress(*columns, words, console=screen, transient=True, speed_estimate_period=30) as bar:
        task = bar.add_task(what, total=total, says="")
        yield lambda amount, says: bar.update(task, advance=amount, says=shown(says, limit=30))
