"""What a shell can complete from the studio: papers, sizes, checks.

This reads only file names and paper rules, and must not fail: a shell has nowhere to show an error.
"""

from __future__ import annotations

import argparse
import os
from collections.abc import Callable, Iterable
from contextlib import suppress

from printqueue.cli.console import root_of

Completer = Callable[..., Iterable[str]]
_RULES = ".yaml"


def completes(option: argparse.Action, completer: Completer) -> None:
    """Set `completer` as the attribute of `option` that argcomplete looks for."""
    option.completer = completer  # type: ignore[attr-defined]


def add_paper_and_size(command: argparse.ArgumentParser, *, of: str = "") -> None:
    """Add the options `--paper` (required) and `--size`; `of` says what the size applies to, if not to the print."""
    paper = command.add_argument("--paper", required=True, help="a paper's key: its file in rules/ without .yaml")
    size = command.add_argument("--size", help=f"{of}A3, 13x19 in, 300x400 mm ... (default: the paper's default size)")
    completes(paper, papers)
    completes(size, sizes)


def papers(parsed_args: argparse.Namespace, **_: object) -> list[str]:
    """Paper keys: files in rules/ without a leading `_`."""
    with suppress(OSError):
        names = os.listdir(os.path.join(root_of(parsed_args), "rules"))
        return sorted(n.removesuffix(_RULES) for n in names if n.endswith(_RULES) and n[:1] not in "_.")
    return []


def sizes(parsed_args: argparse.Namespace, **_: object) -> list[str]:
    """Sizes of the paper already on the command line, or of all papers."""
    from printqueue.studio.papers.loader import Shelf

    with suppress(Exception):
        shelf = Shelf.load(os.path.join(root_of(parsed_args), "rules"))
        named = shelf.papers.get(str(getattr(parsed_args, "paper", "")))
        wanted = [named] if named is not None else shelf.papers.values()
        return sorted({size.name for paper in wanted for size in paper.sizes})
    return []


def checks(**_: object) -> list[str]:
    """Check names."""
    from printqueue.judging.checks import REGISTRY

    return sorted(REGISTRY)
