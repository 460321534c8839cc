"""Walks the markers of a JPEG stream to its end marker, within bounds, and reports what they say about the file.

Sources: ISO/IEC 10918-1 annex B (markers), JFIF 1.02, ICC.1 annex B.4.
"""

from __future__ import annotations

import re
import struct
from collections.abc import Iterator
from dataclasses import dataclass, field, replace

from printqueue.imaging.decode import exif
from printqueue.imaging.decode.errors import damaged, incomplete, refused, separated
from printqueue.imaging.decode.metadata import IPTC_RESOURCE
from printqueue.imaging.decode.reader import CHUNK_BYTES, Bounds, FileReader

SOI, EOI, SOS, APP0, APP1, APP2, APP13 = 0xD8, 0xD9, 0xDA, 0xE0, 0xE1, 0xE2, 0xED
# C4, C8 and CC are not frames (tables, reserved, arithmetic conditioning)
FRAMES = frozenset(range(0xC0, 0xD0)) - {0xC4, 0xC8, 0xCC}
SEQUENTIAL_OR_PROGRESSIVE = (0xC0, 0xC1, 0xC2)
MAX_MARKERS = 4096
MAX_SCANS = 256
MAX_FILL_BYTES = 4096
# Every 8 × 8 block takes at least a bit, and one of the most finely sampled component covers at most 256 pixels.
MAX_PIXELS = 2048  # per byte of scan data (ISO/IEC 10918-1, A.2 and F.1.2)
# stuffed zeros, fill bytes, restart markers and DNL belong to the scan
_ENDS_SCAN = re.compile(rb"\xff[^\x00\xff\xd0-\xd7\xdc]", re.DOTALL)
_NOTED = (APP0, APP1, APP2, APP13)
_EXPORT = "Export a 16-bit TIFF, or a baseline or progressive JPEG at 8 bits."
_XMP, _ICC = b"http://ns.adobe.com/xap/1.0/\0", b"ICC_PROFILE\0"


@dataclass(frozen=True, slots=True)
class Marker:
    """A marker segment: its code, where its payload lies and, for a scan, where the entropy-coded data end."""

    code: int
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
    components: int


@dataclass(slots=True)
class JpegHeader:
    """What the segments say. Offsets count from the start of the file; `stop` is just past the end marker."""

    frame: Frame
    scan_start: int = 0  # where the first scan's data begin
    scan_stop: int = 0  # where the last scan's data end
    stop: int = 0
    scans: int = 0
    jfif_ppi: float | None = None
    exif: bytes | None = None  # the TIFF stream inside APP1
    xmp: bytes | None = None
    iptc: bytes | None = None
    icc_parts: list[tuple[int, int, bytes]] = field(default_factory=list)


# -- the markers of any stream -----------------------------------------------------------


def frame(code: int, payload: bytes) -> Frame:
    """Read a start-of-frame payload."""
    if len(payload) < 6 or len(payload) < 6 + 3 * payload[5]:
        raise damaged("its JPEG frame header is too short")
    return Frame(code, *struct.unpack(">BHHB", payload[:6]))


def markers(reader: FileReader) -> Iterator[Marker]:
    """Yield the stream's marker segments, the end marker (EOI) last.

    Raises `IncompletePictureError` if the stream ends before its end marker,
    `PictureError` if there is no marker where one is required.
    """
    place, scans = 0, 0
    for _ in range(MAX_MARKERS):
        code, place = _code(reader, place)
        if code == SOI or 0xD0 <= code <= 0xD7 or code == 0x01:
            continue
        if code == EOI:
            yield Marker(EOI, place, place)
            return
        length = struct.unpack(">H", _two(reader, place))[0]
        if length < 2:
            raise damaged("a JPEG segment has an impossible length")
        if place + length > reader.size:
            raise incomplete("a JPEG segment goes on past the end")
        found = Marker(code, place + 2, place + length)
        place = found.stop
        if code == SOS:
            scans += 1
            place = _entropy_end(reader, place)
            found = replace(found, data_stop=place)
        if scans > MAX_SCANS:
            break
        yield found
    raise damaged("its JPEG data claim too many parts")


def _two(reader: FileReader, place: int) -> bytes:
    if place + 2 > reader.size:
        raise incomplete("the JPEG data end without their end marker")
    return reader.at(place, 2, "the JPEG data")


