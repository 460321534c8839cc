"""Looks at what README's first command left: `python tests/demo/first_command.py STUDIO PRINTED`.

PRINTED is what the command printed. Every caption must stand in it as promised, every print and every picture in review/
must have its proof picture, and each of these must be whole. Run by the environment that the command itself has made, so it
wants nothing but the product and its own libraries.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path

from PIL import Image

from printqueue.demo.cases import CASES

PROOF = ".proof.jpg"
SMALLEST_PX = 600  # a page with two small pictures, its words and a large one


def main(arguments: list[str]) -> int:
    """0 where all is as the README says."""
    studio, printed = Path(arguments[0]), Path(arguments[1]).read_text("utf-8")
    problems = [*captions(printed), *proofs(studio)]
    print(*problems, sep="\n", end="\n" if problems else "")
    print(f"{len(CASES)} captions and {len(list(studio.rglob('*' + PROOF)))} proof pictures: {len(problems)} problems")
    return bool(problems)


def captions(printed: str) -> Iterator[str]:
    """Each picture that did not come out as its caption says."""
    rows = {tuple(line.split("\t")) for line in printed.splitlines()}
    for case in CASES:
        if ("accepted" if case.accepted else "turned back", case.name, case.caption) not in rows:
            yield f"not as its caption says: {case.name}"


def proofs(studio: Path) -> Iterator[str]:
    """Each proof picture that is not there, or not whole, and each that is too many."""
    judged = {studio / "review" / case.name for case in CASES if not case.accepted}
    prints = set((studio / "print").rglob("*.tif"))
    if len(prints) != sum(case.accepted for case in CASES):
        yield f"{len(prints)} prints, not one for each accepted picture"
    wanted = {one.with_name(one.stem + PROOF) for one in judged | prints}
    for path in sorted(set(studio.rglob("*" + PROOF)) ^ wanted):
        yield f"{'not there' if path in wanted else 'too many'}: {path}"
    for path in sorted(wanted):
        if path.exists() and (why := broken(path)):
            yield f"{path}: {why}"


def broken(path: Path) -> str | None:
    """Why this is no whole proof picture; None where it is one."""
    try:
        with Image.open(path) as image:
            image.load()
            return f"{image.size} px" if min(image.size) < SMALLEST_PX else None
    except OSError as error:
        return str(error)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
