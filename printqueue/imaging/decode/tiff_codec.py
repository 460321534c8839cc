"""Decodes one strip or tile of a TIFF: bytes in, samples out, nothing taken on trust."""

from __future__ import annotations

import io
import zlib
from collections.abc import Callable
from functools import partial

import imagecodecs
import numpy as np
from numpy.typing import NDArray

from printqueue.imaging.decode import jpeg_pixels
from printqueue.imaging.decode import tiff_header as header
from printqueue.imaging.decode.errors import damaged
from printqueue.imaging.decode.jpeg_header import APP0, FRAMES, SEQUENTIAL_OR_PROGRESSIVE, Frame, frame, markers
from printqueue.imaging.decode.reader import FileReader
from printqueue.imaging.decode.tiff_header import Page

Bytes = bytes | bytearray | memoryview


def samples(page: Page, data: bytes, down: int, name: str) -> NDArray[np.generic]:
    """Return one segment as (rows, width, channels), channels in native byte order.

    `name` identifies it in errors. The last strip holds the remaining rows; a
    tile is always whole. Raises `PictureError` if it decodes to too little.
    """
    rows = page.segment_height if page.tiled else page.rows_in(down)
    shape = (rows, page.segment_width, page.channels)
    if page.compression == header.JPEG:
        return _jpeg(page, data, shape, name)
    if page.reversed_bits:
        data = bytes(imagecodecs.bitorder_decode(data))
    need = page.needs(down)
    unpacked: Bytes = data if page.compression == header.NONE else _unpacked(page.compression, data, need, name)
    if len(unpacked) < need:
        raise damaged(f"{name} holds {len(unpacked)} bytes of the {need} that its rows need")
    found = np.frombuffer(unpacked, page.dtype, need // page.dtype.itemsize).reshape(shape)
    if not found.dtype.isnative:
        found = found.astype(found.dtype.newbyteorder("="))
    if page.predictor == 2:  # in place if possible: a single strip may be the whole picture
        found = imagecodecs.delta_decode(found, axis=1, out=found if found.flags.writeable else None)
    return found


def _unpacked(compression: int, data: bytes, need: int, name: str) -> Bytes:
    try:
        return _CODECS[compression](data, need)
    except MemoryError:
        raise
    except Exception as error:
        raise damaged(f"{name} does not unpack ({header.COMPRESSIONS[compression]} data are broken)") from error


def _inflate(data: bytes, need: int) -> Bytes:
    """Inflate at most `need` bytes; the checksum at the end must match."""
    try:
        return _into("deflate_decode", data, need)
    except imagecodecs.DeflateError:
        pass  # broken, or padded with more rows than the picture has: zlib can tell which
    inflater = zlib.decompressobj()
    found = inflater.decompress(data, need)
    rest = inflater.unconsumed_tail
    for _ in range(64):  # padding is at most a few rows
        if inflater.eof or not rest:
            break
        inflater.decompress(rest, max(need, 4096))
        rest = inflater.unconsumed_tail
    if not inflater.eof:
        raise zlib.error("no end")
    return found


def _packbits(data: bytes, need: int) -> Bytes:
    try:
        return _into("packbits_decode", data, need)
    except imagecodecs.PackbitsError:
        return bytes(imagecodecs.packbits_decode(data, out=2 * need + 4096))[:need]


def _into(decode: str, data: bytes, need: int) -> Bytes:
    """Decode at most `need` bytes into writable memory, so that the predictor needs no second copy."""
    found: Bytes = getattr(imagecodecs, decode)(data, out=bytearray(need))
    return found


_CODECS: dict[int, Callable[[bytes, int], Bytes]] = {
    header.LZW: partial(_into, "lzw_decode"),
    header.DEFLATE: _inflate,
    header.OLD_DEFLATE: _inflate,
    header.PACKBITS: _packbits,
    header.ZSTD: partial(_into, "zstd_decode"),
}


def _jpeg(page: Page, data: bytes, shape: tuple[int, int, int], name: str) -> NDArray[np.generic]:
    found, scan_stop, jfif = _jpeg_frame(data, name)
    fits = found.width == shape[1] and shape[0] <= found.height <= page.segment_height
    if not fits or (found.precision, found.components) != (8, shape[2]):
        raise damaged(f"{name} holds a JPEG of {found.width} × {found.height} px that does not fit the header")
    stored = {header.YCBCR: "YCBCR", header.RGB: "RGB"}.get(page.photometric)
    stream = jpeg_pixels.Stream(
        data,
        scan_stop,
        name,
        grey=shape[2] == 1,
        tables=page.directory.raw(347, limit=1 << 16),
        stored=None if page.planar or jfif else stored,
    )
    pixels = jpeg_pixels.decoded(stream)
    if pixels.shape != (found.height, *shape[1:]):
        raise damaged(f"{name} decodes to another size than its JPEG header says")
    return pixels[: shape[0]]


def _jpeg_frame(data: bytes, name: str) -> tuple[Frame, int, bool]:
    """Return the frame of a segment's abbreviated stream, where its last scan ends, and whether it is JFIF."""
    found: Frame | None = None
    scan_stop, jfif = 0, False
    for marker in markers(FileReader(io.BytesIO(data))):
        if marker.code in FRAMES and found is None:
            found = frame(marker.code, data[marker.start : marker.stop])
        scan_stop = marker.data_stop or scan_stop
        jfif = jfif or (marker.code == APP0 and data[marker.start :][:4] == b"JFIF")
    if found is None or not scan_stop or found.process not in SEQUENTIAL_OR_PROGRESSIVE:
        raise damaged(f"{name} holds no JPEG picture")
    return found, scan_stop, jfif
