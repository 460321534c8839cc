"""The service killed at random moments while it works through a mixture: `python -m tests.faults.random_kills`.

300 pictures (good, with an order, with an order that cannot be followed, too small, cut short), 200 kills. In the end every
picture has exactly one outcome, the right one, stands in exactly one place with its bytes, and no print was made twice.
"""

from __future__ import annotations

import argparse
import os
import random
import sys
import time
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from printqueue.ledger import LedgerReader
from printqueue.studio.folders import Studio
from tests.faults import kit
from tests.running import support

SETTINGS = "settle: 0 s\nscan: 60 s\nwatch: poll\nworkers: 2\n"
PARKED = "stuck"
LATE_S = 30.0  # a service that brings no picture to its end in this time hangs, or goes round in circles


@dataclass(frozen=True)
class Dropped:
    """One picture: where it must end ("print" or "review"), its bytes, and its order."""

    name: str
    end: str
    data: bytes
    order: bytes | None = None


def mixture(number: int) -> list[Dropped]:
    """`number` pictures, each with bytes of its own; five kinds in turn."""
    return [_one(index) for index in range(number)]


def _one(index: int) -> Dropped:
    kind, name = index % 5, f"Kelp {index:04d}"
    match kind:
        case 0:
            return Dropped(name, "print", support.picture(index))
        case 1:
            return Dropped(name, "print", support.picture(index), b"copies: %d\n" % (index + 1))
        case 2:
            return Dropped(name, "review", support.picture(index), b"copies: minus one, please %d\n" % index)
        case 3:
            return Dropped(name, "review", support.picture(index, width=60, height=40))
        case _:
            whole = support.picture(index)
            return Dropped(name, "review", whole[: len(whole) * 2 // 3])


def fill(studio: Studio, pictures: Sequence[Dropped]) -> None:
    """Drop them all; every order before its picture, as careful people do."""
    for one in pictures:
        if one.order is not None:
            support.drop(studio, f"card/{one.name}.order.yaml", one.order, mtime_ns=kit.MTIME_NS)
        support.drop(studio, f"card/{one.name}.tif", one.data, mtime_ns=kit.MTIME_NS)


def kill_often(studio: Studio, kills: int, draw: random.Random) -> int:
    """Start, kill after none to two more pictures and a random moment, start again at once; how many hit it at work.

    Going by pictures and not by the clock alone, and sooner where they run short, all the kills come within the work, on a
    slow machine and on a fast one.
    """
    killed = 0
    for left in range(kills, 0, -1):
        before = _standing(studio)
        plenty = before > 1.5 * left
        more = draw.randrange(3) if plenty else 0
        served = kit.begin(studio, "--once")
        late = time.monotonic() + LATE_S
        while before - _standing(studio) < more and not served.ended():
            if time.monotonic() > late:
                served.close()
                raise TimeoutError(f"no picture came to its end in {LATE_S:.0f} s: {served.said()[-1500:]}")
            time.sleep(0.005)
        end = time.monotonic() + draw.uniform(0.02, 0.3 if plenty else 0.12)
        while time.monotonic() < end and not served.ended():
            time.sleep(0.002)
        killed += served.code is None
        served.close()
    return killed


def _standing(studio: Studio) -> int:
    return sum(name.endswith(".tif") for name in os.listdir(studio.path("ready", "card")))


def parked(studio: Studio) -> list[str]:
    """What was in hand at the fourth kill: parked by design. Dropped anew, as its reason asks for."""
    names = [p.path for p in LedgerReader(studio.ledger).prints() if str(p.state) == PARKED]
    for name in names:
        path, aside = studio.path("ready", name), studio.path(".aside")
        os.replace(path, aside)
        kit.serve(studio, within_s=600)
        os.replace(aside, path)
    return names


def wrong(studio: Studio, pictures: Sequence[Dropped], parked: int = 0) -> list[str]:
    """Every breach of what must hold in the end."""
    files = support.files(studio)
    places = Counter(files.values())
    problems = [p for one in pictures for p in _misplaced(one, files, places)]
    expected = Counter("print" if one.end == "print" else "review" for one in pictures)
    counts = {name: many for name, many in LedgerReader(studio.ledger).counts().items() if many}
    parked -= counts.pop("withdrawn", 0)  # what was parked once was moved out: its row says so, beside the new one
    if parked or counts != {"printable": expected["print"], "review": expected["review"]}:
        problems.append(f"the ledger counts {counts}, expected {dict(expected)}")
    prints = [name for name in files if name.startswith("print/") and name.endswith(".tif")]
    problems += [] if len(prints) == expected["print"] else [f"{len(prints)} prints, expected {expected['print']}"]
    problems += [f"left over: {name}" for name in files if name.startswith("ready/") or "/." in name or " (2)" in name]
    return problems + [f"spool: {name}" for name in support.spool(studio)]


def _misplaced(one: Dropped, files: dict[str, str], places: Counter[str]) -> list[str]:
    folder = "masters/card" if one.end == "print" else "review/card"
    wanted = {f"{folder}/{one.name}.tif": one.data}
    wanted |= {} if one.order is None else {f"{folder}/{one.name}.order.yaml": one.order}
    problems = [
        f"{name} is not there whole" for name, data in wanted.items() if files.get(name) != support.sha256(data)
    ]
    problems += [
        f"{n}: in {places[support.sha256(d)]} places" for n, d in wanted.items() if places[support.sha256(d)] != 1
    ]
    made = f"print/card/60x50 mm/{one.name}.tif" in files
    return problems + ([] if made == (one.end == "print") else [f"{one.name}: print is {made}"])


def run(folder: Path, *, number: int, kills: int, seed: int) -> tuple[dict[str, str], list[str]]:
    """Numbers for the table, and what is wrong."""
    studio = support.new_studio(folder / "studio", SETTINGS)
    pictures = mixture(number)
    fill(studio, pictures)
    killed = kill_often(studio, kills, random.Random(seed))
    left = len([name for name in support.files(studio, "ready") if name.endswith(".tif")])
    code = kit.serve(studio, within_s=60 + 4 * number)
    aside = parked(studio)
    if aside:
        code = kit.serve(studio, within_s=600)
    problems = wrong(studio, pictures, len(aside)) + ([] if code in (0, 1) else [f"the last run ended with {code}"])
    # How many fall between two pictures goes by the machine; most must not, or nothing is tried.
    problems += [] if killed * 2 > kills else [f"only {killed} of {kills} kills came while it worked"]
    numbers = {"pictures": number, "kills": kills, "while working": killed, "left after the kills": left}
    return {n: str(v) for n, v in (numbers | {"parked at the fourth": len(aside), "seed": seed}).items()}, problems


def main(arguments: Sequence[str] | None = None) -> int:
    """Kill, finish, look; 0 where every picture has its one right outcome."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--quick", action="store_true", help="30 pictures, 20 kills")
    parser.add_argument("--kills", type=int)
    options = parser.parse_args(arguments)
    number, kills = (30, 20) if options.quick else (300, 200)
    kills = options.kills or kills
    with kit.folder("random") as folder:
        numbers, problems = run(folder, number=number, kills=kills, seed=options.seed)
    kit.table("random kills", [tuple(numbers), tuple(numbers.values())])
    return kit.verdict(problems)


if __name__ == "__main__":
    sys.exit(main())
