"""Headers that lie: each lie is found before it costs memory or time, and what is only large is let through."""

from __future__ import annotations

import io
import struct
import time
import tracemalloc
import zlib
from collections.abc import Callable
from random import Random

import pytest

from printqueue.core.errors import PictureError
from printqueue.imaging.decode.opening import open_picture
from printqueue.imaging.decode.reader import Bounds, FileReader
from printqueue.imaging.decode.tiff_header import pages
from printqueue.imaging.decode.whole import probe
from tests.faults import damage, sound_files

SIGNATURE = b"\x89PNG\r\n\x1a\n"
GIANT = (15_840, 21_600)  # 44 × 60 inches at 360 ppi: 342 megapixels
OVERFLOWS = (0, (1 << 31) - 1, 1 << 31, (1 << 32) - 1)


def chunk(name: bytes, data: bytes = b"") -> bytes:
    """A PNG chunk with its checksum (ISO 15948, 5.3)."""
    return struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data))


def png(width: int, height: int, *notes: bytes, packed: bytes) -> bytes:
    """An 8-bit grey PNG with these pixels as packed, whatever it claims."""
    head = chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0))
    return SIGNATURE + head + b"".join(notes) + chunk(b"IDAT", packed) + chunk(b"IEND")


def sound_png(width: int, height: int) -> bytes:
    """A PNG that holds what it claims: zeros pack at most 1032 times (zlib.net/zlib_tech.html)."""
    packer = zlib.compressobj(1)
    row = bytes(width + 1)
    parts = [packer.compress(row * 100) for _ in range(height // 100)] + [packer.compress(row * (height % 100))]
    return png(width, height, packed=b"".join([*parts, packer.flush()]))


def tiff(width: int, height: int, compression: int, size: int, *, bits: int = 8) -> bytes:
    """A TIFF of one strip of `size` bytes (not zero), whatever its header claims (TIFF 6.0, section 2)."""
    fields = [(256, 4, width), (257, 4, height), (258, 3, bits), (259, 3, compression), (262, 3, 1)]
    fields += [(273, 4, 200), (278, 4, height), (279, 4, size)]
    body = b"".join(struct.pack("<HHII", tag, kind, 1, value) for tag, kind, value in fields)
    return (b"II*\0\x08\0\0\0" + struct.pack("<H", len(fields)) + body + bytes(4)).ljust(200, b"\0") + b"\x55" * size


def jpeg(width: int, height: int, *, size: int | None = None) -> bytes:
    """A sound small JPEG whose frame header claims other dimensions; `size` pads or cuts the last scan's data."""
    data = bytearray(sound_files.pillow("JPEG", "L", quality=80))
    at = data.index(b"\xff\xc0")
    struct.pack_into(">HH", data, at + 5, height, width)
    kept = bytes(data[:-2])
    return (kept if size is None else kept.ljust(len(kept) + size, b"\x55")) + b"\xff\xd9"


def says(data: bytes, bounds: Bounds | None = None) -> str:
    """What probing says against the file."""
    with pytest.raises(PictureError) as refused:
        probe(io.BytesIO(data), bounds or Bounds())
    return refused.value.says


# -- sizes --------------------------------------------------------------------------


def test_the_largest_sheet_is_let_through() -> None:
    """44 × 60 inches at 360 ppi, 342 megapixels, is no bomb: its header passes with the default limits in every format."""
    Bounds().admit(*GIANT, 3, 16)
    for data in (tiff(*GIANT, 5, 400_000), png(*GIANT, packed=b"\x55" * 400_000), jpeg(*GIANT, size=1_000_000)):
        facts = open_picture(io.BytesIO(data), Bounds()).facts
        assert sorted((facts.width_px, facts.height_px)) == sorted(GIANT)


@pytest.mark.parametrize("make", [lambda w, h: tiff(w, h, 1, w * h), lambda w, h: sound_png(w, h), jpeg])
def test_the_limit_is_exact(make: Callable[[int, int], bytes]) -> None:
    """One pixel row more than `limits: pixels` is refused with the size in the reason; exactly as many pass."""
    bounds = Bounds(pixels=250 * 160)
    facts = open_picture(io.BytesIO(make(250, 160)), bounds).facts
    assert facts.width_px * facts.height_px == bounds.pixels
    assert "250 × 161 px" in says(make(250, 161), bounds)


@pytest.mark.parametrize("side", OVERFLOWS)
@pytest.mark.parametrize("other", [1, 100, *OVERFLOWS])
def test_overflowing_sizes(side: int, other: int) -> None:
    """Sides that overflow 31 or 32 bits, or multiply to do so, are refused by the header in TIFF and PNG."""
    for data in (
        tiff(side, other, 5, 50),
        png(side, other, packed=b"x"),
        tiff(other, side, 1, 50),
        png(other, side, packed=b"x"),
    ):
        assert f"{side}" in says(data)


# -- pixels that cannot be there -------------------------------------------------------


@pytest.mark.parametrize(
    "data",
    [
        png(*GIANT, packed=zlib.compress(bytes(50_000))),
        tiff(*GIANT, 8, 50_000),
        tiff(*GIANT, 5, 50_000),
        tiff(*GIANT, 32773, 50_000),
        jpeg(*GIANT),
    ],
    ids=["PNG", "Deflate", "LZW", "PackBits", "JPEG"],
)
def test_too_few_bytes_for_so_many_pixels(data: bytes) -> None:
    """A file whose bytes cannot unpack to its pixels, however well they pack, is refused before any is decoded."""
    before = time.process_time()
    assert "fewer bytes" in says(data)
    with pytest.raises(PictureError, match="fewer bytes"):
        open_picture(io.BytesIO(data), Bounds())
    assert time.process_time() - before < 1


# -- notes and directories -----------------------------------------------------------


@pytest.mark.parametrize("keyword", [b"Title", b"Kelp"])
def test_packed_text_takes_little_memory(keyword: bytes) -> None:
    """Hundreds of text chunks that each unpack to a megabyte cost a few megabytes: only the first wanted one is unpacked."""
    text = chunk(b"zTXt", keyword + b"\0\0" + zlib.compress(bytes(1_000_000), 9))
    data = png(8, 8, *[text] * 400, packed=zlib.compress(bytes(72)))
    tracemalloc.start()
    try:
        open_picture(io.BytesIO(data), Bounds())
        assert tracemalloc.get_traced_memory()[1] < 12_000_000
    finally:
        tracemalloc.stop()


def test_many_profiles_take_the_memory_of_one() -> None:
    """Of repeated chunks that may stand only once, one is kept."""
    profile = chunk(b"iCCP", b"x\0\0" + Random(1).randbytes(1_000_000))
    data = png(8, 8, *[profile] * 30, packed=zlib.compress(bytes(72)))
    tracemalloc.start()
    try:
        assert open_picture(io.BytesIO(data), Bounds()).icc == b""
        assert tracemalloc.get_traced_memory()[1] < 12_000_000
    finally:
        tracemalloc.stop()


def crowded(pages: int, entries: int) -> bytes:
    """A TIFF with `pages` thumbnails of so many entries, each with sixteen children, which are the first thumbnail again."""
    base = sound_files.tiff(rowsperstrip=16)
    _, _, _, following = damage._directory(base)
    at, size = len(base) + len(base) % 2, 6 + 12 * entries
    children = at + pages * size
    filling = b"".join(struct.pack("<HHII", 40_000 + number, 4, 1, 0) for number in range(entries - 3))
    blocks = b""
    for page in range(pages):
        head = struct.pack("<HHII", 254, 4, 1, 1) + struct.pack("<HHII", 330, 4, 16, children)
        head += struct.pack("<HHII", 262, 3, 1, 2)
        after = at + (page + 1) * size if page < pages - 1 else 0
        blocks += struct.pack("<H", entries) + head + filling + struct.pack("<I", after)
    out = bytearray(base.ljust(at, b"\0") + blocks + struct.pack("<16I", *[at] * 16))
    struct.pack_into("<I", out, following, at)
    return bytes(out)


def test_crowded_directories_cost_little() -> None:
    """However many directories of however many entries a file claims, fifty thousand entries are read at most."""
    reader = FileReader(io.BytesIO(crowded(4, 4096)))
    pages(reader, Bounds())
    assert reader.entries_left >= 0
    assert "entries" in says(crowded(30, 4096))


def test_many_pages_with_thumbnails_are_no_crowd() -> None:
    """A document of sixty pages with sixteen small thumbnails each is read as before."""
    probe(io.BytesIO(crowded(60, 20)), Bounds())


def test_a_further_page_may_not_list_without_end() -> None:
    """A further page that lists more strips than any page may have is refused before the list is read."""
    base = sound_files.tiff(rowsperstrip=16)
    _, _, _, following = damage._directory(base)
    at, count = len(base) + len(base) % 2, 5_000_000
    entry = b"".join(struct.pack("<HHII", tag, 1, count, 0) for tag in (273, 279))
    out = bytearray(base.ljust(at, b"\0") + struct.pack("<H", 2) + entry + bytes(4))
    out += bytes(count)
    struct.pack_into("<I", out, following, at)
    assert "claims 5000000 strips" in says(bytes(out))


def test_directories_that_lead_back() -> None:
    """Children that lead back to their parents are looked at once; a chain that leads back to its beginning is refused."""
    data = damage.tiff_children(sound_files.tiff(rowsperstrip=16), Random(2))
    reader = FileReader(io.BytesIO(data))
    pages(reader, Bounds(pages=100))
    assert reader.entries_left > 49_000
    looped = bytearray(sound_files.tiff(rowsperstrip=16))
    (first,) = struct.unpack_from("<I", looped, 4)
    struct.pack_into("<I", looped, damage._directory(bytes(looped))[3], first)
    assert "loop" in says(bytes(looped))


# -- parts without end ---------------------------------------------------------------


class Counted(io.BytesIO):
    """A stream that counts its reads."""

    reads = 0

    def read(self, size: int | None = -1, /) -> bytes:
        """As `BytesIO.read`."""
        self.reads += 1
        return super().read(size)


def test_fill_bytes_without_end() -> None:
    """JPEG markers may stand behind fill bytes (ISO/IEC 10918-1, B.1.1.2), but a file of nothing else is not read through."""
    base = sound_files.pillow("JPEG", quality=90)
    probe(io.BytesIO(base[:2] + b"\xff" * 500 + base[2:]), Bounds())
    stream = Counted(base[:2] + b"\xff" * 3_000_000 + base[2:])
    with pytest.raises(PictureError, match="fill bytes"):
        probe(stream, Bounds())
    assert stream.reads < 50


@pytest.mark.parametrize("name", [b"tEXt", b"IDAT", b"tIME"])
def test_chunks_without_end(name: bytes) -> None:
    """A PNG that is all empty chunks is given up early; one of small chunks of pixels is read."""
    stream = Counted(png(8, 8, *[chunk(name)] * 300_000, packed=zlib.compress(bytes(72))))
    with pytest.raises(PictureError, match="too many PNG chunks"):
        probe(stream, Bounds())
    assert stream.reads < 50_000


def test_small_chunks() -> None:
    """Chunks of some hundred bytes are legal, however many."""
    packed = zlib.compress(Random(1).randbytes(1_000_000), 0)
    parts = [chunk(b"IDAT", packed[at : at + 300]) for at in range(0, len(packed), 300)]
    data = png(999, 1000, packed=b"")
    at = data.index(b"IDAT") - 4
    probe(io.BytesIO(data[:at] + b"".join(parts) * 5 + data[at:]), Bounds())