def _code(reader: FileReader, place: int) -> tuple[int, int]:
    """Return the marker code at `place` (skipping fill bytes FF) and the offset after it."""
    code = _two(reader, place)
    if code[0] != 0xFF:
        if not any(reader.some(place, 64)):
            raise incomplete("the JPEG data go on with bytes that were never written")
        raise damaged(f"no JPEG marker stands at byte {place}")
    if code[1] == 0xFF:
        run = reader.some(place, MAX_FILL_BYTES)
        fill = len(run) - len(run.lstrip(b"\xff"))
        if fill == MAX_FILL_BYTES:
            raise damaged(f"at byte {place} nothing but fill bytes follows")
        place += fill - 1
        code = _two(reader, place)
    return code[1], place + 2


def _entropy_end(reader: FileReader, place: int) -> int:
    """Return the offset of the first marker that ends the entropy-coded data from `place`."""
    while len(chunk := reader.some(place, min(CHUNK_BYTES, reader.size - place))) >= 2:
        found = _ENDS_SCAN.search(chunk)
        if found:
            return place + found.start()
        place += len(chunk) - 1  # a marker may straddle two chunks
    raise incomplete("the JPEG data end without their end marker (EOI)")


# -- the header of a file ----------------------------------------------------------------


def read(reader: FileReader, bounds: Bounds) -> JpegHeader:
    """Walk all markers to the end. Raises `IncompletePictureError` if no end marker (EOI) follows the last scan."""
    head: JpegHeader | None = None
    notes: list[Marker] = []
    for marker in markers(reader):
        if marker.code in FRAMES:
            if head is not None:
                raise damaged("it holds two JPEG frames")
            head = JpegHeader(_checked(frame(marker.code, _payload(reader, marker)), bounds))
        elif marker.code == SOS and head is not None:
            head.scan_start = head.scan_start or marker.stop
            head.scan_stop = marker.data_stop
            head.scans += 1
        elif marker.code == EOI and head is not None and head.scan_stop:
            head.stop = marker.stop
        elif marker.code in _NOTED:
            notes.append(marker)
    if head is None or not head.stop:
        raise damaged("its JPEG stream holds no picture")
    if (head.scan_stop - head.scan_start) * MAX_PIXELS < head.frame.width * head.frame.height:
        raise damaged("it holds fewer bytes than so many pixels need")
    for marker in notes:
        _take_note(marker.code, _payload(reader, marker), head)
    return head


def _payload(reader: FileReader, marker: Marker) -> bytes:
    return reader.at(marker.start, marker.stop - marker.start, "a JPEG segment")


def _checked(found: Frame, bounds: Bounds) -> Frame:
    if found.process not in SEQUENTIAL_OR_PROGRESSIVE:
        raise refused("It is a lossless, hierarchical or arithmetic-coded JPEG, which is not read.", _EXPORT)
    if found.precision != 8:
        raise refused(f"It is a JPEG of {found.precision} bits; 8 are read.", _EXPORT)
    bounds.admit(found.width, found.height, found.components, 8)
    if found.components == 4:
        raise separated()
    if found.components not in (1, 3):
        raise refused(f"It is a JPEG of {found.components} colour components; 1 and 3 are read.", _EXPORT)
    return found


def _take_note(code: int, data: bytes, head: JpegHeader) -> None:
    if code == APP0 and data.startswith(b"JFIF\0") and len(data) >= 12:
        # units: JFIF has 1 for inch, 2 for cm; TIFF has 2 for inch, 3 for cm
        head.jfif_ppi = exif.ppi(float(int.from_bytes(data[8:10], "big")), data[7] + 1)
    elif code == APP1 and data.startswith(exif.PREFIX) and head.exif is None:
        head.exif = data[len(exif.PREFIX) :]
    elif code == APP1 and data.startswith(_XMP) and head.xmp is None:
        head.xmp = data[len(_XMP) :]
    elif code == APP13 and IPTC_RESOURCE in data and head.iptc is None:
        head.iptc = data[data.index(IPTC_RESOURCE) :]
    elif code == APP2 and data.startswith(_ICC) and len(data) >= 14 and len(head.icc_parts) < 256:
        head.icc_parts.append((data[12], data[13], data[14:]))


def icc(head: JpegHeader, bounds: Bounds) -> bytes | None:
    """Join the profile's numbered parts, which may come in any order (ICC.1 annex B.4).

    None without a profile; b"" if one is announced but incomplete, so that it is reported as unreadable, not missing.
    """
    if not head.icc_parts:
        return None
    total = head.icc_parts[0][1]
    by_number = {number: part for number, _, part in head.icc_parts}
    whole = len(by_number) == len(head.icc_parts) == total and set(by_number) == set(range(1, total + 1))
    if not whole or any(count != total for _, count, _ in head.icc_parts):
        return b""
    joined = b"".join(by_number[number] for number in range(1, total + 1))
    return joined if len(joined) <= bounds.icc_bytes else b""
