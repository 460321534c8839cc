"""What the daybook costs a picture when each comes alone, some seconds after the one before: the pace of real work, at which
every picture changes the pages. `many_pictures` works them off too fast for that.

The ledger's rows are written as the service writes them, with findings of the usual length; the daybook is the real one, on a
clock that goes 5 s forward at every picture. Processor time of its thread, by hundreds of pictures. Required: what the last
hundred cost is at most half more than what the second cost (the first has next to no pages to write).
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path

from printqueue.core.model.job import State
from printqueue.ledger import Ledger
from printqueue.reports.daybook import Daybook
from printqueue.studio.papers.loader import Shelf
from tests.faults import kit
from tests.running import support
from tests.stamps import stamp

EVERY_S = 5.0
MOST_GROWTH = 1.5
HUNDRED = 100
_FINDINGS = [
    {"check": f"check {n}", "level": "pass", "measured": 1.2, "limit": 2.0, "unit": "%", "says": "x" * 120, "do": ""}
    for n in range(19)
]
_SETTINGS = json.dumps({f"setting {n}": n for n in range(20)})


def _one_more(ledger: Ledger, number: int) -> None:
    arrival = ledger.claim(f"card/Fog {number}.tif", stamp(number, 100, 5)).id
    (job,) = ledger.plan_prints(arrival, [("card", support.SIZE, 1, _SETTINGS)])
    ledger.judged(job, "accepted", _FINDINGS, {})
    output = f"print/card/{support.SIZE}/Fog {number}.tif"
    ledger.made(job, output=output, recipe=str(number), profile_sha256="", rules_sha256="")
    ledger.settle(arrival, State.PRINTABLE, f"made: {output}")


def by_hundreds(folder: Path, number: int) -> list[float]:
    """Milliseconds of processor a picture, for every hundred of them."""
    studio, now_s, costs_s = support.new_studio(folder / "studio"), 0.0, list[float]()
    book = Daybook(studio, Shelf.load(studio.path("rules")), clock=lambda: now_s)
    with closing(Ledger(studio.ledger, lambda: time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime()))) as ledger:
        for one in range(number):
            _one_more(ledger, one)
            now_s += EVERY_S
            begun = time.thread_time()
            book.keep([], [])
            costs_s.append(time.thread_time() - begun)
    assert book.problem == "", book.problem
    return [1000 * sum(costs_s[n : n + HUNDRED]) / HUNDRED for n in range(0, number - HUNDRED + 1, HUNDRED)]


def main(arguments: Sequence[str] | None = None) -> int:
    """Count; 0 where it does not grow."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=0, help="no effect: nothing is drawn")
    parser.add_argument("--quick", action="store_true", help="500 pictures")
    options = parser.parse_args(arguments)
    with kit.folder("pages") as folder:
        costs = by_hundreds(folder, 500 if options.quick else 2000)
    rows = [("pictures", "daybook CPU a picture")]
    kit.table("pages of many pictures", rows + [(str(HUNDRED * (n + 1)), f"{ms:.1f} ms") for n, ms in enumerate(costs)])
    grown = costs[-1] / costs[1]
    return kit.verdict([f"grown to {grown:.1f} times"] if grown > MOST_GROWTH else [])


if __name__ == "__main__":
    sys.exit(main())
