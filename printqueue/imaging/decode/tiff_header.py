"""The TIFF page that gets printed: chosen, described and proven consistent before any pixel is decoded.

Source: TIFF 6.0 (1992), its Technical Notes 1 and 2, and the BigTIFF layout.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from math import prod
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from printqueue.core.errors import PictureError
from printqueue.imaging.decode.errors import damaged, incomplete, refused, separated
from printqueue.imaging.decode.jpeg_header import MAX_PIXELS
from printqueue.imaging.decode.png_header import MAX_INFLATED
from printqueue.imaging.decode.reader import Bounds, FileReader
from printqueue.imaging.decode.tiff_ifd import Directory, file_header, read_directory

NONE, LZW, JPEG, DEFLATE, OLD_DEFLATE, PACKBITS, ZSTD = 1, 5, 7, 8, 32946, 32773, 50000
COMPRESSIONS = {
    NONE: "none", LZW: "LZW", JPEG: "JPEG", DEFLATE: "Deflate", OLD_DEFLATE: "Deflate",
    PACKBITS: "PackBits", ZSTD: "Zstandard",
}  # fmt: skip
PREDICTED = (LZW, DEFLATE, OLD_DEFLATE, ZSTD)  # the codecs that take a predictor
WHITE_IS_ZERO, BLACK_IS_ZERO, RGB, PALETTE, YCBCR = 0, 1, 2, 3, 6
MAX_SEGMENTS = 4_000_000
MAX_CHILDREN = 16
MAX_SEGMENT_BYTES = 1 << 31  # decoded size of one tile
CODED_SLACK_BYTES = 1 << 20
# The most decoded bytes that one coded byte can yield. LZW: a code of at least 9 bits stands for at most 3840 bytes
# (TIFF 6.0, section 13). Deflate: see png_header. PackBits: 128 from 2. Zstandard: a block of 128 KiB from 4 (RFC 8878).
_GROWTH = {LZW: 3414, DEFLATE: MAX_INFLATED, OLD_DEFLATE: MAX_INFLATED, PACKBITS: 64, ZSTD: 32768}
_REDUCED, _MASK = 1, 4  # NewSubfileType bits
_RAW_KINDS = (32803, 34892)  # colour filter array, linear raw (TIFF/EP, DNG)
_DNG_VERSION = 50706
_EXPORT_RGB = "Export a flattened 16-bit TIFF in RGB with its profile."
_OTHER_COLOURS = {
    4: "a transparency mask, not a picture",
    8: "coded in CIELab",
    9: "coded in ICC Lab",
    10: "coded in ITU Lab",
    32844: "coded in LogL (scene light)",
    32845: "coded in LogLuv (scene light)",
}


@dataclass(frozen=True, slots=True, eq=False)
class Page:
    """One checked page. Offsets and byte counts are (planes, rows of segments, columns of segments)."""

    width: int
    height: int
    samples: int
    bits: Literal[8, 16]
    photometric: int
    compression: int
    predictor: int
    planar: bool
    reversed_bits: bool
    extras: tuple[int, ...]
    tiled: bool
    segment_width: int
    segment_height: int
    offsets: NDArray[np.int64]
    counts: NDArray[np.int64]
    directory: Directory

    @property
    def colours(self) -> int:
        """Colour channels in the file: 3, or 1 for grey and palette."""
        return self.samples - len(self.extras)

    @property
    def alpha(self) -> int | None:
        """Index of the channel that holds the transparency (ExtraSamples: associated or unassociated alpha)."""
        return next((self.colours + at for at, kind in enumerate(self.extras) if kind in (1, 2)), None)

    @property
    def plain(self) -> bool:
        """Whether rows can be read straight from the file."""
        return self.compression == NONE and not self.tiled and not self.reversed_bits

    @property
    def channels(self) -> int:
        """Channels in one segment."""
        return 1 if self.planar else self.samples

    @property
    def pixel_bytes(self) -> int:
        """Decoded bytes per pixel of one segment."""
        return self.channels * self.bits // 8

    @property
    def row_bytes(self) -> int:
        """Decoded bytes per row over all channels."""
        return self.width * self.samples * self.bits // 8

    @property
    def dtype(self) -> np.dtype[np.uint8] | np.dtype[np.uint16]:
        """Type of the stored samples, in the file's byte order."""
        return np.dtype(np.uint8) if self.bits == 8 else np.dtype(np.uint16).newbyteorder(self.directory.layout.order)

    def rows_in(self, down: int) -> int:
        """Picture rows in the segments of row `down` (the last may hold fewer)."""
        return min(self.segment_height, self.height - down * self.segment_height)

    def needs(self, down: int) -> int:
        """Decoded bytes that one segment of row `down` must yield; tiles are always whole."""
        rows = self.segment_height if self.tiled else self.rows_in(down)
        return rows * self.segment_width * self.pixel_bytes


