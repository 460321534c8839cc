"""Walking the marker segments of a JPEG stream (ISO/IEC 10918-1, annex B)."""

from __future__ import annotations

import re
import struct
from collections.abc import Iterator
from dataclasses import dataclass

from printqueue.decode._reader import CHUNK_BYTES, Reader
from printqueue.decode.errors import damaged, incomplete

SOI, EOI, SOS, APP0, APP1, APP2, APP13, APP14, DNL = 0xD8, 0xD9, 0xDA, 0xE0, 0xE1, 0xE2, 0xED, 0xEE, 0xDC
# C4, C8 and CC are no frames (tables, reserved, arithmetic conditioning)
FRAMES = frozenset(range(0xC0, 0xD0)) - {0xC4, 0xC8, 0xCC}
SEQUENTIAL_OR_PROGRESSIVE = (0xC0, 0xC1, 0xC2)
MAX_SEGMENTS = 4096
MAX_SCANS = 256
MAX_FILL_BYTES = 4096
# Every block of 8 × 8 takes a bit at least, and of the most finely sampled component one covers 256 pixels at most.
MOST_PIXELS = 2048  # for each byte of scans (ISO/IEC 10918-1, A.2 and F.1.2)
# stuffed zeros, fill bytes, restart markers and DNL belong to the scan
_ENDS_SCAN = re.compile(rb"\xff[^\x00\xff\xd0-\xd7\xdc]", re.DOTALL)


@dataclass(frozen=True, slots=True)
class Segment:
    """A marker, the place of its payload and, for a scan, where the entropy-coded data end."""

    marker: int
    start: int  # first payload byte
    stop: int
    data_stop: int = 0  # SOS only: offset of the next marker


@dataclass(frozen=True, slots=True)
class Frame:
    """What a start-of-frame segment says."""

    process: int  # the marker: 0xC0 baseline, 0xC1 extended, 0xC2 progressive
    precision: int
    height: int
    width: int
    ids: bytes  # component identifiers

    @property
    def components(self) -> int:
        """Number of colour components."""
        return len(self.ids)


def frame(marker: int, payload: bytes) -> Frame:
    """Read a start-of-frame payload."""
    if len(payload) < 6 or len(payload) < 6 + 3 * payload[5]:
        raise damaged("its JPEG frame header is too short")
    precision, height, width, count = struct.unpack(">BHHB", payload[:6])
    return Frame(marker, precision, height, width, payload[6 : 6 + 3 * count : 3])


def segments(reader: Reader, start: int, stop: int) -> Iterator[Segment]:
    """Yield the segments of the JPEG stream in [start, stop), the end marker (EOI) last.

    Raises `IncompletePictureError` when the stream ends before its end marker,
    `PictureError` when no marker stands where one must.
    """
    place, scans = start, 0
    for _ in range(MAX_SEGMENTS):
        marker, place = _marker(reader, place, stop)
        if marker == SOI or 0xD0 <= marker <= 0xD7 or marker == 0x01:
            continue
        if marker == EOI:
            yield Segment(EOI, place, place)
            return
        length = struct.unpack(">H", _within(reader, place, 2, stop))[0]
        if length < 2:
            raise damaged("a JPEG segment has an impossible length")
        if place + length > stop:
            raise incomplete("a JPEG segment goes on past the end")
        segment = Segment(marker, place + 2, place + length)
        place += length
        if marker == SOS:
            scans += 1
            place = _entropy_end(reader, place, stop)
            segment = Segment(marker, segment.start, segment.stop, place)
        if scans > MAX_SCANS:
            break
        yield segment
    raise damaged("its JPEG data claim too many parts")


def _within(reader: Reader, place: int, count: int, stop: int) -> bytes:
    if place + count > stop:
        raise incomplete("the JPEG data end without their end marker")
    return reader.at(place, count, "the JPEG data")


def _marker(reader: Reader, place: int, stop: int) -> tuple[int, int]:
    """Return the marker code at `place` (fill bytes FF passed over) and the offset behind it."""
    code = _within(reader, place, 2, stop)
    if code[0] != 0xFF:
        if not any(reader.some(place, min(64, stop - place))):
            raise incomplete("the JPEG data go on with bytes that were never written")
        raise damaged(f"no JPEG marker stands at byte {place}")
    if code[1] == 0xFF:
        run = reader.some(place, min(MAX_FILL_BYTES, stop - place))
        fill = len(run) - len(run.lstrip(b"\xff"))
        if fill == MAX_FILL_BYTES:
            raise damaged(f"at byte {place} nothing but fill bytes follows")
        place += fill - 1
        code = _within(reader, place, 2, stop)
    return code[1], place + 2


def _entropy_end(reader: Reader, place: int, stop: int) -> int:
    """Return the offset of the first marker that ends the entropy-coded data from `place`."""
    while stop - place >= 2:
        chunk = reader.some(place, min(CHUNK_BYTES, stop - place))
        found = _ENDS_SCAN.search(chunk)
        if found:
            return place + found.start()
        if len(chunk) < 2:
            break
        place += len(chunk) - 1  # a marker may straddle two chunks
    raise incomplete("the JPEG data end without their end marker (EOI)")
