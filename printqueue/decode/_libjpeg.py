"""Decoding a JPEG stream so that one whose data run out is noticed."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor

import imagecodecs
import numpy as np
from numpy.typing import NDArray

from printqueue.decode.errors import damaged

_FILLER = b"\x5a\xa5" * 32
_EOI = b"\xff\xd9"
SECOND_LOOK_PIXELS = 150_000_000


def pixels(
    data: bytes,
    scan_stop: int,
    name: str,
    *,
    tables: bytes | None = None,
    stored: str | None = None,
    grey: bool,
    at_once: bool = False,
) -> NDArray[np.uint8]:
    """Return (rows, width, 1 or 3) samples of the stream whose last scan ends at `scan_stop`.

    The library fills a picture whose data run out with grey and does not say
    so. With other bytes put behind the last scan, a whole picture decodes to
    the same pixels and one that ran out does not; above 150 MP this second
    look is left out for its memory. `at_once`: on another core meanwhile; for
    one scan alone, which needs no memory but its samples. Raises `PictureError`.
    """
    with ThreadPoolExecutor(1) as beside:
        meanwhile = beside.submit(_second_look, data, scan_stop, tables, stored, grey, name) if at_once else None
        found = _decode(data, tables, stored, grey, name)
        if found.size > SECOND_LOOK_PIXELS * (1 if grey else 3):
            return found
        second = meanwhile.result() if meanwhile else _second_look(data, scan_stop, tables, stored, grey, name)
    if not np.array_equal(second, found):
        raise damaged(f"{name} ends before the picture does")
    return found


def _second_look(
    data: bytes, scan_stop: int, tables: bytes | None, stored: str | None, grey: bool, name: str
) -> NDArray[np.uint8]:
    return _decode(data[:scan_stop] + _FILLER + _EOI, tables, stored, grey, name)


def _decode(data: bytes, tables: bytes | None, stored: str | None, grey: bool, name: str) -> NDArray[np.uint8]:
    colour = "GRAYSCALE" if grey else "RGB"
    try:
        found: NDArray[np.uint8] = imagecodecs.jpeg8_decode(
            data, tables=tables, colorspace=stored, outcolorspace=colour
        )
    except MemoryError:
        raise
    except Exception as error:
        raise damaged(f"{name} cannot be decoded") from error
    return found.reshape(*found.shape[:2], 1 if grey else 3)