def pages(reader: FileReader, bounds: Bounds) -> list[Directory]:
    """Return the true pages (thumbnails and masks do not count); the first is the picture.

    Raises `PictureError`, including for a camera raw file.
    """
    found = _chain(reader, bounds)
    for ifd in found:
        _refuse_raw(reader, ifd)
    return [ifd for ifd in found if _is_page(ifd)] or found[:1]


def _chain(reader: FileReader, bounds: Bounds) -> list[Directory]:
    """Walk the chain of directories, which must neither exceed the bound nor loop."""
    layout, offset = file_header(reader)
    if offset == 0:
        raise incomplete("its header points to no image directory yet")
    found: dict[int, Directory] = {}
    while offset:
        if offset in found:
            raise damaged("its image directories form a loop")
        if len(found) >= bounds.pages:
            raise refused(
                f"It holds more than {bounds.pages} pages.",
                "Export the one page to print.",
                measured=f"more than {bounds.pages} pages",
            )
        found[offset] = read_directory(reader, layout, offset)
        offset = found[offset].following
    return list(found.values())


def _is_page(ifd: Directory) -> bool:
    kind = ifd.integer(254, 0)
    return not kind & (_REDUCED | _MASK) and ifd.integer(255, 1) != 2


def _refuse_raw(reader: FileReader, ifd: Directory) -> None:
    looks = [ifd.integer(262, -1), *_children(reader, ifd)]
    if _DNG_VERSION in ifd or any(look in _RAW_KINDS for look in looks):
        raise refused(
            "This is a camera raw file, not a finished picture.",
            "Develop it, then export a flattened 16-bit TIFF with its profile.",
            measured="camera raw",
        )


def _children(reader: FileReader, ifd: Directory) -> Iterator[int]:
    """Yield the photometric interpretation of each SubIFD; a broken thumbnail is skipped, as it is not the picture."""
    with suppress(PictureError):
        for offset in ifd.array(330, limit=MAX_CHILDREN * 8)[:MAX_CHILDREN]:
            with suppress(PictureError):
                yield read_directory(reader, ifd.layout, int(offset)).integer(262, -1)


