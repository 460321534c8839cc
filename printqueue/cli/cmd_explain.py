"""`printqueue explain`."""

from __future__ import annotations

import argparse
from dataclasses import asdict
from typing import Any

from printqueue.cli.console import add_json, print_json
from printqueue.errors import Exit, UsageError


def arguments(command: argparse.ArgumentParser) -> None:
    """Which check."""
    command.add_argument(
        "check", nargs="?", metavar="CHECK", help="a check's name; without it, all of them in a line each"
    )
    add_json(command)


def run(options: argparse.Namespace) -> int:
    """Print what stands beside the check's code."""
    from printqueue.checks import REGISTRY
    from printqueue.nearest import suggestion
    from printqueue.reports.layout import row

    if options.check is None:
        for name, check in REGISTRY.items():
            print(f"{name:<16}{check.explanation.question}")
        return Exit.DONE
    if options.check not in REGISTRY:
        raise UsageError(f"There is no check '{options.check}'. {suggestion(options.check, REGISTRY)}")
    check = REGISTRY[options.check]
    if options.json:
        print_json({"check": check.name, **asdict(check.explanation), "parameters": _parameters(check)})
        return Exit.DONE
    said = check.explanation
    print(f"{check.name}: {said.question}\n")
    for label, text in (
        ("Measures", said.measures),
        ("Matters", said.matters),
        ("Source", said.source),
        ("Typical", said.typical),
    ):
        print(row(label, text))
    print()
    for name, text in _parameters(check).items():
        print(row("Set", f"{name}: {text}"))
    return Exit.DONE


def _parameters(check: Any) -> dict[str, str]:
    schema = check.limits.model_json_schema()["properties"]
    return {name: _describe(field) for name, field in schema.items()}


def _describe(field: dict[str, Any]) -> str:
    kinds = field.get("anyOf", [field])
    text = field.get("description") or next(
        (kind["description"] for kind in kinds if "description" in kind), "a level: reject, warn, note or pass"
    )
    return f"{text} (default {field['default']})" if field.get("default") is not None else text
