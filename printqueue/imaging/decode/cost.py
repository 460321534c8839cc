"""How much memory reading a picture takes, predicted from its header before any pixel is decoded. Pure.

Measured on 24 megapixels, in MB (growth of VmHWM in a forked child that reads all rows in bands from two threads, minus
the bands; our estimate in brackets):

  plain strips 6 MB [22] · LZW strips of 64 rows, predictor 33 [40] · one Deflate strip, predictor 176 [333], and
  big-endian 313 [333] · planes of one Deflate strip each 216 [275] · Zstandard tiles of 256 px with alpha 47 [132] ·
  one PackBits strip 94 [251] · one JPEG strip 220 [382] · LZW, lying on its side 166 [184] · baseline JPEG 221 [235] ·
  progressive JPEG 291 [310] · 8-bit PNG 79 [103] · 16-bit PNG with alpha 259 [288]
"""

from __future__ import annotations

from printqueue.imaging.decode import tiff_header
from printqueue.imaging.decode.jpeg_pixels import SECOND_LOOK_PIXELS, JpegSource
from printqueue.imaging.decode.orientation import OrientedSource
from printqueue.imaging.decode.png_header import PngHeader
from printqueue.imaging.decode.png_pixels import PngSource
from printqueue.imaging.decode.reader import CHUNK_BYTES
from printqueue.imaging.decode.tiff_header import Page
from printqueue.imaging.decode.tiff_pixels import ALPHA_BAND_BYTES, KEPT_BYTES, TiffSource
from printqueue.imaging.source import Source

THREADS = 2  # bands are read from this many threads at once
_SMALL_BYTES = 16_000_000  # directories, metadata, thread stacks and what malloc keeps
_LISTED_BYTES = 64  # per strip or tile: offset and count, as read, widened, and compared
_CHUNK_BYTES = 250  # per PNG chunk: its record, and its data as a separate object
_BLOCK_PX = 64  # JPEG coefficients are kept for whole blocks, at the coarsest sampling
# Segment-sized buffers besides the samples while unpacking; the second decoding path is for padded data.
_UNPACKING = {tiff_header.DEFLATE: 1, tiff_header.OLD_DEFLATE: 1, tiff_header.PACKBITS: 2}


def decoding_bytes(source: Source) -> int:
    """Most bytes held while `source`, from `open_picture`, is read in bands from two threads and asked for its alpha.

    Excludes the bands handed out and the libraries, which are the caller's. A source from elsewhere counts only for its
    profile.
    """
    return _SMALL_BYTES + 3 * len(source.icc or b"") + _pixels(source)


def _pixels(source: Source) -> int:
    match source:
        case OrientedSource():
            return _pixels(source.stored) + (_whole(source) if source.lying else 0)
        case TiffSource():
            return _tiff(source.page)
        case JpegSource():
            head, frame = source.head, source.head.frame
            size = (frame.width, frame.height, frame.components)
            return _libjpeg(size, head.stop, several_scans=head.scans > 1)
        case PngSource():
            return _png(source.head)
    return 0


def _whole(source: OrientedSource) -> int:
    """A picture on its side is held whole, on top of what its decoder holds."""
    facts = source.facts
    return facts.width_px * facts.height_px * (3 if facts.colour == "rgb" else 1) * facts.bits // 8


def _tiff(page: Page) -> int:
    listed = _LISTED_BYTES * page.offsets.size
    alpha = 0 if page.alpha is None else ALPHA_BAND_BYTES
    if page.plain:
        return listed + alpha + 3 * THREADS * max(CHUNK_BYTES, page.row_bytes)
    return listed + alpha + _kept(page) + _unpacking(page)


def _kept(page: Page) -> int:
    """What the cache holds, plus the parts that both threads are still using."""
    planes = page.colours if page.planar else 1
    part = page.rows_in(0) * page.width * page.pixel_bytes
    return min(planes * int(page.offsets.shape[1]) * part, KEPT_BYTES + (THREADS * planes + 1) * part)


def _unpacking(page: Page) -> int:
    """Bytes held besides the samples while a segment is unpacked, per thread."""
    segment, coded = page.needs(0), int(page.counts.max())
    if page.compression == tiff_header.JPEG:
        one = _libjpeg((page.segment_width, page.segment_height, page.channels), coded, several_scans=True)
    else:
        swapped = page.bits == 16 and not page.dtype.isnative
        copies = max(swapped + page.tiled, _UNPACKING.get(page.compression, 0))  # a predictor is undone in place
        one = coded * (2 if page.reversed_bits else 1) + copies * segment
    return min(THREADS, page.offsets.size) * one


def _libjpeg(size: tuple[int, int, int], coded: int, *, several_scans: bool) -> int:
    """Samples, the coefficients of a multi-scan stream (2 bytes each), and the second decode with its comparison."""
    width, height, components = size
    samples = width * height * components
    blocks = 2 * components * (width + _BLOCK_PX) * (height + _BLOCK_PX) if several_scans else 0
    if samples > SECOND_LOOK_PIXELS * components:
        return coded + samples + blocks
    return 2 * coded + samples + max(samples + blocks, 2 * samples)


def _png(head: PngHeader) -> int:
    """Decoded samples, the chunks as read (one at a time) and as joined, and the comparison of an alpha channel."""
    pixels = head.width * head.height
    coded = sum(chunk.size for chunk in head.needed)
    channels = head.colours + head.has_alpha
    decoded = channels * pixels * (2 if head.depth == 16 else 1)
    return (
        _CHUNK_BYTES * len(head.needed)
        + sum(len(data) for kept in head.notes.values() for data in kept)
        + decoded
        + max(2 * coded, pixels if head.has_alpha else 0)
    )
