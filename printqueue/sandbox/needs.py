"""What one picture will need, from its header and prints: memory, time and disk space. Pure.

Memory was measured (VmHWM of the child over judging and rendering, 6 to 300 megapixels, 16-bit RGB, 2 threads): per
thread about 28 bytes per source pixel and 37 per print pixel of a band, 16 per pixel of the first pass, on top of 41 MB
at the start. The factors here are larger, so that an estimate is an upper bound; a test compares the two.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import ceil

from printqueue.core.model.request import Placement
from printqueue.imaging.render.bands import FIRST_ROWS, PRINTED_ROWS, SHEET_ROWS, THREADS, rows_at_once
from printqueue.sandbox.limits import ChildLimits

# Address space beyond what is resident: libraries, stacks of two threads, two malloc arenas (measured: 0.36 to 0.4 GB).
SLACK_BYTES = 1_000_000_000
_START_BYTES = 130_000_000  # libraries, prepared conversions, and the spread between runs (up to 60 MB on Python 3.13)
_OTHER_FILE_BYTES = 100_000_000  # profile, notes, proof picture, and slack
COPY_BYTES = 8_000_000  # the working copy as judging keeps it: a megapixel of three 16-bit channels, and its shape
_TONES_BYTES = 150_000_000  # the working copy of about one megapixel, converted twice
_PER_SOURCE_PIXEL, _PER_PRINT_PIXEL, _PER_FIRST_PIXEL = 32, 45, 20  # bytes, for three channels
_PRINT_BYTES = 6  # 16-bit RGB, if it does not compress at all
_LZW_GROWTH = 1.4  # incompressible data grows in LZW

# Measured on two cores: 0.14 s per megapixel (source and print); machines ten times slower must still finish.
_MIN_WALL_S, _WALL_S_PER_MEGAPIXEL = 30.0, 3.0

_MAX_PX, _MAX_BYTES = 1 << 32, 1 << 62  # TIFF 6.0: 32-bit sides; small enough for exact sums


@dataclass(frozen=True, slots=True)
class Header:
    """What a probed header says: pixels, channels, and the bytes that decoding alone holds.

    It comes from a child that may have been compromised, and decides limits and lanes before anything is claimed, so
    numbers that no picture can have raise `ValueError`.
    """

    width_px: int
    height_px: int
    channels: int
    decoding_bytes: int

    def __post_init__(self) -> None:
        """Refuse numbers that no picture can have."""
        sides = 0 < self.width_px <= _MAX_PX and 0 < self.height_px <= _MAX_PX
        if not (sides and self.channels in (1, 3) and 0 <= self.decoding_bytes <= _MAX_BYTES):
            raise ValueError("no picture has such a header")


@dataclass(frozen=True, slots=True)
class Need:
    """memory: resident bytes of the child; megapixels: source and prints; output: upper bound in bytes for all print
    files; scratch: bytes on the spool's disk while a turned print is made.
    """

    memory: int
    megapixels: float
    output: int
    scratch: int = 0

    @property
    def wall_s(self) -> float:
        """How long the child may take over one question."""
        return _MIN_WALL_S + _WALL_S_PER_MEGAPIXEL * self.megapixels

    @property
    def file_size(self) -> int:
        """The most that the child may write to one file: a print or its scratch, or any other file of a group. A bound
        even for noise: LZW uses at most 12 bits per byte, half as much again.
        """
        return max(int(1.2 * self.output), self.scratch) + _OTHER_FILE_BYTES

    def tightened(self, limits: ChildLimits) -> ChildLimits:
        """These limits, but no more than the picture needs."""
        return replace(
            limits,
            memory=min(limits.memory, self.memory + SLACK_BYTES),
            wall_s=min(limits.wall_s, self.wall_s),
            file_size=min(limits.file_size, self.file_size),
        )


NOTHING = Need(_START_BYTES, 0.0, 0)


def need_of(header: Header, prints: Sequence[Placement]) -> Need:
    """What a picture with these prints needs (they are made one after the other)."""
    source = header.width_px * header.height_px
    sheets = [place.sheet_px[0] * place.sheet_px[1] for place in prints]
    bands = [_band(header, place, rows) for place in prints for rows in (PRINTED_ROWS, SHEET_ROWS)]  # halo, then sheet
    return Need(
        memory=_START_BYTES + header.decoding_bytes + max(_TONES_BYTES, _first_pass(header), *bands),
        megapixels=(source + sum(sheets)) / 1e6,
        output=int(sum(sheets) * _PRINT_BYTES * _LZW_GROWTH),
        scratch=max(
            (size * _PRINT_BYTES * place.turned for size, place in zip(sheets, prints, strict=True)), default=0
        ),
    )


def _first_pass(header: Header) -> int:
    rows = min(FIRST_ROWS, header.height_px)
    return THREADS * rows * header.width_px * _PER_FIRST_PIXEL * header.channels // 3


def _band(header: Header, place: Placement, max_rows: int) -> int:
    rows = min(max_rows, place.sheet_px[1])
    piece = min(rows, rows_at_once(place, header.width_px))
    down = (place.crop_px[3] - place.crop_px[1]) / place.picture_px[1]
    source_rows = min(header.height_px, ceil(piece * down + 6 * max(down, 1.0)) + 3)
    source = source_rows * header.width_px * _PER_SOURCE_PIXEL * header.channels // 3
    return THREADS * (source + rows * place.sheet_px[0] * _PER_PRINT_PIXEL)
