"""Proves that a file has arrived whole, without decoding it."""

from __future__ import annotations

from collections.abc import Callable
from typing import BinaryIO

import numpy as np

from printqueue.imaging.decode import jpeg_header, png_header, tiff_header
from printqueue.imaging.decode.errors import damaged, incomplete, unwritten
from printqueue.imaging.decode.reader import CHUNK_BYTES, Bounds, FileReader
from printqueue.imaging.decode.sniff import Kind, recognise
from printqueue.imaging.decode.tiff_header import Page
from printqueue.imaging.decode.tiff_ifd import Directory

BLOCK_BYTES = 4096  # block size of file systems and their caches: common practice, no source
EMPTY_SHARE = 0.01
UNWRITTEN_BYTES = 512
_EMPTY_BLOCK = bytes(BLOCK_BYTES)
_VALUES = (34675, 700)  # the ICC profile and XMP are often at the end of the file


def probe(handle: BinaryIO, bounds: Bounds) -> None:
    """Prove, without decoding, that the file has arrived whole.

    Raises `IncompletePictureError` if its end or a part is missing (as
    `EmptyTailError` if that may be the picture's own black), `PictureError`
    if it is unusable for another reason. Damage inside compressed data shows
    only when the rows are read.
    """
    reader = FileReader(handle)
    _FORMATS[recognise(reader)](reader, bounds)


def _jpeg(reader: FileReader, bounds: Bounds) -> None:
    """Check that the end marker follows the last scan and that nothing was left unwritten."""
    head = jpeg_header.read(reader, bounds)
    _no_hole(reader, 0, head.stop)
    _no_empty_blocks(reader, head.scan_start, head.scan_stop)


def _png(reader: FileReader, bounds: Bounds) -> None:
    """Check the checksum of every chunk that a decoder needs, and that nothing was left unwritten."""
    head = png_header.read(reader, bounds)
    for chunk in head.needed:
        png_header.check_sum(reader, chunk)
    _no_hole(reader, 0, head.stop)


def _tiff(reader: FileReader, bounds: Bounds) -> None:
    """Check that the strips or tiles of every true page are there and were written."""
    pages = tiff_header.pages(reader, bounds)
    page = tiff_header.page(reader, pages[0], bounds)
    for ifd in pages[1:]:
        _check_extent(reader, ifd)
    for tag in _VALUES:
        _check_value(reader, pages[0], tag)
    if share := empty_share(reader, page):
        raise unwritten(
            f"The last {share:.0%} of the pixel data are empty, as a copy leaves them that has not come to its end; "
            "a wholly black foot of a picture can look the same.",
            f"{share:.1%} empty",
        )
    if page.compression != tiff_header.NONE and _ends_unwritten(reader, page):
        raise incomplete("its last strip or tile ends in bytes that were never written")
    _no_hole(reader, *_extent(page))


_FORMATS: dict[Kind, Callable[[FileReader, Bounds], None]] = {"TIFF": _tiff, "JPEG": _jpeg, "PNG": _png}


# -- signs that a part was never written --------------------------------------------------


def _no_hole(reader: FileReader, start: int, stop: int) -> None:
    """Raise `EmptyTailError` if the file system reports part of [start, stop) as never written.

    Sparse files are legal, so the photographer can allow it.
    """
    found = reader.hole(start, stop)
    if found is not None:
        raise unwritten(
            f"The file does not look complete: from byte {found} on a part of it was never written.",
            f"hole at byte {found}",
        )


def _no_empty_blocks(reader: FileReader, start: int, stop: int) -> None:
    """Raise `EmptyTailError` if compressed data hold a run of zeros that starts and ends exactly on 4 KiB file offsets.

    That is what a block that never arrived looks like in a copy; compressed
    data do not align with file offsets.
    """
    for place in range(-(-start // BLOCK_BYTES) * BLOCK_BYTES, stop, CHUNK_BYTES):
        data = reader.some(place, min(CHUNK_BYTES, stop - place))
        for at in range(0, len(data), BLOCK_BYTES):
            if data[at : at + BLOCK_BYTES] == _EMPTY_BLOCK:
                _refuse_run(reader, place + at, stop)


def _refuse_run(reader: FileReader, block: int, stop: int) -> None:
    """Raise if the zeros start exactly at `block` and end exactly at a later 4 KiB offset."""
    if reader.some(block - 1, 1) == b"\0":
        return
    end = block + BLOCK_BYTES
    while end + BLOCK_BYTES <= stop and not any(reader.some(end, BLOCK_BYTES)):
        end += BLOCK_BYTES
    if reader.some(end, 1) != b"\0":
        raise unwritten(
            f"The file does not look complete: bytes {block} to {end} are empty, as a copy leaves a part that is missing.",
            f"{end - block} bytes empty",
        )


def empty_share(reader: FileReader, page: Page) -> float:
    """Return the share (0 to 1) of an uncompressed page's data that looks unwritten, 0 if none does.

    An unfinished copy ends in a run of zero bytes that starts on a 4 KiB file
    offset and reaches the end of the pixel data; a picture's black foot starts on
    such an offset only once in several thousand. A compressed page gives 0.
    """
    if page.compression != tiff_header.NONE:
        return 0.0
    start, stop = _extent(page)[0], _written_stop(page)
    run = reader.zero_tail(start, stop)
    share = run / max(1, stop - start)
    whole = run == stop - start
    return share if share > EMPTY_SHARE and (whole or (stop - run) % BLOCK_BYTES == 0) else 0.0


def _ends_unwritten(reader: FileReader, page: Page) -> bool:
    """Whether the last compressed segment ends in zeros, which no codec here produces."""
    last = int(page.offsets.argmax())
    offset, count = int(page.offsets.flat[last]), int(page.counts.flat[last])
    size = min(UNWRITTEN_BYTES, count)
    return count >= 16 and not any(reader.at(offset + count - size, size, "the last strip or tile"))


def _extent(page: Page) -> tuple[int, int]:
    """Return where in the file the page's pixel data start and end."""
    return int(page.offsets.min()), int((page.offsets + page.counts).max())


def _written_stop(page: Page) -> int:
    """Return where an uncompressed page's last pixel ends; the padding of edge tiles after it is rightly zero."""
    plane, down, column = np.unravel_index(int(page.offsets.argmax()), page.offsets.shape)
    columns = min(page.segment_width, page.width - int(column) * page.segment_width)
    pixels = (page.rows_in(int(down)) - 1) * page.segment_width + columns
    return int(page.offsets[plane, down, column]) + pixels * page.pixel_bytes


def _check_extent(reader: FileReader, ifd: Directory) -> None:
    """Raise `IncompletePictureError` unless all strips or tiles of a further page are there."""
    for offsets, counts in ((273, 279), (324, 325)):
        listed = max((ifd.entries[tag].count for tag in (offsets, counts) if tag in ifd), default=0)
        if listed > tiff_header.MAX_SEGMENTS:
            raise damaged(f"a further page of it claims {listed} strips or tiles")
        starts, sizes = ifd.array(offsets), ifd.array(counts)
        if 0 < starts.size == sizes.size:
            ends = starts + np.minimum(sizes, np.uint64(1 << 60))
            if not starts.all() or (starts > reader.size).any() or int(ends.max()) > reader.size:
                raise incomplete("a further page of it is not all there")


def _check_value(reader: FileReader, ifd: Directory, tag: int) -> None:
    """Raise `IncompletePictureError` if the tag's value lies past the end of the file."""
    found = ifd.entries.get(tag)
    if found is not None and found.offset + found.bytes > reader.size:
        raise incomplete(f"the value of tag {tag} lies past its end")
