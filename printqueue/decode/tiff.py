"""A TIFF page as a source of bands: only the strips and tiles that a band needs are read."""

from __future__ import annotations

from functools import partial
from typing import cast

import numpy as np
from numpy.typing import NDArray

from printqueue.decode import tiff_header as header
from printqueue.decode._cache import PartCache
from printqueue.decode._reader import CHUNK_BYTES, Reader
from printqueue.decode.errors import damaged
from printqueue.decode.tiff_codec import samples
from printqueue.decode.tiff_header import Page
from printqueue.model.picture import PictureFacts, Samples

_ALPHA_KINDS = (1, 2)  # ExtraSamples: associated, unassociated
ALPHA_BAND_BYTES = 64 * 1024 * 1024


class TiffSource:
    """Rows of one TIFF page as stored (the orientation is another's business).

    Memory: the band, one row of tiles or one strip, and a cache of 16 MB. A
    single compressed strip is decoded whole, once.
    """

    def __init__(self, reader: Reader, page: Page, facts: PictureFacts, icc: bytes | None) -> None:
        self.facts = facts
        self.icc = icc
        self._reader = reader
        self.page = page
        self._parts = PartCache()
        self._palette = palette(page) if page.photometric == header.PALETTE else None

    def rows(self, start: int, stop: int) -> Samples:
        """Rows as (stop - start, width, C), uint8 or uint16."""
        page = self.page
        found = self._channels(start, stop, 0, page.colours)
        if self._palette is not None:
            return cast(Samples, self._palette[found[:, :, 0]])
        return cast(Samples, np.invert(found, out=found) if page.photometric == header.WHITE_IS_ZERO else found)

    def transparent(self) -> bool:
        """Whether the alpha channel, if there is one, is not opaque everywhere."""
        page = self.page
        kinds = [page.colours + at for at, kind in enumerate(page.extras) if kind in _ALPHA_KINDS]
        if not kinds:
            return False
        step = max(1, ALPHA_BAND_BYTES // (page.width * page.samples * page.bits // 8))
        opaque = (1 << page.bits) - 1
        return any(
            bool((self._channels(top, min(top + step, page.height), kinds[0], kinds[0] + 1) != opaque).any())
            for top in range(0, page.height, step)
        )

    def _channels(self, start: int, stop: int, first: int, last: int) -> NDArray[np.generic]:
        """Stored rows of channels `first` to `last`, in native byte order."""
        page = self.page
        found = np.empty((stop - start, page.width, last - first), page.dtype.newbyteorder("="))
        plain = page.compression == header.NONE and not page.tiled and not page.reversed_bits
        top = start
        while top < stop:
            down = top // page.segment_height
            begin = down * page.segment_height
            end = min(stop, begin + page.rows_in(down))
            if plain:  # small reads stay in the processor's cache on their way into the band
                end = min(end, top + max(1, CHUNK_BYTES // (page.width * page.samples * page.bits // 8)))
            part = self._strip_rows if plain else self._part_rows
            found[top - start : end - start] = part(down, top - begin, end - begin, (first, last))
            top = end
        return found

    def _strip_rows(self, down: int, top: int, end: int, channels: tuple[int, int]) -> NDArray[np.generic]:
        """Rows of an uncompressed strip, read where they lie."""
        page = self.page
        if not page.planar:
            return self._plain(0, down, top, end, page.samples)[:, :, channels[0] : channels[1]]
        planes = [self._plain(plane, down, top, end, 1) for plane in range(*channels)]
        return np.concatenate(planes, axis=2)

    def _plain(self, plane: int, down: int, top: int, end: int, count: int) -> NDArray[np.generic]:
        page = self.page
        row_bytes = page.width * count * page.dtype.itemsize
        offset = int(page.offsets[plane, down, 0]) + top * row_bytes
        data = self._reader.at(offset, (end - top) * row_bytes, f"strip {down + 1}")
        return np.frombuffer(data, page.dtype).reshape(end - top, page.width, count)

    def _part_rows(self, down: int, top: int, end: int, channels: tuple[int, int]) -> NDArray[np.generic]:
        """Rows of a compressed strip or of a row of tiles, from the cache."""
        if not self.page.planar:
            part = self._parts.get((0, down), partial(self._decode, 0, down))
            return part[top:end, :, channels[0] : channels[1]]
        planes = [self._parts.get((plane, down), partial(self._decode, plane, down)) for plane in range(*channels)]
        return np.concatenate([plane[top:end] for plane in planes], axis=2)

    def _decode(self, plane: int, down: int) -> NDArray[np.generic]:
        """Decode the strip or the row of tiles `down` of one plane."""
        page = self.page
        across = page.offsets.shape[2]
        if across == 1 and not page.tiled:
            return self._segment(plane, down, 0)
        count = 1 if page.planar else page.samples
        part = np.empty((page.rows_in(down), page.width, count), page.dtype.newbyteorder("="))
        for column in range(across):
            left = column * page.segment_width
            tile = self._segment(plane, down, column)
            part[:, left : left + page.segment_width] = tile[: part.shape[0], : page.width - left]
        return part

    def _segment(self, plane: int, down: int, column: int) -> NDArray[np.generic]:
        page = self.page
        kind = "tile" if page.tiled else "strip"
        number = (plane * page.offsets.shape[1] + down) * page.offsets.shape[2] + column + 1
        name = f"{kind} {number} of {page.offsets.size}"
        place = (plane, down, column)
        data = self._reader.at(int(page.offsets[place]), int(page.counts[place]), name)
        return samples(page, data, down, name)


def palette(page: Page) -> NDArray[np.uint8]:
    """Return the colour map as (256, 3) uint8; maps of 8-bit values (a known writer's mistake) are taken as such."""
    stored = page.directory.integers(320, limit=1 << 16)
    if len(stored) != 768:
        raise damaged(f"its palette has {len(stored)} numbers, not 768")
    table = np.array(stored, np.uint16).reshape(3, 256).T
    return (table >> (8 if table.max() > 255 else 0)).astype(np.uint8)