def page(reader: FileReader, ifd: Directory, bounds: Bounds) -> Page:
    """Return the page's checked description. Raises `PictureError` saying what cannot be printed and why."""
    width, height, samples = ifd.integer(256), ifd.integer(257), ifd.integer(277, 1)
    photometric, compression = ifd.integer(262), ifd.integer(259, 1)
    _check_colour(photometric, compression)
    bits = _bits(ifd)
    bounds.admit(width, height, samples, bits)
    colours = 3 if photometric in (RGB, YCBCR) else 1
    if samples < colours:
        raise damaged(f"it claims {samples} channels for a picture of {colours} colours")
    _check_coding(compression, photometric, samples, bits)
    planar = ifd.integer(284, 1) == 2 and samples > 1
    if planar and photometric == YCBCR:
        raise refused("Its colours are JPEG-coded in separate planes, which is not read.", _EXPORT_RGB)
    tiled, across, down = _segment_size(ifd, width, height)
    grid = (samples if planar else 1, -(-height // down), -(-width // across))
    offsets, counts = _segments(ifd, grid, "tiles" if tiled else "strips")
    found = Page(
        width, height, samples, bits, photometric, compression,
        _predictor(ifd, compression), planar, ifd.integer(266, 1) == 2,
        _extras(ifd, samples - colours), tiled, across, down, offsets, counts, ifd,
    )  # fmt: skip
    _check_segments(reader, found)
    return found


def _check_colour(photometric: int, compression: int) -> None:
    if photometric == 5:
        raise separated()
    if photometric == YCBCR and compression == 6:
        raise refused("It is coded as old-style JPEG inside TIFF, withdrawn in 1995.", _EXPORT_RGB)
    if photometric == YCBCR and compression != JPEG:
        raise refused("Its colours are coded as uncompressed YCbCr.", _EXPORT_RGB, measured="YCbCr")
    if photometric not in (WHITE_IS_ZERO, BLACK_IS_ZERO, RGB, PALETTE, YCBCR):
        what = _OTHER_COLOURS.get(photometric, f"in a colour coding that is not read (number {photometric})")
        raise refused(f"It is {what}.", _EXPORT_RGB, measured=what)


def _bits(ifd: Directory) -> Literal[8, 16]:
    kinds = set(ifd.integers(339, 1024)) or {1}
    depths = set(ifd.integers(258, 1024)) or {1}
    if len(depths) > 1 or len(kinds) > 1:
        raise refused("Its channels differ in their bits.")
    bits, kind = depths.pop(), kinds.pop()
    if kind == 3:
        what = f"{bits}-bit floating point"
    elif kind in (5, 6):
        what = f"{bits}-bit complex numbers"
    elif kind == 2:
        what = f"{bits}-bit signed whole numbers"
    elif bits not in (8, 16):
        what = f"{bits}-bit whole numbers" if bits > 1 else "1-bit black and white"
    else:
        return 8 if bits == 8 else 16
    raise refused(
        f"Its samples are {what}; 8 and 16 bits are read.", "Export as 16-bit TIFF with its profile.", measured=what
    )


def _check_coding(compression: int, photometric: int, samples: int, bits: int) -> None:
    if compression not in COMPRESSIONS:
        raise refused(
            f"It is compressed in a way that is not read (number {compression}).",
            "Export a 16-bit TIFF with LZW, ZIP or no compression.",
            measured=f"compression {compression}",
        )
    if photometric == PALETTE and (bits, samples) != (8, 1):
        raise refused("It is a palette picture of an unusual kind.", _EXPORT_RGB)
    if compression == JPEG and (bits != 8 or samples not in (1, 3)):
        raise refused("It is JPEG-coded inside TIFF with extra channels or more than 8 bits.", _EXPORT_RGB)


def _predictor(ifd: Directory, compression: int) -> int:
    predictor = ifd.integer(317, 1) if compression in PREDICTED else 1
    if predictor not in (1, 2):
        raise refused(f"Its predictor (number {predictor}) is for floating point.", "Export as 16-bit TIFF.")
    return predictor


def _extras(ifd: Directory, count: int) -> tuple[int, ...]:
    """Meaning of each extra channel; one without a description is a selection (0, unspecified)."""
    said = ifd.integers(338, 1024)[:count]
    return said + (0,) * (count - len(said))


def _segment_size(ifd: Directory, width: int, height: int) -> tuple[bool, int, int]:
    """Return whether the page is tiled, and the width and height in pixels of a tile or strip."""
    if 322 in ifd or 323 in ifd:
        across, down = ifd.integer(322), ifd.integer(323)
        if across < 1 or down < 1 or across * down > MAX_SEGMENT_BYTES // 8 or max(across, down) > 65536:
            raise damaged(f"its tiles claim {across} × {down} px")
        return True, across, down
    rows = ifd.integer(278, height)
    if rows < 1:
        raise damaged("its strips claim no rows")
    return False, width, min(rows, height)


def _segments(ifd: Directory, grid: tuple[int, int, int], kind: str) -> list[NDArray[np.int64]]:
    """Return the offsets and byte counts of all tiles or strips, indexed by plane, down, across."""
    need = prod(grid)
    if need > MAX_SEGMENTS:
        raise damaged(f"it claims {need} {kind}")
    arrays = []
    for tag in (324, 325) if kind == "tiles" and 324 in ifd else (273, 279):
        if tag not in ifd:
            raise damaged(f"tag {tag} is missing, so its {kind} cannot be found")
        if ifd.entries[tag].count != need:
            raise damaged(f"it lists {ifd.entries[tag].count} {kind}, but its size needs {need}")
        values = np.minimum(ifd.array(tag, limit=8 * MAX_SEGMENTS), np.uint64(1 << 60))
        arrays.append(values.astype(np.int64).reshape(grid))
    return arrays


def _amount(size: int) -> str:
    return f"{size / 1e6:.1f} MB" if size >= 1_000_000 else f"{size} bytes"


def _check_segments(reader: FileReader, page: Page) -> None:
    """Check that every strip or tile was written, lies inside the file and has a possible size."""
    kind = "tile" if page.tiled else "strip"
    missing = np.count_nonzero((page.offsets <= 0) | (page.counts <= 0))
    if missing:
        raise incomplete(f"{missing} of {page.offsets.size} {kind}s were never written")
    end = int((page.offsets + page.counts).max())
    if end > reader.size:
        raise incomplete(f"it ends after {_amount(reader.size)}, and its pixels need {_amount(end)}")
    full, last = page.needs(0), page.needs(page.offsets.shape[1] - 1)
    growth = MAX_PIXELS * page.channels if page.compression == JPEG else _GROWTH.get(page.compression, 1)
    if (page.counts[:, :-1] * growth < full).any() or (page.counts[:, -1] * growth < last).any():
        raise damaged(f"a {kind} holds fewer bytes than its rows need")
    if page.compression != NONE and int(page.counts.max()) > 4 * full + CODED_SLACK_BYTES:
        raise damaged(f"a {kind} claims far more compressed bytes than its rows need")
