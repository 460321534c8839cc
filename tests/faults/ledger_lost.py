"""The ledger deleted between two runs, after a kill at every rename and later: `python -m tests.faults.ledger_lost`.

Nothing may be printed a second time and nothing may be lost. One limit is known and shown as such: of an order for
several prints some are visible when the ledger goes; those are made again.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from printqueue.studio.folders import Studio
from tests.faults import kit, points
from tests.faults.points import CASES, Case
from tests.running import support

TWO_PRINTS = b"prints:\n  - {size: 60x50 mm}\n  - {size: 80x60 mm, copies: 3}\n"
CASES_HERE = {"one print": CASES["accepted"], "two prints": Case(support.picture, TWO_PRINTS)}


def lose_ledger(studio: Studio) -> None:
    """Delete it, as somebody does who clears a folder."""
    for path in Path(studio.state).glob("ledger.sqlite*"):
        path.unlink()


def lose_state(studio: Studio) -> None:
    """Delete everything private but the marker."""
    for path in Path(studio.state).iterdir():
        if path.name != "studio":
            kit.forget(path) if path.is_dir() else path.unlink()


@dataclass(frozen=True)
class Found:
    """`again`: prints that were made a second time; `left`: what an undisturbed run would not have left, as a remark."""

    wrong: list[str]
    again: list[str]
    left: list[str]


@cache
def undisturbed(name: str, folder: Path) -> dict[str, str]:
    """What stands there after an undisturbed run."""
    with points.studio_of(CASES_HERE[name], folder) as studio:
        assert kit.serve(studio) == 0
        return support.files(studio)


def killed_then_lost(name: str, n: int, folder: Path, *, everything: bool) -> tuple[Found, bool]:
    """Killed before the `n`-th rename, ledger lost, started again; and whether a print was visible before."""
    want, case = undisturbed(name, folder), CASES_HERE[name]
    with points.studio_of(case, folder) as studio:
        _, lines = points.held(studio, "picture", ["renameat2"], f"renameat2:signal=KILL:when={n}")
        assert "+++ killed by SIGKILL +++" in lines[-1:], f"rename {n} was not reached"
        visible = bool(support.prints(studio))
        return lost_now(studio, want, case, everything=everything), visible


def lost_now(studio: Studio, want: dict[str, str], case: Case, *, everything: bool) -> Found:
    """Lose the ledger, start again, and look."""
    (lose_state if everything else lose_ledger)(studio)
    code = kit.serve(studio)
    have = support.files(studio)
    wrong = ([] if code == 0 else [f"ended with {code}"]) + kit.lost(studio, case.digests)
    # Without its ledger a private copy cannot be proved to be ours: it stays, and is said.
    wrong += [f"spool: {name}" for name in support.spool(studio) if everything]
    wrong += [f"hidden: {name}" for name in have if os.path.basename(name).startswith(".")]
    made, wanted = Counter(_prints(have)), Counter(_prints(want))
    wrong += ["a print is missing"] * (wanted - made).total()
    wrong += ["no original in masters/"] * (support.sha256(case.picture()) not in _below(have, "masters/"))
    again = [name for name, digest in have.items() if digest in (made - wanted) and name not in want]
    left = [name for name in have if _is_lone(name, have)]
    return Found(wrong, again, left)


def _below(files: dict[str, str], top: str) -> list[str]:
    return [digest for name, digest in files.items() if name.startswith(top)]


def _prints(files: dict[str, str]) -> list[str]:
    return [digest for name, digest in files.items() if name.startswith("print/") and name.endswith(".tif")]


def _is_lone(name: str, files: dict[str, str]) -> bool:
    """An order without its picture, a note without its print."""
    note = ".print.txt"
    return name.startswith("ready/") or (name.endswith(note) and name.removesuffix(note) + ".tif" not in files)


def lost_when_done(folder: Path, *, everything: bool) -> Found:
    """Lost after everything was done: nothing happens. The same picture dropped again is a new wish, made as (2)."""
    case = CASES_HERE["one print"]
    with points.studio_of(case, folder) as studio:
        assert kit.serve(studio) == 0
        found = lost_now(studio, support.files(studio), case, everything=everything)
        case.fill(studio)
        code = kit.serve(studio)
        prints = support.prints(studio)
        return found if len(prints) == 2 else Found([*found.wrong, f"dropped again: {prints}, {code}"], [], [])


def main(arguments: Sequence[str] | None = None) -> int:
    """Every moment, with the ledger and with everything private lost; 0 where only the known limit showed."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=0, help="no effect: nothing is drawn")
    parser.add_argument("--quick", action="store_true", help="one print, the ledger alone")
    options = parser.parse_args(arguments)
    rows, problems = [("case", "killed before", "lost", "wrong", "made again", "left over")], list[str]()
    with kit.folder("ledger") as folder:
        for what, lost, found, limit in every_moment(folder, quick=options.quick):
            again = ", ".join(found.again) + (" (known limit)" if found.again and limit else "")
            rows.append((*what, lost, str(len(found.wrong)), again or "-", ", ".join(found.left) or "-"))
            wrong = found.wrong + ([] if limit else [f"made again: {one}" for one in found.again])
            problems += [f"{' '.join(what)}, {lost} lost: {one}" for one in wrong]
    kit.table("ledger lost", rows)
    return kit.verdict(problems)


def every_moment(folder: Path, *, quick: bool) -> Iterator[tuple[tuple[str, str], str, Found, bool]]:
    """(case, moment), what is lost, what it came to, and whether that falls under the known limit."""
    for everything in (False,) if quick else (False, True):
        lost = "all private" if everything else "ledger"
        for name in ("one print",) if quick else tuple(CASES_HERE):
            for n in range(1, _renames(name, folder) + 1):
                found, visible = killed_then_lost(name, n, folder, everything=everything)
                yield (name, f"rename {n}"), lost, found, name == "two prints" and visible
        yield ("one print", "(all done)"), lost, lost_when_done(folder, everything=everything), False


def _renames(name: str, folder: Path) -> int:
    with points.studio_of(CASES_HERE[name], folder) as studio:
        _, lines = points.held(studio, "picture", ["renameat2"])
        return sum(line.startswith("renameat2(") for line in lines)


if __name__ == "__main__":
    sys.exit(main())
