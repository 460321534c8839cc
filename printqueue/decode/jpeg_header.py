"""The header of a JPEG file: frame, colour coding and application segments, and the proof that its end is there."""

from __future__ import annotations

from dataclasses import dataclass, field

from printqueue.decode._bounds import Bounds
from printqueue.decode._facts import ppi
from printqueue.decode._markers import (
    APP0,
    APP1,
    APP2,
    APP13,
    EOI,
    FRAMES,
    MOST_PIXELS,
    SEQUENTIAL_OR_PROGRESSIVE,
    SOS,
    Frame,
    Segment,
    frame,
    segments,
)
from printqueue.decode._reader import Reader
from printqueue.decode.errors import damaged, refused

_EXPORT = "Export a 16-bit TIFF, or a baseline or progressive JPEG at 8 bits."
_EXIF, _XMP, _ICC = b"Exif\0\0", b"http://ns.adobe.com/xap/1.0/\0", b"ICC_PROFILE\0"
_IPTC_RESOURCE = b"8BIM\x04\x04"


@dataclass(slots=True)
class JpegHeader:
    """What the segments say. Offsets are in the file; `stop` is behind the end marker."""

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


def read(reader: Reader, bounds: Bounds) -> JpegHeader:
    """Walk all markers to the end. Raises `IncompletePictureError` without the end marker (EOI) after the last scan."""
    head: JpegHeader | None = None
    early: list[Segment] = []
    for segment in segments(reader, 0, reader.size):
        if segment.marker in FRAMES:
            if head is not None:
                raise damaged("it holds two JPEG frames")
            head = JpegHeader(_checked(frame(segment.marker, _payload(reader, segment)), bounds))
        elif segment.marker == SOS and head is not None:
            head.scan_start = head.scan_start or segment.stop
            head.scan_stop = segment.data_stop
            head.scans += 1
        elif segment.marker == EOI and head is not None and head.scan_stop:
            head.stop = segment.stop
        else:
            early.append(segment)
    if head is None or not head.stop:
        raise damaged("its JPEG stream holds no picture")
    if (head.scan_stop - head.scan_start) * MOST_PIXELS < head.frame.width * head.frame.height:
        raise damaged("it holds fewer bytes than so many pixels need")
    for segment in early:
        _take(reader, segment, head)
    return head


def _payload(reader: Reader, segment: Segment) -> bytes:
    return reader.at(segment.start, segment.stop - segment.start, "a JPEG segment")


def _checked(found: Frame, bounds: Bounds) -> Frame:
    if found.process not in SEQUENTIAL_OR_PROGRESSIVE:
        raise refused("It is a lossless, hierarchical or arithmetic-coded JPEG, which is not read.", _EXPORT)
    if found.precision != 8:
        raise refused(f"It is a JPEG of {found.precision} bits; 8 are read.", _EXPORT)
    bounds.admit(found.width, found.height, found.components, 8)
    if found.components == 4:
        raise refused(
            "It is CMYK, a separation already made for another machine.",
            "Export RGB in your working space, as a 16-bit TIFF with its profile.",
            check="profile",
            measured="CMYK",
        )
    if found.components not in (1, 3):
        raise refused(f"It is a JPEG of {found.components} colour components; 1 and 3 are read.", _EXPORT)
    return found


def _take(reader: Reader, segment: Segment, head: JpegHeader) -> None:
    if segment.marker not in (APP0, APP1, APP2, APP13):
        return
    data = _payload(reader, segment)
    if segment.marker == APP0 and data.startswith(b"JFIF\0") and len(data) >= 12:
        # JFIF counts 1 inch, 2 cm; TIFF 2 inch, 3 cm
        head.jfif_ppi = ppi(float(int.from_bytes(data[8:10], "big")), data[7] + 1)
    elif segment.marker == APP1 and data.startswith(_EXIF) and head.exif is None:
        head.exif = data[len(_EXIF) :]
    elif segment.marker == APP1 and data.startswith(_XMP) and head.xmp is None:
        head.xmp = data[len(_XMP) :]
    elif segment.marker == APP13 and _IPTC_RESOURCE in data and head.iptc is None:
        head.iptc = data[data.index(_IPTC_RESOURCE) :]
    elif segment.marker == APP2 and data.startswith(_ICC) and len(data) >= 14 and len(head.icc_parts) < 256:
        head.icc_parts.append((data[12], data[13], data[14:]))


def icc(head: JpegHeader, bounds: Bounds) -> bytes | None:
    """Join the profile's numbered parts, in any order (ICC.1 annex B.4).

    None without a profile; b"" where one is announced but not whole, so that it is called unreadable, not missing.
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
