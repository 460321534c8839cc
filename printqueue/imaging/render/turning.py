"""Turns a sheet by a quarter on its way into the file, through a scratch file, holding only a few bands in memory.

The file's first row is the sheet's left edge, read from bottom to top (a quarter turn clockwise).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import BinaryIO

import numpy as np
from numpy.typing import NDArray

Codes = NDArray[np.uint16]
_PIXEL_BYTES = 6


def turned(bands: Iterable[Codes], sheet_px: tuple[int, int], group_rows: int, scratch: BinaryIO) -> Iterator[Codes]:
    """Bands of the sheet as viewed, top to bottom → bands of at most `group_rows` file rows.

    `sheet_px` is width and height as viewed; `scratch` is an empty file, worthless afterwards.
    Raises `OSError` if the disk has no room for it (6 bytes per pixel).
    """
    width, height = sheet_px
    starts = []
    top = 0
    for band in bands:
        starts.append((top, top + band.shape[0]))
        for left in range(0, width, group_rows):
            part = np.rot90(band[:, left : left + group_rows], -1)
            _write(scratch, np.ascontiguousarray(part), _offset(left, top, part.shape[0], height))
        top += band.shape[0]
    for left in range(0, width, group_rows):
        yield _group(scratch, (left, min(left + group_rows, width)), height, starts)


def _offset(left: int, top: int, rows: int, height: int) -> int:
    """Where sheet rows from `top` on are stored within the group of file rows from `left` on."""
    return (left * height + rows * top) * _PIXEL_BYTES


def _write(scratch: BinaryIO, part: Codes, offset: int) -> None:
    scratch.seek(offset)
    scratch.write(part.tobytes())


def _group(scratch: BinaryIO, columns: tuple[int, int], height: int, starts: list[tuple[int, int]]) -> Codes:
    """The file rows that correspond to these columns of the sheet."""
    left, rows = columns[0], columns[1] - columns[0]
    found = np.empty((rows, height, 3), np.uint16)
    for top, foot in starts:
        size = rows * (foot - top) * _PIXEL_BYTES
        scratch.seek(_offset(left, top, rows, height))
        data = scratch.read(size)
        if len(data) != size:
            raise OSError(f"The scratch file ends after {len(data)} of {size} bytes.")
        found[:, height - foot : height - top] = np.frombuffer(data, np.uint16).reshape(rows, foot - top, 3)
    return found
