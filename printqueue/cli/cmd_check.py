"""`printqueue check`."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from typing import TYPE_CHECKING

from printqueue.cli.console import add_json, print_json, say, studio_of, table
from printqueue.text import shown

if TYPE_CHECKING:
    from printqueue.model.finding import Finding


def arguments(command: argparse.ArgumentParser) -> None:
    """Which files, for which paper and size."""
    command.add_argument("files", nargs="+", metavar="FILE")
    command.add_argument("--paper", required=True, help="a paper's key: its file in rules/ without .yaml")
    command.add_argument("--size", help="A3, 13x19 in, 300x400 mm ... (default: the paper's default size)")
    add_json(command)


def run(options: argparse.Namespace) -> int:
    """Judge each file; the highest exit code wins."""
    from printqueue.cli import single

    results, codes = [], []
    with single.bench(studio_of(options)) as bench:
        judge = single.Single(bench, options.paper, options.size)
        for number, path in enumerate(options.files, 1):
            if len(options.files) > 1 and sys.stderr.isatty():
                print(f"\r{number}/{len(options.files)} ", end="", file=sys.stderr, flush=True)
            result, findings, code = single.check_file(judge, path)
            results.append(result)
            codes.append(code)
            if not options.json:
                _show(result, findings)
    if options.json:
        print_json(results)
    return max(codes)


def _show(result: dict[str, object], findings: Sequence[Finding]) -> None:
    from printqueue.model.finding import worst_first
    from printqueue.reports.reason import limit_words

    ordered = worst_first(findings)
    if result["error"]:
        return say(f"{result['file']}: {result['error']}")
    verdict = {"accepted": "accepted", "turned-back": "TURNED BACK"}.get(str(result["verdict"]), "")
    say(f"{shown(str(result['file']))}: {verdict} for {result['paper']}, {result['size'] or 'the size asked for'}")
    rows = [
        (
            f"{f.level}{' (allowed)' if f.allowed else ''}",
            f.check,
            f"{f.says}{limit_words(f) if f.level != 'pass' else ''} {f.do}".strip(),
        )
        for f in ordered
    ]
    return table("", ("level", "check", "measured, limit, what to do"), rows, wide=2)
