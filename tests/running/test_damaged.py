"""Damaged files of every kind, some hundreds: each is answered in bounds, blames nobody but the picture, and stops nobody.

The same cases in their thousands: `python -m tests.faults.damaged_files`.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from printqueue.sandbox import ForkServer
from printqueue.sandbox.protocol import Answer, Failure
from tests.faults import damaged_files, sound_files
from tests.faults.damaged_files import ACCEPTED, REFUSED, Bench, Case

pytestmark = pytest.mark.slow

SEED, COUNT, THROUGH_SERVICE = 4, 390, 40
FAMILIES = ("picture", "incomplete", "world", "own")
PARTS = 13  # so that a failure names few numbers
SLOWEST_S = 20.0  # no case needs a tenth of it on an idle machine
MOST_BYTES = 700_000_000  # libraries 50 MB, bounds of 400 MB of samples


@pytest.fixture(scope="module")
def context(tmp_path_factory: pytest.TempPathFactory, fork_server: ForkServer) -> Bench:
    """One studio and its children for all cases."""
    return Bench(str(tmp_path_factory.mktemp("damaged")), fork_server)


@pytest.mark.parametrize("kind", sound_files.PICTURES)
def test_the_files_are_sound_before(context: Bench, kind: str) -> None:
    """What is damaged below is accepted as it was, but for two kinds that are never printed."""
    result = context.run(Case(0, kind, "none", sound_files.PICTURES[kind]()))
    assert result.ending == (REFUSED if kind in ("TIFF floating point", "JPEG CMYK") else ACCEPTED), result.says


@pytest.mark.parametrize("part", range(PARTS))
def test_every_answer_is_in_order(context: Bench, part: int) -> None:
    """A damaged file is refused as the picture's fault, or accepted (never one that was cut short), in bounded time and
    memory, and no child dies of it.
    """
    for number in range(part, COUNT, PARTS):
        result = context.run(damaged_files.case(SEED, number))
        assert result.ending in (REFUSED, ACCEPTED), f"{number} ({result.case.kind}, {result.case.way}): {result.says}"
        assert result.ending == REFUSED or result.case.way != "cut"
        assert result.seconds < SLOWEST_S
        assert result.peak_bytes < MOST_BYTES


def test_what_is_not_in_order_is_seen() -> None:
    """Answers that blame us or the world are not in order; those that blame the picture are."""
    said = {family: damaged_files._wrong(Answer(failure=Failure(family, "KeyError"))) for family in FAMILIES}
    assert [family for family in FAMILIES if said[family] is None] == ["picture", "incomplete"]


def test_the_service_goes_on(tmp_path: Path, fork_server: ForkServer) -> None:
    """Forty damaged arrivals in one folder: each original is kept once, with a reason if turned back; a sound one is made."""
    cases = damaged_files.numbers_for_service(THROUGH_SERVICE)(SEED)
    assert damaged_files.through_service(str(tmp_path), fork_server, cases) == []
