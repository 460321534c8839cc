"""The page of a TIFF that is printed: chosen, described and proven consistent before any pixel is decoded.

Source: TIFF 6.0 (1992), its Technical Notes 1 and 2, and the BigTIFF layout.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from printqueue.decode._bounds import Bounds
from printqueue.decode._ifd import Directory, Shape, chain, directory, stream
from printqueue.decode._markers import MOST_PIXELS
from printqueue.decode._reader import Reader
from printqueue.decode.errors import damaged, incomplete, refused
from printqueue.decode.png_header import MOST_INFLATED
from printqueue.errors import PictureError

NONE, LZW, JPEG, DEFLATE, OLD_DEFLATE, PACKBITS, ZSTD = 1, 5, 7, 8, 32946, 32773, 50000
COMPRESSIONS = {
    NONE: "none", LZW: "LZW", JPEG: "JPEG", DEFLATE: "Deflate", OLD_DEFLATE: "Deflate",
    PACKBITS: "PackBits", ZSTD: "Zstandard",
}  # fmt: skip
PREDICTED = (LZW, DEFLATE, OLD_DEFLATE, ZSTD)  # the codecs that a predictor belongs to
WHITE_IS_ZERO, BLACK_IS_ZERO, RGB, PALETTE, YCBCR = 0, 1, 2, 3, 6
MAX_SEGMENTS = 4_000_000
MAX_CHILDREN = 16
MAX_SEGMENT_BYTES = 1 << 31  # decoded, of one tile
CODED_SLACK_BYTES = 1 << 20
# Decoded bytes that one coded byte can give at most. LZW: a code of 9 bits or more stands for 3840 bytes or less
# (TIFF 6.0, section 13). Deflate: see png_header. PackBits: 128 from 2. Zstandard: a block of 128 KiB from 4 (RFC 8878).
_GROWTH = {LZW: 3414, DEFLATE: MOST_INFLATED, OLD_DEFLATE: MOST_INFLATED, PACKBITS: 64, ZSTD: 32768}
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
    order: Literal["<", ">"]
    directory: Directory

    @property
    def colours(self) -> int:
        """Colour channels in the file: 3, or 1 for grey and palette."""
        return self.samples - len(self.extras)

    @property
    def dtype(self) -> np.dtype[np.uint8] | np.dtype[np.uint16]:
        """Type of the stored samples, in the file's byte order."""
        return np.dtype(np.uint8) if self.bits == 8 else np.dtype(np.uint16).newbyteorder(self.order)

    def rows_in(self, down: int) -> int:
        """Picture rows in the segments of row `down` (the last may hold fewer)."""
        return min(self.segment_height, self.height - down * self.segment_height)

    def needs(self, down: int) -> int:
        """Decoded bytes that one segment of row `down` must give; tiles are always whole."""
        rows = self.segment_height if self.tiled else self.rows_in(down)
        per_pixel = (1 if self.planar else self.samples) * self.bits // 8
        return rows * self.segment_width * per_pixel


@dataclass(frozen=True, slots=True, eq=False)
class Document:
    """A TIFF file's true pages; the first is the picture."""

    shape: Shape
    pages: tuple[Directory, ...]


def document(reader: Reader, bounds: Bounds) -> Document:
    """Walk the directories; thumbnails and masks are no pages. Raises `PictureError`, also for a camera raw file."""
    shape, first = stream(reader)
    if first == 0:
        raise incomplete("its header points to no image directory yet")
    found = chain(reader, shape, first, bounds.pages, lambda: _too_many(bounds))
    for entry in found:
        _refuse_raw(reader, entry)
    pages = tuple(entry for entry in found if _is_page(entry))
    return Document(shape, pages or tuple(found[:1]))


def _too_many(bounds: Bounds) -> PictureError:
    return refused(
        f"It holds more than {bounds.pages} pages.",
        "Export the one page to print.",
        measured=f"more than {bounds.pages} pages",
    )


def _is_page(entry: Directory) -> bool:
    kind = entry.integer(254, 0)
    return not kind & (_REDUCED | _MASK) and entry.integer(255, 1) != 2


def _refuse_raw(reader: Reader, entry: Directory) -> None:
    looks = [entry.integer(262, -1), *(_child_kind(reader, entry, at) for at in range(MAX_CHILDREN))]
    if _DNG_VERSION in entry or any(look in _RAW_KINDS for look in looks):
        raise refused(
            "This is a camera raw file, not a finished picture.",
            "Develop it, then export a flattened 16-bit TIFF with its profile.",
            measured="camera raw",
        )


def _child_kind(reader: Reader, entry: Directory, at: int) -> int:
    """Return the photometric interpretation of SubIFD number `at`; a broken thumbnail is not the picture, so -1."""
    try:
        offsets = entry.array(330, limit=MAX_CHILDREN * 8)
        return directory(reader, entry.shape, int(offsets[at])).integer(262, -1) if at < offsets.size else -1
    except PictureError:
        return -1


