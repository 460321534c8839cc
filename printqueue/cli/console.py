"""What every command shares: finding the studio, and output that is a table in a terminal, plain text in a pipe.

Colour never stands alone: the word beside it says the same. `NO_COLOR` and `TERM=dumb` are respected (rich reads them),
and nothing but text goes into a pipe.
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

_LONGEST_CELL = 400
# Two inks that can be read on white and on black (4 to 6 : 1) and are told apart by the colour-blind.
_HEAVY, _LIGHT = "bold color(166)", "bold color(32)"
_INKS = {
    "reject": _HEAVY, "review": _HEAVY, "turned back": _HEAVY, "stuck": _HEAVY,
    "warn": _LIGHT, "waiting": _LIGHT, "working": _LIGHT,
}  # fmt: skip


def studio_of(options: argparse.Namespace) -> Studio:
    """The studio of `-C`, else of the current folder, else of $PRINTQUEUE_STUDIO."""
    from printqueue.studio.folders import open_studio

    return open_studio(root_of(options))


def root_of(options: argparse.Namespace) -> str:
    """The folder that is taken for the studio, whether it is one or not."""
    from printqueue.studio.marker import MARKER

    if options.studio:
        return str(options.studio)
    here_is_one = os.path.isfile(os.path.join(".printqueue", MARKER))
    return "." if here_is_one else os.environ.get("PRINTQUEUE_STUDIO", ".")


def add_json(command: argparse.ArgumentParser) -> None:
    """The `--json` option."""
    command.add_argument("--json", action="store_true", help="machine-readable output (stable keys)")


def print_json(value: Any) -> None:
    """One JSON document on stdout; NaN and infinity never leave."""
    print(json.dumps(value, ensure_ascii=True, indent=2, allow_nan=False))


def table(title: str, columns: Sequence[str], rows: Iterable[Sequence[str]], *, wide: int | None = None) -> None:
    """A table in a terminal; in a pipe a line of headings and lines of cells between tabs. `wide` may wrap."""
    rows = list(rows)
    if in_terminal():
        terminal().print(drawn(title, columns, rows, wide=wide))
        return
    for row in (columns, *rows):
        print("\t".join(shown(cell, limit=_LONGEST_CELL) for cell in row), flush=True)


def drawn(title: str, columns: Sequence[str], rows: Iterable[Sequence[str]], *, wide: int | None = None) -> Table:
    """The table as a terminal gets it, its cells escaped; a word that names a level or a state has its ink."""
    from rich import box
    from rich.table import Table
    from rich.text import Text

    found = Table(title=title or None, title_justify="left", title_style="bold", box=box.SIMPLE_HEAD, pad_edge=False)
    for index, column in enumerate(columns):
        found.add_column(column, overflow="fold", ratio=1 if index == wide else None)
    for row in rows:
        cells = [shown(cell, limit=_LONGEST_CELL) for cell in row]
        found.add_row(*(Text(cell, style=_INKS.get(cell.partition(" (")[0], "")) for cell in cells))
    return found


def say(text: str) -> None:
    """One line for the person at the terminal, escaped."""
    print(shown(text, limit=2000), flush=True)


def in_terminal() -> bool:
    """Whether a person looks at standard output."""
    return sys.stdout.isatty()


@cache
def terminal() -> Console:
    """Standard output as rich sees it: one for all, so that text and a moving display share the screen."""
    from rich.console import Console

    return Console(highlight=False)


@contextmanager
def progress(what: str, total: float) -> Iterator[Callable[[float, str], None]]:
    """A bar with the time that is left, judged by what was done in the last half minute; nothing where nobody looks.

    The block gets `done(amount, says)`: so much of `total` has been done, and what is at hand now.
    """
    screen = terminal() if in_terminal() else _errors() if sys.stderr.isatty() else None
    if screen is None:
        yield lambda _amount, _says: None
        return
    from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeRemainingColumn

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


def _errors() -> Console:
    from rich.console import Console

    return Console(stderr=True, highlight=False)
