"""A TIFF page as a source of bands: reads only the strips and tiles that a band needs."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable
from functools import partial
from typing import cast

import numpy as np
from numpy.typing import NDArray

from printqueue.core.model.picture import PictureFacts
from printqueue.imaging.decode import tiff_header as header
from printqueue.imaging.decode.errors import damaged
from printqueue.imaging.decode.reader import CHUNK_BYTES, FileReader
from printqueue.imaging.decode.tiff_codec import samples
from printqueue.imaging.decode.tiff_header import Page
from printqueue.imaging.source import Samples

ALPHA_BAND_BYTES = 64 * 1024 * 1024
KEPT_BYTES = 16 * 1024 * 1024  # bands come in order, so only parts that two neighbouring bands share are needed twice


class _Slot:
    def __init__(self) -> None:
        self.lock = threading.Lock()
        self.value: NDArray[np.generic] | None = None


class PartCache:
    """An LRU cache of parts: `kept_bytes` in all, but always at least the last two (one for each thread)."""

    def __init__(self, kept_bytes: int = KEPT_BYTES) -> None:
        self._kept_bytes = kept_bytes
        self._total = 0
        self._lock = threading.Lock()
        self._slots: OrderedDict[Hashable, _Slot] = OrderedDict()

    def get(self, key: Hashable, decode: Callable[[], NDArray[np.generic]]) -> NDArray[np.generic]:
        """Return the part for `key`, calling `decode()` if it is not cached; two threads decode a part only once.

        An exception from `decode` propagates and is not cached.
        """
        with self._lock:
            slot = self._slots.setdefault(key, _Slot())
            self._slots.move_to_end(key)
        with slot.lock:
            if slot.value is None:
                slot.value = decode()
                self._keep(key, slot, slot.value.nbytes)
            return slot.value

    def _keep(self, key: Hashable, slot: _Slot, added: int) -> None:
        with self._lock:
            if self._slots.get(key) is not slot:  # evicted while it was being decoded: freed when its reader is done
                return
            self._total += added
            while self._total > self._kept_bytes and len(self._slots) > 2:
                _, old = self._slots.popitem(last=False)
                self._total -= old.value.nbytes if old.value is not None else 0


class TiffSource:
    """Rows of one TIFF page as stored.

    Memory: the band, one row of tiles or one strip, and a 16 MB cache. A
    single compressed strip is decoded whole, once.
    """

    def __init__(self, reader: FileReader, page: Page, facts: PictureFacts, icc: bytes | None) -> None:
        self.facts = facts
        self.icc = icc
        self._reader = reader
        self.page = page
        self._parts = PartCache()
        self._palette = _palette(page) if page.photometric == header.PALETTE else None

    def rows(self, start: int, stop: int) -> Samples:
        """Rows as (stop - start, width, C), uint8 or uint16."""
        page = self.page
        found = self._channels(start, stop, 0, page.colours)
        if self._palette is not None:
            return cast(Samples, self._palette[found[:, :, 0]])
        return cast(Samples, np.invert(found, out=found) if page.photometric == header.WHITE_IS_ZERO else found)

    def transparent(self) -> bool:
        """Whether there is an alpha channel that is not opaque everywhere."""
        page, alpha = self.page, self.page.alpha
        if alpha is None:
            return False
        step = max(1, ALPHA_BAND_BYTES // page.row_bytes)
        opaque = (1 << page.bits) - 1
        return any(
            bool((self._channels(top, min(top + step, page.height), alpha, alpha + 1) != opaque).any())
            for top in range(0, page.height, step)
        )

    def _channels(self, start: int, stop: int, first: int, last: int) -> NDArray[np.generic]:
        """Stored rows of channels `first` to `last`, in native byte order."""
        page = self.page
        found = np.empty((stop - start, page.width, last - first), page.dtype.newbyteorder("="))
        part = self._plain if page.plain else self._kept
        top = start
        while top < stop:
            down = top // page.segment_height
            begin = down * page.segment_height
            end = min(stop, begin + page.rows_in(down))
            if page.plain:  # small reads stay in the processor's cache on their way into the band
                end = min(end, top + max(1, CHUNK_BYTES // page.row_bytes))
            band = found[top - start : end - start]
            if page.planar:
                for channel in range(first, last):
                    band[:, :, channel - first] = part(channel, down, top - begin, end - begin)[:, :, 0]
            else:
                band[:] = part(0, down, top - begin, end - begin)[:, :, first:last]
            top = end
        return found

    def _plain(self, plane: int, down: int, top: int, end: int) -> NDArray[np.generic]:
        """Rows of an uncompressed strip, read straight from the file."""
        page = self.page
        row_bytes = page.width * page.pixel_bytes
        offset = int(page.offsets[plane, down, 0]) + top * row_bytes
        data = self._reader.at(offset, (end - top) * row_bytes, f"strip {down + 1}")
        return np.frombuffer(data, page.dtype).reshape(end - top, page.width, page.channels)

    def _kept(self, plane: int, down: int, top: int, end: int) -> NDArray[np.generic]:
        """Rows of a compressed strip or of a row of tiles, through the cache."""
        return self._parts.get((plane, down), partial(self._decode, plane, down))[top:end]

    def _decode(self, plane: int, down: int) -> NDArray[np.generic]:
        """Decode strip or tile row `down` of one plane."""
        page = self.page
        if not page.tiled:
            return self._segment(plane, down, 0)
        part = np.empty((page.rows_in(down), page.width, page.channels), page.dtype.newbyteorder("="))
        for column in range(page.offsets.shape[2]):
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


def _palette(page: Page) -> NDArray[np.uint8]:
    """Return the colour map as (256, 3) uint8; a map of 8-bit values (a known writer's bug) is accepted as such."""
    stored = page.directory.integers(320, limit=1 << 16)
    if len(stored) != 768:
        raise damaged(f"its palette has {len(stored)} numbers, not 768")
    table = np.array(stored, np.uint16).reshape(3, 256).T
    return (table >> (8 if table.max() > 255 else 0)).astype(np.uint8)