def page(reader: Reader, entry: Directory, bounds: Bounds) -> Page:
    """Return the page's checked description. Raises `PictureError` that says what cannot be printed and why."""
    width, height, samples = entry.integer(256), entry.integer(257), entry.integer(277, 1)
    photometric, compression = entry.integer(262), entry.integer(259, 1)
    _check_colour(photometric, compression)
    bits = _bits(entry)
    bounds.admit(width, height, samples, bits)
    colours = 3 if photometric in (RGB, YCBCR) else 1
    if samples < colours:
        raise damaged(f"it claims {samples} channels for a picture of {colours} colours")
    _check_coding(compression, photometric, samples, bits)
    planar = entry.integer(284, 1) == 2 and samples > 1
    if planar and photometric == YCBCR:
        raise refused("Its colours are JPEG-coded in separate planes, which is not read.", _EXPORT_RGB)
    tiled, size = _segment_size(entry, width, height)
    offsets, counts = _segments(entry, tiled, (width, height), size, samples if planar else 1)
    found = Page(
        width, height, samples, bits, photometric, compression,
        _predictor(entry, compression), planar, entry.integer(266, 1) == 2,
        _extras(entry, samples - colours), tiled, size[0], size[1], offsets, counts,
        entry.shape.order, entry,
    )  # fmt: skip
    _check_segments(reader, found)
    return found


def _check_colour(photometric: int, compression: int) -> None:
    if photometric == 5:
        raise refused(
            "It is CMYK, a separation already made for another machine.",
            "Export RGB in your working space, as a 16-bit TIFF with its profile.",
            check="profile",
            measured="CMYK",
        )
    if photometric == YCBCR and compression == 6:
        raise refused("It is coded as old-style JPEG inside TIFF, withdrawn in 1995.", _EXPORT_RGB)
    if photometric == YCBCR and compression != JPEG:
        raise refused("Its colours are coded as uncompressed YCbCr.", _EXPORT_RGB, measured="YCbCr")
    if photometric not in (WHITE_IS_ZERO, BLACK_IS_ZERO, RGB, PALETTE, YCBCR):
        what = _OTHER_COLOURS.get(photometric, f"in a colour coding that is not read (number {photometric})")
        raise refused(f"It is {what}.", _EXPORT_RGB, measured=what)


def _bits(entry: Directory) -> Literal[8, 16]:
    kinds = set(entry.integers(339, 1024)) or {1}
    depths = set(entry.integers(258, 1024)) or {1}
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


def _predictor(entry: Directory, compression: int) -> int:
    predictor = entry.integer(317, 1) if compression in PREDICTED else 1
    if predictor not in (1, 2):
        raise refused(f"Its predictor (number {predictor}) is for floating point.", "Export as 16-bit TIFF.")
    return predictor


def _extras(entry: Directory, count: int) -> tuple[int, ...]:
    """Meaning of each extra channel; one that is not described is a selection (0, unspecified)."""
    said = entry.integers(338, 1024)[:count]
    return said + (0,) * (count - len(said))


def _segment_size(entry: Directory, width: int, height: int) -> tuple[bool, tuple[int, int]]:
    if 322 in entry or 323 in entry:
        across, down = entry.integer(322), entry.integer(323)
        if across < 1 or down < 1 or across * down > MAX_SEGMENT_BYTES // 8 or max(across, down) > 65536:
            raise damaged(f"its tiles claim {across} × {down} px")
        return True, (across, down)
    rows = entry.integer(278, height)
    if rows < 1:
        raise damaged("its strips claim no rows")
    return False, (width, min(rows, height))


def _segments(
    entry: Directory, tiled: bool, size: tuple[int, int], segment: tuple[int, int], planes: int
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    layout = (planes, -(-size[1] // segment[1]), -(-size[0] // segment[0]))
    need, kind = layout[0] * layout[1] * layout[2], "tiles" if tiled else "strips"
    if need > MAX_SEGMENTS:
        raise damaged(f"it claims {need} {kind}")
    arrays = []
    for tag in (324, 325) if tiled and 324 in entry else (273, 279):
        if tag not in entry:
            raise damaged(f"tag {tag} is missing, so its {kind} cannot be found")
        if entry.entries[tag].count != need:
            raise damaged(f"it lists {entry.entries[tag].count} {kind}, but its size needs {need}")
        values = np.minimum(entry.array(tag, limit=8 * MAX_SEGMENTS), np.uint64(1 << 60))
        arrays.append(values.astype(np.int64).reshape(layout))
    return arrays[0], arrays[1]


def _amount(size: int) -> str:
    return f"{size / 1e6:.1f} MB" if size >= 1_000_000 else f"{size} bytes"


def _check_segments(reader: Reader, page: Page) -> None:
    """Every strip or tile is written, lies inside the file, and is of a possible size."""
    kind = "tile" if page.tiled else "strip"
    missing = np.count_nonzero((page.offsets <= 0) | (page.counts <= 0))
    if missing:
        raise incomplete(f"{missing} of {page.offsets.size} {kind}s were never written")
    end = int((page.offsets + page.counts).max())
    if end > reader.size:
        raise incomplete(f"it ends after {_amount(reader.size)}, and its pixels need {_amount(end)}")
    full, last = page.needs(0), page.needs(page.offsets.shape[1] - 1)
    growth = _most_growth(page)
    if (page.counts[:, :-1] * growth < full).any() or (page.counts[:, -1] * growth < last).any():
        raise damaged(f"a {kind} holds fewer bytes than its rows need")
    if page.compression != NONE and int(page.counts.max()) > 4 * full + CODED_SLACK_BYTES:
        raise damaged(f"a {kind} claims far more compressed bytes than its rows need")


def _most_growth(page: Page) -> int:
    """Decoded bytes that one byte of a segment can give at most."""
    if page.compression == JPEG:
        return MOST_PIXELS * (1 if page.planar else page.samples)
    return _GROWTH.get(page.compression, 1)
