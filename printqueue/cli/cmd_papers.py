"""`printqueue papers`."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING, Any

from printqueue.cli.console import add_json, print_json, say, studio_of, table
from printqueue.core.errors import Exit

if TYPE_CHECKING:
    from printqueue.core.yaml.yaml_model import YamlModel


def arguments(command: argparse.ArgumentParser) -> None:
    """Add the output options."""
    command.add_argument(
        "--schema",
        nargs="?",
        const="paper",
        choices=("paper", "order", "studio"),
        help="print the JSON Schema, for editors, of a paper file, an order file or studio.yaml (default: paper)",
    )
    add_json(command)


def run(options: argparse.Namespace) -> int:
    """List the papers in force and the problems in rule files."""
    if options.schema:
        print_json(_schema(options.schema))
        return Exit.DONE
    from printqueue.studio.papers.loader import Shelf

    studio = studio_of(options)
    shelf = Shelf.load(studio.path("rules"))
    rows = [_row(studio.path("profiles"), key, paper) for key, paper in shelf.papers.items()]
    if options.json:
        print_json({"papers": rows, "problems": [str(problem) for problem in shelf.problems]})
    else:
        cells = [
            (r["paper"], r["name"], r["surface"], ", ".join(r["sizes"]), r["profile"], r["profile_state"]) for r in rows
        ]
        table("Papers", ("paper", "name", "surface", "sizes", "profile", "state of the profile"), cells, wide=5)
        for problem in shelf.problems:
            say(f"Rules: {problem}")
    return Exit.USAGE if shelf.problems else Exit.DONE


def _schema(of: str) -> dict[str, Any]:
    from printqueue.studio.orders.schema import Order
    from printqueue.studio.papers.schema import Paper
    from printqueue.studio.settings import Config

    models: dict[str, type[YamlModel]] = {"paper": Paper, "order": Order, "studio": Config}
    return models[of].editor_schema()


def _row(profiles: str, key: str, paper: Any) -> dict[str, Any]:
    from printqueue.studio.stock import profile_state

    return {
        "paper": key,
        "name": paper.paper,
        "surface": str(paper.surface),
        "sizes": [size.name for size in paper.sizes],
        "default_size": paper.usual_size.name,
        "profile": paper.profile,
        "profile_state": profile_state(profiles, paper),
        "checks": sorted(paper.checks),
    }
