"""The engine asked directly against the same engine through imagecodecs, and what a kept, shared transform must stand."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from printqueue.imaging.colour import engine, manager, spaces
from printqueue.imaging.colour.engine import Target, prepare
from printqueue.imaging.colour.icc import ProfileError
from tests.faults import sound_files

PAPER = (Path(__file__).parents[3] / "printqueue" / "rules" / "profiles" / "smooth-rag.icc").read_bytes()
SRGB = spaces.profile_bytes("srgb")
LAB = manager._lab_profile()
FLAGS = [0x0100, 0x2000 | 65 << 16, 0x0400, 0]
RNG = np.random.default_rng(20261129)
COLOURS = RNG.integers(0, 65536, (40, 50, 3), dtype=np.uint16)


@pytest.fixture
def hidden(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """A build of imagecodecs whose engine cannot be seen."""
    engine._prepared.cache_clear()
    monkeypatch.setattr(engine, "_engine", lambda: None)
    yield
    engine._prepared.cache_clear()


def through_imagecodecs(
    pixels: NDArray[np.uint16], source: bytes, target: bytes, to: Target, flags: int
) -> NDArray[np.generic]:
    """The library's own call."""
    given = engine._GREY if pixels.ndim == 2 else engine._RGB
    return engine._each_time(engine._Conversion(source, target, given, engine._TARGETS[to], 1, flags), pixels)


def test_the_engine_is_seen() -> None:
    """With the locked imagecodecs the quick way is the one in use; without it this file would compare nothing."""
    assert engine._engine() is not None


@pytest.mark.parametrize("flags", FLAGS, ids=hex)
@pytest.mark.parametrize(
    ("source", "target", "to"),
    [
        (SRGB, PAPER, "rgb-16"),
        (PAPER, SRGB, "rgb-8"),
        (SRGB, LAB, "lab-16"),
        (PAPER, LAB, "lab-16"),
        (SRGB, LAB, "lab-double"),
    ],
    ids=["to paper", "to screen", "to Lab", "paper to Lab", "to Lab, double"],
)
def test_same_codes_as_imagecodecs(source: bytes, target: bytes, to: Target, flags: int) -> None:
    """To the last bit, for every target and every kind of precision."""
    ours = prepare(source, target, to, grey=False, intent=1, flags=flags)(COLOURS)
    theirs = through_imagecodecs(COLOURS, source, target, to, flags)
    assert ours.dtype == theirs.dtype
    assert np.array_equal(ours, theirs)


def test_grey() -> None:
    """Grey codes too."""
    ramp = np.arange(0, 65536, 7, dtype=np.uint16)[None]
    grey = sound_files.grey_profile()
    ours = prepare(grey, PAPER, "rgb-16", grey=True, intent=1, flags=0)(ramp)
    assert np.array_equal(ours, through_imagecodecs(ramp, grey, PAPER, "rgb-16", 0))


@pytest.mark.usefixtures("hidden")
def test_without_a_visible_engine() -> None:
    """The slow way gives the same codes and refuses the same profiles."""
    slow = prepare(SRGB, PAPER, "rgb-16", grey=False, intent=1, flags=0)
    assert not isinstance(slow, engine._Transform)
    assert np.array_equal(slow(COLOURS), through_imagecodecs(COLOURS, SRGB, PAPER, "rgb-16", 0))
    with pytest.raises(ProfileError):
        prepare(b"no profile", PAPER, "rgb-16", grey=False, intent=1, flags=0)(COLOURS)


def test_kept() -> None:
    """Asked again, it is the same transform; asked otherwise, another."""
    one = prepare(SRGB, PAPER, "rgb-16", grey=False, intent=1, flags=0)
    assert prepare(bytes(bytearray(SRGB)), PAPER, "rgb-16", grey=False, intent=1, flags=0) is one
    assert prepare(SRGB, PAPER, "rgb-16", grey=False, intent=0, flags=0) is not one


def test_shared_by_threads() -> None:
    """Eight threads through one transform, each with its own pixels: nothing of one comes out of another."""
    convert = prepare(SRGB, PAPER, "rgb-16", grey=False, intent=1, flags=0)
    parts = [RNG.integers(0, 65536, (61, 83, 3), dtype=np.uint16) for _ in range(64)]
    alone = [convert(part) for part in parts]
    with ThreadPoolExecutor(8) as pool:
        together = list(pool.map(convert, parts))
    assert all(np.array_equal(one, other) for one, other in zip(alone, together, strict=True))


def test_parts_of_one_call(monkeypatch: pytest.MonkeyPatch) -> None:
    """What is too much for one call goes in rows, and comes out the same."""
    convert = prepare(SRGB, PAPER, "rgb-16", grey=False, intent=1, flags=0)
    whole = convert(COLOURS)
    for most in (1, 50, 51, 149):
        monkeypatch.setattr(engine, "_MAX_AT_ONCE", most)
        assert np.array_equal(convert(COLOURS), whole)


@pytest.mark.parametrize("shape", [(0, 5, 3), (5, 0, 3), (1, 1, 3)])
def test_hardly_any_pixels(shape: tuple[int, int, int]) -> None:
    """No pixels are no pixels."""
    assert prepare(SRGB, PAPER, "rgb-16", grey=False, intent=1, flags=0)(np.zeros(shape, np.uint16)).shape == shape


def test_rows_apart_in_memory() -> None:
    """A view whose rows do not follow each other is converted as it looks."""
    convert = prepare(SRGB, PAPER, "rgb-16", grey=False, intent=1, flags=0)
    assert np.array_equal(convert(COLOURS[::2, 5:]), convert(COLOURS)[::2, 5:])


@pytest.mark.parametrize(
    "pixels",
    [
        np.zeros((4, 4), np.uint16),
        np.zeros((4, 4, 4), np.uint16),
        np.zeros((4, 4, 3), np.uint8),
        np.zeros((4, 12), np.uint16),
    ],
    ids=["grey", "four channels", "8 bit", "flat"],
)
def test_other_shapes_are_refused(pixels: NDArray[np.uint16]) -> None:
    """Memory is read as the transform was prepared for, so anything else must not come near it."""
    with pytest.raises(ProfileError):
        prepare(SRGB, PAPER, "rgb-16", grey=False, intent=1, flags=0)(pixels)


@pytest.mark.parametrize(
    ("source", "target"),
    [
        (b"", PAPER),
        (SRGB, b""),
        (b"no profile", PAPER),
        (SRGB[:200], PAPER),
        (SRGB, PAPER[: len(PAPER) // 2]),
        (LAB, PAPER),
    ],
    ids=["none", "no target", "text", "cut", "cut target", "another space"],
)
def test_refused(source: bytes, target: bytes) -> None:
    """A profile that the engine cannot use is an error of ours, not of the process."""
    with pytest.raises(ProfileError):
        prepare(source, target, "rgb-16", grey=False, intent=1, flags=0)


@pytest.mark.slow
def test_memory_goes_with_it() -> None:
    """Transforms that are no longer kept are freed: 200 of them take no more room than the kept ones."""

    def resident_kb() -> int:
        return int(Path("/proc/self/statm").read_text().split()[1]) * 4

    def some(count: int) -> None:
        for number in range(count):
            flags = (33 + number % 16) << 16 | 0x2000 * (number // 16 % 2)
            prepare(SRGB, PAPER, "rgb-16", grey=False, intent=1, flags=flags)

    some(40)
    before = resident_kb()
    some(160)
    assert resident_kb() - before < 12_000  # a table of 48 nodes is 664 kB: 148 of them that stay would be 60 MB
