"""The proof that a TIFF has arrived whole, without decoding it."""

from __future__ import annotations

import numpy as np

from printqueue.decode import tiff_header as header
from printqueue.decode._bounds import Bounds
from printqueue.decode._ifd import Directory
from printqueue.decode._reader import PAGE_BYTES, Reader
from printqueue.decode._whole import empty, no_hole
from printqueue.decode.errors import damaged, incomplete

EMPTY_SHARE = 0.01
UNWRITTEN_BYTES = 512
_VALUES = (34675, 700)  # ICC profile and XMP often stand at the end of the file


def probe_tiff(reader: Reader, bounds: Bounds) -> None:
    """Check that the strips or tiles of every true page are there and were written."""
    found = header.document(reader, bounds)
    page = header.page(reader, found.pages[0], bounds)
    for entry in found.pages[1:]:
        _check_extent(reader, entry)
    for tag in _VALUES:
        _check_value(reader, found.pages[0], tag)
    if page.compression == header.NONE:
        tail = empty_share(reader, page)
        if tail:
            raise empty(tail)
    elif _ends_unwritten(reader, page):
        raise incomplete("its last strip or tile ends in bytes that were never written")
    no_hole(reader, *_extent(page))


def tail_share(reader: Reader, bounds: Bounds) -> float:
    """Return `empty_share` of the picture's page; 0 for a compressed one, where an empty tail cannot be read."""
    page = header.page(reader, header.document(reader, bounds).pages[0], bounds)
    return empty_share(reader, page) if page.compression == header.NONE else 0.0


def empty_share(reader: Reader, page: header.Page) -> float:
    """Return the share of an uncompressed page's data that looks unwritten, 0 where nothing does.

    A run of zero bytes that reaches the end of the pixel data and begins on a
    4 KiB offset of the file is how an unfinished copy ends; a black foot begins
    there by chance only once in some thousand. (Page size of file systems:
    common practice, no source.)
    """
    start, stop = _extent(page)[0], _written_stop(page)
    run = reader.zero_tail(start, stop)
    share = run / max(1, stop - start)
    whole = run == stop - start
    return share if share > EMPTY_SHARE and (whole or (stop - run) % PAGE_BYTES == 0) else 0.0


def _ends_unwritten(reader: Reader, page: header.Page) -> bool:
    """Whether the last compressed segment ends in zeros, as no codec here ends one."""
    last = int(page.offsets.argmax())
    offset, count = int(page.offsets.flat[last]), int(page.counts.flat[last])
    size = min(UNWRITTEN_BYTES, count)
    return count >= 16 and not any(reader.at(offset + count - size, size, "the last strip or tile"))


def _extent(page: header.Page) -> tuple[int, int]:
    """Return where in the file the page's pixel data begin and end."""
    return int(page.offsets.min()), int((page.offsets + page.counts).max())


def _written_stop(page: header.Page) -> int:
    """Return where an uncompressed page's last pixel ends; padding of edge tiles behind it is zero by right."""
    plane, down, column = np.unravel_index(int(page.offsets.argmax()), page.offsets.shape)
    pixel_bytes = (1 if page.planar else page.samples) * page.bits // 8
    columns = min(page.segment_width, page.width - int(column) * page.segment_width)
    rows = page.rows_in(int(down))
    return int(page.offsets[plane, down, column]) + ((rows - 1) * page.segment_width + columns) * pixel_bytes


def _check_extent(reader: Reader, entry: Directory) -> None:
    """Raise `IncompletePictureError` if a further page's strips or tiles are not all there."""
    for offsets, counts in ((273, 279), (324, 325)):
        listed = max((entry.entries[tag].count for tag in (offsets, counts) if tag in entry), default=0)
        if listed > header.MAX_SEGMENTS:
            raise damaged(f"a further page of it claims {listed} strips or tiles")
        starts, sizes = entry.array(offsets), entry.array(counts)
        if 0 < starts.size == sizes.size:
            ends = starts + np.minimum(sizes, np.uint64(1 << 60))
            if not starts.all() or (starts > reader.size).any() or int(ends.max()) > reader.size:
                raise incomplete("a further page of it is not all there")


def _check_value(reader: Reader, entry: Directory, tag: int) -> None:
    """Raise `IncompletePictureError` if the tag's value lies past the end of the file."""
    found = entry.entries.get(tag)
    if found is not None and found.offset + found.bytes > reader.size:
        raise incomplete(f"the value of tag {tag} lies past its end")
