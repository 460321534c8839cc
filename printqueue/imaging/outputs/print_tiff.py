"""The print-ready TIFF: 16-bit RGB, LZW with horizontal predictor, the paper's profile inside.

TIFF 6.0 (1992), ICC.1:2022 annex B.3 (tag 34675), XMP (ISO 16684-1) in tag 700.
"""

from __future__ import annotations

import hashlib
import io
import re
import struct
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import BinaryIO
from xml.sax.saxutils import escape

import imagecodecs
import numpy as np
import tifffile
from numpy.typing import NDArray

from printqueue.core.model.picture import Metadata
from printqueue.imaging.jobs import Provenance

ROWS_PER_STRIP = 64
NAMESPACE = "urn:printqueue:print:1#"
_BIGTIFF_FROM = 3_900_000_000  # bytes of pixels; classic TIFF ends at 4 GiB
_MAX_XMP = 1_000_000
_CAPTURED = re.compile(r"(\d{4}):(\d\d):(\d\d) (\d\d:\d\d:\d\d)")
_HINT_WORST_GROWTH = 1.1  # LZW can make noise larger
_XMP = 700
_PIXELS_HERE = "0" * 64  # placeholder in the provenance until all pixels have been seen


@dataclass(frozen=True, slots=True)
class Band:
    """Rows of the sheet, (n, width, 3) uint16, and the same rows as encoded strips."""

    rows: NDArray[np.uint16]
    strips: list[bytes]


def write(
    stream: BinaryIO,
    bands: Iterable[Band],
    *,
    size_px: tuple[int, int],
    ppi: int,
    profile: bytes,
    provenance: Provenance,
    metadata: Metadata,
) -> str:
    """Write the sheet; `bands` come from `encode_band`, all but the last with a multiple of 64 rows.

    Returns the SHA-256 of the pixels, which is also written into the provenance. It covers the samples alone, as 16-bit
    little-endian RGB row by row, and so tells a changed picture from a changed container (codec, tags, versions).
    """
    width, height = size_px
    texts = [(315, metadata.creator), (33432, metadata.rights)]
    extra = [(tag, 2, None, text.encode("utf-8") + b"\0", True) for tag, text in texts if text]
    packet, pixels = xmp_packet(provenance, metadata), hashlib.sha256()
    extra.append((_XMP, 1, None, packet, True))
    size = width * height * 6 * _HINT_WORST_GROWTH
    with tifffile.TiffWriter(stream, bigtiff=size > _BIGTIFF_FROM, byteorder="<") as writer:
        writer.write(
            _strips(bands, pixels),
            shape=(height, width, 3),
            dtype=np.uint16,
            photometric="rgb",
            planarconfig="contig",
            compression="lzw",
            predictor="horizontal",
            rowsperstrip=ROWS_PER_STRIP,
            iccprofile=profile,
            resolution=(ppi, ppi),
            resolutionunit="inch",
            description=provenance.sentence,
            software="printqueue",
            metadata=None,
            extratags=extra,
            maxworkers=1,
        )
    _write_pixels_hash(stream, packet, pixels.hexdigest())
    return pixels.hexdigest()


def _strips(bands: Iterable[Band], pixels: hashlib._Hash) -> Iterator[bytes]:
    for band in bands:
        pixels.update(np.ascontiguousarray(band.rows, "<u2").data)
        yield from band.strips


def _write_pixels_hash(stream: BinaryIO, packet: bytes, pixels: str) -> None:
    """Fill in the placeholder in the XMP, which had to be written before the pixels."""
    stream.seek(0)
    with tifffile.TiffFile(stream, name="print.tif") as tiff:
        start = tiff.pages.first.tags[_XMP].valueoffset
    stream.seek(start + packet.index(_PIXELS_HERE.encode()))
    stream.write(pixels.encode())
    stream.seek(0, io.SEEK_END)


def encode_band(rows: NDArray[np.uint16]) -> Band:
    """Encode (n, width, 3) uint16 sheet rows into strips."""
    starts = range(0, rows.shape[0], ROWS_PER_STRIP)
    return Band(rows, [_encode_strip(rows[start : start + ROWS_PER_STRIP]) for start in starts])


def _encode_strip(rows: NDArray[np.uint16]) -> bytes:
    """Encode one strip: horizontal differencing (TIFF 6.0 section 14) of little-endian codes, then LZW (section 13)."""
    differences = imagecodecs.delta_encode(np.ascontiguousarray(rows, "<u2"), axis=-2)
    return bytes(imagecodecs.lzw_encode(differences.tobytes()))


def xmp_packet(provenance: Provenance, metadata: Metadata) -> bytes:
    """The master's Dublin Core and our provenance; deterministic. The pixels' hash replaces its first 64 zeros."""
    own = {
        "pixelsSHA256": _PIXELS_HERE,
        "recipe": provenance.recipe,
        "masterSHA256": provenance.master_sha256,
        "profileSHA256": provenance.profile_sha256,
        "paper": provenance.paper,
        "settings": provenance.settings,
        "versions": provenance.versions,
    }
    lines = [f"<pq:{key}>{_xml(value)}</pq:{key}>" for key, value in own.items()]
    lines += [_alt(name, text) for name in ("title", "rights", "description") if (text := getattr(metadata, name))]
    if metadata.creator:
        lines.append(f"<dc:creator><rdf:Seq><rdf:li>{_xml(metadata.creator)}</rdf:li></rdf:Seq></dc:creator>")
    if metadata.captured and (date := _CAPTURED.fullmatch(metadata.captured)):
        lines.append("<exif:DateTimeOriginal>{}-{}-{}T{}</exif:DateTimeOriginal>".format(*date.groups()))
    body = "\n".join(lines)
    return (
        '<?xpacket begin="\ufeff" id="W5M0MpCehiHzreSzNTczkc9d"?>\n'
        '<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">\n'
        f'<rdf:Description rdf:about="" xmlns:dc="http://purl.org/dc/elements/1.1/" xmlns:exif="http://ns.adobe.com/exif/1.0/" xmlns:pq="{NAMESPACE}">\n'
        f"{body}\n</rdf:Description></rdf:RDF></x:xmpmeta>\n"
        '<?xpacket end="r"?>'
    ).encode()


def _alt(name: str, text: str) -> str:
    return f'<dc:{name}><rdf:Alt><rdf:li xml:lang="x-default">{_xml(text)}</rdf:li></rdf:Alt></dc:{name}>'


def _xml(text: str) -> str:
    """Escape for XML 1.0, dropping characters that it cannot hold."""
    return escape(
        "".join(c for c in text if c in "\t\n" or " " <= c <= "\ud7ff" or "\ue000" <= c <= "\ufffd" or c > "\uffff")
    )


def read_provenance(stream: BinaryIO) -> tuple[str, str] | None:
    """Return (recipe, master's SHA-256) of a print file of ours, None for any other file."""
    try:
        with tifffile.TiffFile(stream, name="print.tif") as tiff:
            tag = tiff.pages.first.tags.get(_XMP)
            packet = bytes(tag.value) if tag is not None and tag.count < _MAX_XMP else b""
    except (tifffile.TiffFileError, struct.error, LookupError, ArithmeticError, ValueError, TypeError, OSError):
        return None
    found = [re.search(rb"<pq:%s>([0-9a-f]{64})</pq:%s>" % (key, key), packet) for key in (b"recipe", b"masterSHA256")]
    recipe, master = (match[1].decode() if match else None for match in found)
    return (recipe, master) if recipe and master else None
