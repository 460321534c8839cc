"""`python -m tests.calibration [CHECK ...] [--quick]`: one report per check, as plain text."""

from __future__ import annotations

import argparse
import sys
from importlib import import_module
from pathlib import Path

import cv2

from tests.calibration.pictures import photographs

_NO_CHECK = {"__init__", "__main__", "pictures", "statistics", "treatments", "table"}


def main() -> int:
    """Runs the named checks, or all."""
    known = sorted(path.stem for path in Path(__file__).parent.glob("*.py") if not path.stem.startswith("test_"))
    checks = [name for name in known if name not in _NO_CHECK]
    parser = argparse.ArgumentParser(prog="python -m tests.calibration", description=__doc__)
    parser.add_argument("check", nargs="*", help=f"of {', '.join(checks)}; all when none is named")
    parser.add_argument("--quick", action="store_true", help="one piece of each photograph only")
    options = parser.parse_args()
    asked = [name.replace("-", "_") for name in options.check] or checks
    if unknown := sorted(set(asked) - set(checks)):
        parser.error(f"no such report: {', '.join(unknown)}")
    cv2.setNumThreads(1)
    pieces = photographs()
    if options.quick:
        pieces = tuple(piece for piece in pieces if piece.name.endswith(".0"))
    names = {piece.picture for piece in pieces}
    out = {piece.picture for piece in pieces if piece.held_out}
    print(f"{len(pieces)} pieces of {len(names)} photographs, {len(out)} of them held out: {', '.join(sorted(out))}\n")
    for name in asked:
        print(f"== {name.replace('_', '-')}\n{import_module(f'tests.calibration.{name}').report(pieces)}\n", flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
