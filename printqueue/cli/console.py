"""What every command shares: finding the studio, and output that is a table in a terminal, plain text in a pipe."""

from __future__ import annotations

import argparse
import json
import os
import sys
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any

from printqueue.text import shown

if TYPE_CHECKING:
    from printqueue.studio import Studio


def studio_of(options: argparse.Namespace) -> Studio:
    """The studio of `-C`, else of the current folder, else of $PRINTQUEUE_STUDIO."""
    from printqueue.studio import open_studio

    return open_studio(root_of(options))


def root_of(options: argparse.Namespace) -> str:
    """The folder that is taken for the studio, whether it is one or not."""
    from printqueue.studio import MARKER

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
    """A rich table in a terminal, tab-separated lines in a pipe. Cells are escaped here; `wide` may wrap."""
    cells = [[shown(cell, limit=400) for cell in row] for row in rows]
    if not sys.stdout.isatty():
        for row in cells:
            print("\t".join(row))
        return
    from rich.console import Console
    from rich.markup import escape
    from rich.table import Table

    drawn = Table(title=title, title_justify="left", header_style="bold", box=None, pad_edge=False)
    for index, column in enumerate(columns):
        drawn.add_column(column, overflow="fold", ratio=1 if index == wide else None)
    for row in cells:
        drawn.add_row(*(escape(cell) for cell in row))
    Console(highlight=False).print(drawn)


def say(text: str) -> None:
    """One line for the person at the terminal, escaped."""
    print(shown(text, limit=2000))
