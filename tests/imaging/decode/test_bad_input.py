"""Files that cannot be printed: each is turned back with the right kind of error and a reason that says why."""

from __future__ import annotations

import io
import os
import struct
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import imagecodecs
import numpy as np
import pytest
import tifffile
from PIL import Image

from printqueue.core.errors import IncompletePictureError, PictureError, WorldError
from printqueue.imaging.decode import tiff_header
from printqueue.imaging.decode.errors import EmptyTailError
from printqueue.imaging.decode.opening import open_picture
from printqueue.imaging.decode.reader import Bounds, FileReader
from printqueue.imaging.decode.whole import empty_share, probe

BOUNDS = Bounds(pixels=20_000_000)
Field = tuple[int, int, tuple[int, ...] | bytes]  # tag, TIFF type, values
SHORT, LONG, RATIONAL, LONG8, BYTES = 3, 4, 5, 16, 7
_SIZES = {SHORT: "H", LONG: "I", RATIONAL: "I", LONG8: "Q"}


def raw_tiff(*fields: Field, pixels: bytes = b"", following: int = 0) -> bytes:
    """Build a little-endian TIFF by hand: header, one directory at 8, long values, then `pixels`.

    Strip offsets (tag 273) are relative to the pixels.
    """
    heap, body = b"", b""
    heap_at = 8 + 2 + 12 * len(fields) + 4
    sizes = [len(_packed(field)) for field in fields]
    pixels_at = heap_at + sum(size for size in sizes if size > 4)
    for tag, kind, values in sorted(fields, key=lambda field: field[0]):
        moved = tuple(v + pixels_at for v in values) if tag == 273 and not isinstance(values, bytes) else values
        packed = _packed((tag, kind, moved))
        count = len(packed) // (8 if kind == RATIONAL else 1 if kind == BYTES else struct.calcsize(_SIZES[kind]))
        body += struct.pack("<HHI", tag, kind, count)
        body += packed.ljust(4, b"\0") if len(packed) <= 4 else struct.pack("<I", heap_at + len(heap))
        heap += packed if len(packed) > 4 else b""
    return struct.pack("<2sHIH", b"II", 42, 8, len(fields)) + body + struct.pack("<I", following) + heap + pixels


def _packed(field: Field) -> bytes:
    _, kind, values = field
    return values if isinstance(values, bytes) else struct.pack(f"<{len(values)}{_SIZES[kind]}", *values)


def grey(width: int = 16, height: int = 16, **changed: Field | None) -> bytes:
    """Build a plain grey 8-bit TIFF of one strip; `t273=...` replaces or (None) removes a field."""
    fields: dict[str, Field | None] = {
        "t256": (256, LONG, (width,)),
        "t257": (257, LONG, (height,)),
        "t258": (258, SHORT, (8,)),
        "t259": (259, SHORT, (1,)),
        "t262": (262, SHORT, (1,)),
        "t273": (273, LONG, (0,)),
        "t277": (277, SHORT, (1,)),
        "t278": (278, LONG, (height,)),
        "t279": (279, LONG, (width * height,)),
    }
    fields.update(changed)
    kept = [field for field in fields.values() if field is not None]
    return raw_tiff(*kept, pixels=bytes(i % 251 + 1 for i in range(min(width * height, 1 << 16))))


def test_the_hand_made_tiff_is_good() -> None:
    """The base of the cases below is itself a readable picture, so each case fails for its own reason."""
    probe(io.BytesIO(grey()), BOUNDS)
    found = open_picture(io.BytesIO(grey()), BOUNDS).rows(0, 16)
    np.testing.assert_array_equal(found.ravel(), [i % 251 + 1 for i in range(256)])


PICTURE = np.random.default_rng(5).integers(1, 65535, (200, 160, 3), dtype=np.uint16)


def tiff(pixels: np.ndarray[Any, Any] = PICTURE, **options: Any) -> bytes:
    """Write with tifffile."""
    made = io.BytesIO()
    tifffile.imwrite(made, pixels, **{"photometric": "rgb", "metadata": None, **options})
    return made.getvalue()


def jpeg(**options: Any) -> bytes:
    """Write a JPEG with Pillow."""
    made = io.BytesIO()
    Image.fromarray((PICTURE >> 8).astype(np.uint8)).save(made, "JPEG", **options)
    return made.getvalue()


def cmyk_jpeg() -> bytes:
    """Write a CMYK JPEG with Pillow."""
    made = io.BytesIO()
    Image.new("CMYK", (16, 16)).save(made, "JPEG")
    return made.getvalue()


def png_header(width: int, height: int) -> bytes:
    """Build a PNG with a true header, no pixels worth the name, and an end chunk."""
    made = b"\x89PNG\r\n\x1a\n"
    header = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    for name, data in ((b"IHDR", header), (b"IDAT", zlib.compress(b"")), (b"IEND", b"")):
        made += struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data))
    return made


def cut(data: bytes, share: float) -> bytes:
    """Keep the first `share` of the bytes."""
    return data[: int(len(data) * share)]


def emptied(data: bytes, share: float) -> bytes:
    """Zero all bytes behind `share` of the file, from a 4 KiB offset on, as an unfinished copy leaves them."""
    start = int(len(data) * share) // 4096 * 4096
    return data[:start] + bytes(len(data) - start)


def empty_tail(data: bytes) -> float:
    """The share of a TIFF's pixel data that looks as if it was never written."""
    reader = FileReader(io.BytesIO(data))
    return empty_share(reader, tiff_header.page(reader, tiff_header.pages(reader, BOUNDS)[0], BOUNDS))


def holed(data: bytes, marker: bytes, *, skip: int, size: int) -> bytes:
    """Zero `size` bytes `skip` bytes behind the last `marker`."""
    at = data.rindex(marker) + skip
    return data[:at] + bytes(size) + data[at + size :]


def pages(count: int) -> bytes:
    """Chain `count` one-entry directories."""
    body = b"".join(
        struct.pack("<HHHIII", 1, 256, LONG, 1, 16, 8 + (index + 1) * 18 if index < count - 1 else 0)
        for index in range(count)
    )
    return struct.pack("<2sHI", b"II", 42, 8) + body


PNG16 = bytes(imagecodecs.png_encode(PICTURE))
LZW = tiff(compression="lzw", predictor=2, rowsperstrip=20)
SMALL_JPEG = jpeg(quality=95)
Incomplete, Bad = IncompletePictureError, PictureError
# name: (bytes, error class, words of the reason)
CASES: dict[str, tuple[bytes, type[PictureError], tuple[str, ...]]] = {
    "empty": (b"", Incomplete, ("empty",)),
    "zero bytes only": (bytes(9000), Incomplete, ("zero",)),
    "TIFF, signature to be written": (bytes(4) + tiff()[4:], Incomplete, ("first 4 bytes", "zero")),
    "TIFF, header to be written": (bytes(8) + tiff()[8:], Incomplete, ("first 8 bytes", "zero")),
    "PNG, header to be written": (bytes(33) + PNG16[33:], Incomplete, ("first 3", "zero")),
    "JPEG, first sector to be written": (bytes(500) + jpeg()[500:], Incomplete, ("first 5", "zero")),
    "TIFF, first block to be written": (bytes(4096) + tiff()[4096:], Incomplete, ("first 512 bytes", "zero")),
    "two bytes of a TIFF": (b"II", Incomplete, ("2 bytes",)),
    "TIFF without a directory yet": (b"II*\0\0\0\0\0" + bytes(100), Incomplete, ("directory",)),
    "directory past the end": (b"II*\0\xff\xff\0\0" + bytes(100), Incomplete, ("directory",)),
    "cut, one strip": (cut(tiff(), 0.6), Incomplete, ("it ends after", "its pixels need")),
    "cut, strips": (cut(tiff(rowsperstrip=10), 0.6), Incomplete, ("it ends after", "its pixels need")),
    "cut, LZW": (cut(LZW, 0.6), Incomplete, ("it ends after", "its pixels need")),
    "cut, tiles": (cut(tiff(tile=(64, 64), compression="zlib"), 0.6), Incomplete, ("it ends after", "its pixels need")),
    "cut, big": (cut(tiff(bigtiff=True), 0.9), Incomplete, ("it ends after", "its pixels need")),
    "cut by one byte": (tiff()[:-1], Incomplete, ("it ends after", "its pixels need")),
    "cut JPEG": (cut(SMALL_JPEG, 0.6), Incomplete, ("end marker",)),
    "cut progressive JPEG": (cut(jpeg(progressive=True), 0.6), Incomplete, ("end marker",)),
    "JPEG cut by its end marker": (SMALL_JPEG[:-2], Incomplete, ("end marker",)),
    "JPEG with an empty tail": (emptied(SMALL_JPEG, 0.5), Incomplete, ("end marker",)),
    "JPEG cut in its header": (SMALL_JPEG[:100], Incomplete, ("JPEG",)),
    "cut PNG": (cut(PNG16, 0.6), Incomplete, ("PNG",)),
    "PNG without its end chunk": (PNG16[:-12], Incomplete, ("IEND",)),
    "PNG with an empty tail": (emptied(PNG16, 0.5), Incomplete, ()),
    "unwritten strip": (grey(t273=(273, LONG, (0,)), t279=(279, LONG, (0,))), Incomplete, ("never written",)),
    "value past the end": (grey(t273=(273, LONG, (1 << 30,))), Incomplete, ("it ends after", "its pixels need 1073.7 MB")),
    "no width": (grey(t256=(256, LONG, (0,))), Bad, ("0 ×", "no picture")),
    "no height": (grey(t257=(257, LONG, (0,))), Bad, ("× 0 px",)),
    "no dimensions": (grey(t256=None), Bad, ("256", "missing")),
    "directory loop": (raw_tiff((256, LONG, (16,)), following=8), Bad, ("loop",)),
    "a million pages": (pages(1_000_000), Bad, ("more than 64 pages",)),
    "largest dimensions": (grey(t256=(256, LONG, (2**32 - 1,)), t257=(257, LONG, (2**32 - 1,))), Bad, ("limit", "MP")),
    "wide": (grey(t256=(256, LONG, (2**32 - 1,)), t257=(257, LONG, (1,))), Bad, ("limit",)),
    "JPEG of the largest dimensions": (holed(jpeg(), b"\xff\xc0", skip=5, size=0).replace(
        b"\xff\xc0\0\x11\x08\0\xc8\0\xa0", b"\xff\xc0\0\x11\x08\xff\xff\xff\xff"), Bad, ("limit",)),
    "PNG of the largest dimensions": (png_header(2**31 - 1, 2**31 - 1), Bad, ("limit",)),
    "PNG without pixels": (png_header(16, 16), Bad, ("decode",)),
    "too few strips listed": (grey(t278=(278, LONG, (4,))), Bad, ("lists 1 strips", "needs 4")),
    "many strips claimed": (grey(width=16, height=1_000_000, t278=(278, LONG, (1,))), Bad, ("lists 1 strips",)),
    "no rows in a strip": (grey(t278=(278, LONG, (0,))), Bad, ("no rows",)),
    "short strip": (grey(t279=(279, LONG, (255,))), Bad, ("fewer bytes",)),
    "absurd tag size": (grey(t258=(258, BYTES, bytes(8))), Bad, ("258",)),
    "absurd tile": (grey(t273=None, t322=(322, LONG, (1 << 30,)), t323=(323, LONG, (1 << 30,))), Bad, ("tiles",)),
    "4,097 entries": (b"II*\0\x08\0\0\0" + struct.pack("<H", 4097) + bytes(4097 * 12 + 4), Bad, ("4097 entries",)),
    "65 channels": (grey(t277=(277, SHORT, (65,))), Bad, ("65 channels",)),
    "unknown compression": (grey(t259=(259, SHORT, (34712,))), Bad, ("compress", "34712", "LZW")),
    "32-bit float": (tiff(PICTURE.astype("f4")), Bad, ("32-bit floating point", "16-bit TIFF")),
    "16-bit float": (tiff((PICTURE // 2).astype("f2")), Bad, ("16-bit floating point",)),
    "32-bit numbers": (tiff(PICTURE.astype("u4")), Bad, ("32-bit whole numbers", "16-bit TIFF")),
    "signed numbers": (tiff(PICTURE.astype("i2")), Bad, ("signed",)),
    "1 bit": (grey(t258=None), Bad, ("1-bit",)),
    "4 bits": (grey(t258=(258, SHORT, (4,))), Bad, ("4-bit",)),
    "CMYK TIFF": (tiff(np.zeros((16, 16, 4), np.uint8), photometric="separated"), Bad, ("CMYK", "separation", "RGB")),
    "CMYK JPEG": (cmyk_jpeg(), Bad, ("CMYK", "separation", "RGB")),
    "CIELab": (tiff(np.zeros((16, 16, 3), np.uint8), photometric="cielab"), Bad, ("CIELab", "RGB")),
    "plain YCbCr": (tiff(np.zeros((16, 16, 3), np.uint8), photometric="ycbcr"), Bad, ("YCbCr", "RGB")),
    "CFA raw": (grey(t262=(262, SHORT, (32803,))), Bad, ("camera raw", "16-bit TIFF")),
    "linear raw": (grey(t262=(262, SHORT, (34892,))), Bad, ("camera raw",)),
    "raw by its version tag": (grey(t50706=(50706, BYTES, b"\1\4\0\0")), Bad, ("camera raw",)),
    "broken LZW": (holed(LZW, b"", skip=-3000, size=900), Bad, ("strip", "damaged")),
    "broken Deflate": (holed(tiff(compression="zlib", rowsperstrip=20), b"", skip=-3000, size=9), Bad, ("Deflate",)),
    "broken PNG": (PNG16[:3000] + b"\x55" + PNG16[3001:], Bad, ("checksum",)),
    "JPEG that runs out": (SMALL_JPEG[: len(SMALL_JPEG) // 2] + b"\xff\xd9", Bad, ("ends before the picture",)),
    "progressive JPEG that runs out": (jpeg(progressive=True)[:-900] + b"\xff\xd9", Bad, ("ends before the picture",)),
    "text": (b"A list of what lies at the slipway.\n" * 20, Bad, ("text file",)),
    "layered document": (b"8BPS\0\1" + bytes(6) + b"\1" * 500, Bad, ("layered editor document", "flattened 16-bit TIFF")),
    "HEIF": (b"\0\0\0\x18ftypheic" + bytes(100), Bad, ("HEIF", "16-bit TIFF")),
    "AVIF": (b"\0\0\0\x18ftypavif" + bytes(100), Bad, ("AVIF",)),
    "raw in a media container": (b"\0\0\0\x18ftypcrx " + bytes(100), Bad, ("camera raw", "Develop")),
    "film": (b"\0\0\0\x18ftypisom" + bytes(100), Bad, ("film",)),
    "WebP": (b"RIFF\x10\0\0\0WEBPVP8 " + bytes(100), Bad, ("WebP",)),
    "JPEG XL": (b"\0\0\0\x0cJXL \r\n\x87\n" + bytes(100), Bad, ("JPEG XL",)),
    "JPEG 2000": (b"\0\0\0\x0cjP  \r\n\x87\n" + bytes(100), Bad, ("JPEG 2000",)),
    "GIF": (b"GIF89a" + bytes(100), Bad, ("GIF",)),
    "BMP": (b"BM\x36\x10" + bytes(100), Bad, ("BMP",)),
    "PDF": (b"%PDF-1.7\n", Bad, ("PDF",)),
    "PostScript": (b"%!PS 3.0\n", Bad, ("PostScript",)),
    "OpenEXR": (b"\x76\x2f\x31\x01" + bytes(100), Bad, ("OpenEXR",)),
    "RGBE": (b"#?RADIANCE\nFORMAT=32-bit_rle_rgbe\n", Bad, ("RGBE",)),
    "ZIP": (b"PK\x03\x04" + bytes(100), Bad, ("ZIP",)),
    "companion file": (b"\0\x05\x16\x07\0\2\0\0" + bytes(100), Bad, ("companion", "picture itself")),
    "SVG": (b"<?xml version='1.0'?>\n<svg xmlns='http://www.w3.org/2000/svg'/>", Bad, ("SVG",)),
    "XML": (b"<?xml version='1.0'?>\n<nets/>", Bad, ("XML",)),
    "noise": (bytes(range(128, 256)) * 4, Bad, ("no picture format",)),
}  # fmt: skip


def use(data: bytes) -> None:
    """Do all that a worker does: probe, open, read all rows, ask for transparency."""
    handle = io.BytesIO(data)
    probe(handle, BOUNDS)
    source = open_picture(handle, BOUNDS)
    for top in range(0, source.facts.height_px, 50):
        source.rows(top, min(top + 50, source.facts.height_px))
    source.transparent()


@pytest.mark.parametrize("name", CASES)
def test_bad_files_say_what_is_wrong(name: str) -> None:
    """A bad file raises its class of error, with a reason that names the fault and what to do."""
    data, kind, words = CASES[name]
    with pytest.raises(PictureError) as caught:
        use(data)
    assert isinstance(caught.value, IncompletePictureError) == (kind is IncompletePictureError), caught.value
    assert not isinstance(caught.value, EmptyTailError)
    for word in words:
        assert word in str(caught.value)
    assert caught.value.do, "it says what to do next"
    assert caught.value.check == ("profile" if "CMYK" in name else "whole")


def test_a_small_file_that_unpacks_to_much_is_refused_by_its_header(monkeypatch: pytest.MonkeyPatch) -> None:
    """593 KB of Deflate that claim 400 MB never reach the unpacking."""
    data = tiff(np.zeros((10_000, 13_333, 3), np.uint8), compression="zlib")
    assert len(data) < 700_000
    monkeypatch.setattr(imagecodecs, "deflate_decode", lambda *_, **__: pytest.fail("it was unpacked"))
    with pytest.raises(PictureError, match="limit is 20 MP"):
        open_picture(io.BytesIO(data), BOUNDS)


def test_a_strip_that_unpacks_to_too_much_gives_only_its_rows() -> None:
    """A strip of 256 px whose Deflate data would give 50 MB costs no more than its rows."""
    bomb = zlib.compress(b"\x07" * 50_000_000)
    data = grey(t259=(259, SHORT, (8,)), t279=(279, LONG, (len(bomb),)))
    data = data[: -16 * 16] + bomb
    with pytest.raises(PictureError, match="unpack"):
        open_picture(io.BytesIO(data), BOUNDS).rows(0, 16)


@pytest.mark.parametrize("options", [{}, {"rowsperstrip": 10}, {"planarconfig": "separate"}, {"tile": (64, 32)}])
def test_an_empty_tail_waits_but_can_be_allowed(options: dict[str, Any]) -> None:
    """Uncompressed pixels that end in zeros from a 4 KiB offset on are held back by `probe` alone."""
    pixels = np.ascontiguousarray(np.moveaxis(PICTURE, 2, 0)) if "planarconfig" in options else PICTURE
    whole = tiff(pixels, **options)
    data = emptied(whole, 0.7)
    with pytest.raises(EmptyTailError, match="allow") as caught:
        probe(io.BytesIO(data), BOUNDS)
    assert "black foot" in str(caught.value)
    assert 0.25 < empty_tail(data) < 0.34
    assert open_picture(io.BytesIO(data), BOUNDS).rows(0, 200).shape == (200, 160, 3)
    probe(io.BytesIO(whole), BOUNDS)
    assert empty_tail(whole) == 0


def test_a_black_foot_and_a_short_tail_pass() -> None:
    """A black foot that begins elsewhere than at a 4 KiB offset, or fills less than 1 %, is a picture."""
    black = PICTURE.copy()
    black[150:] = 0
    data = tiff(black)
    offset = tifffile.TiffFile(io.BytesIO(data)).pages[0].dataoffsets[0]
    assert (offset + 150 * 160 * 6) % 4096 != 0, "the sample's foot begins at no such offset"
    probe(io.BytesIO(data), BOUNDS)
    large = np.full((600, 1000), 7, np.uint8)
    data = tiff(large, photometric="minisblack")
    short = len(data) % 4096
    assert 0 < short < 6000
    assert empty_tail(data[:-short] + bytes(short)) == 0


def test_a_profile_that_has_not_arrived_is_incomplete() -> None:
    """A TIFF whose pixels are whole but whose profile lies past the end waits; opened, its profile is b''."""
    data = grey(t34675=(34675, BYTES, bytes(500)))
    at = data.index(struct.pack("<HHI", 34675, BYTES, 500)) + 8
    data = data[:at] + struct.pack("<I", len(data) - 100) + data[at + 4 :]
    with pytest.raises(IncompletePictureError, match="34675"):
        probe(io.BytesIO(data), BOUNDS)
    assert open_picture(io.BytesIO(data), BOUNDS).icc == b""


@pytest.mark.parametrize(
    ("bounds", "word"),
    [(Bounds(pixels=31_999), "limit"), (Bounds(samples_bytes=191_999), "needs more than"), (Bounds(pages=1), "")],
)
def test_bounds_hold_to_the_last_unit(bounds: Bounds, word: str) -> None:
    """One pixel or one byte too many is refused; at the limit the picture opens."""
    data = tiff()
    assert PICTURE.size // 3 == 32_000
    if word:
        with pytest.raises(PictureError, match=word):
            open_picture(io.BytesIO(data), bounds)
    open_picture(io.BytesIO(data), Bounds(pixels=32_000, samples_bytes=192_000, pages=1))


class _FailingDisk(io.BytesIO):
    """A file whose reads fail as those of a vanished share do."""

    def read(self, size: int | None = -1, /) -> bytes:
        """Fail."""
        raise OSError(5, "Input/output error")


def test_a_failing_disk_blames_no_picture() -> None:
    """A read error is the world's fault, so that the work is tried again and no picture is turned back."""
    with pytest.raises(WorldError, match="disk or share"):
        open_picture(_FailingDisk(tiff()), BOUNDS)


def test_the_descriptor_is_not_moved(tmp_path: Path) -> None:
    """Probing and reading leave the file position of a shared descriptor where it was."""
    path = tmp_path / "slipway.tif"
    path.write_bytes(tiff(compression="lzw"))
    with path.open("rb", buffering=0) as handle:
        handle.seek(77)
        probe(handle, BOUNDS)
        open_picture(handle, BOUNDS).rows(0, 200)
        assert handle.tell() == 77


def test_the_padding_of_edge_tiles_is_no_empty_tail() -> None:
    """The zeros that pad a last tile are not counted, though they begin on a 4 KiB offset."""
    made = io.BytesIO()
    with tifffile.TiffWriter(made) as writer:
        pixels = np.full((160, 128), 9, np.uint8)
        writer.write(pixels, photometric="minisblack", tile=(128, 128), align=4096, metadata=None)
    data = made.getvalue()
    offsets = tifffile.TiffFile(io.BytesIO(data)).pages[0].dataoffsets
    assert (offsets[-1] + 32 * 128) % 4096 == 0
    assert not any(data[offsets[-1] + 32 * 128 :]), "the tile is padded with zeros from a 4 KiB offset on"
    assert empty_tail(data) == 0
    probe(io.BytesIO(data), BOUNDS)


def test_a_picture_never_written_at_all_waits() -> None:
    """A TIFF whose header is there and whose pixels are all zero is held back."""
    with pytest.raises(EmptyTailError):
        probe(io.BytesIO(tiff(np.zeros_like(PICTURE))), BOUNDS)


@pytest.mark.parametrize("make", [lambda: tiff(PICTURE), lambda: SMALL_JPEG + bytes(200_000)], ids=["TIFF", "JPEG"])
def test_holes_are_noticed(make: Callable[[], bytes], tmp_path: Path) -> None:
    """A range that the file system never wrote is held back inside the pixels, not behind them."""
    data, path = make(), tmp_path / "fog.tif"
    with path.open("wb") as made:
        made.write(data[:8192] + bytes(8192))
        made.flush()
        made.truncate(8192)
        made.seek(65536)
        made.write(data[65536:])
    with path.open("rb") as handle:
        if os.lseek(handle.fileno(), 0, os.SEEK_HOLE) >= 65536:
            pytest.skip("this file system keeps no holes")
        if data.startswith(b"II"):
            with pytest.raises(EmptyTailError, match="never written"):
                probe(handle, BOUNDS)
            assert open_picture(handle, BOUNDS).facts.width_px == 160
    with path.open("r+b") as made:
        made.write(data)
        made.truncate(len(data) + 1_000_000)
    with path.open("rb") as handle:
        probe(handle, BOUNDS)


@pytest.mark.parametrize("size", [4096, 8192])
def test_a_missing_block_inside_a_jpeg_is_noticed(size: int) -> None:
    """Zeros from a 4 KiB offset to another inside the scan wait; the same zeros a byte further are left to the decoder."""
    data = jpeg(quality=100, progressive=True)
    assert len(data) > 40_000
    probe(io.BytesIO(data), BOUNDS)
    with pytest.raises(EmptyTailError, match="missing"):
        probe(io.BytesIO(data[:20480] + bytes(size) + data[20480 + size :]), BOUNDS)
    probe(io.BytesIO(data[:20481] + bytes(size) + data[20481 + size :]), BOUNDS)


def test_thumbnails_and_masks_are_no_pages() -> None:
    """Only true pages count (NewSubfileType bits 0 and 2 mark reduced copies and masks); several open well."""
    made = io.BytesIO()
    with tifffile.TiffWriter(made) as writer:
        writer.write(PICTURE[:20, :20], photometric="rgb", subfiletype=1)
        writer.write(PICTURE, photometric="rgb")
        writer.write(PICTURE[..., 0], photometric="minisblack", subfiletype=1)
    reduced, mask = struct.pack("<HHII", 254, LONG, 1, 1), struct.pack("<HHII", 254, LONG, 1, 4)
    first, second, third = made.getvalue().split(reduced)
    source = open_picture(io.BytesIO(first + reduced + second + mask + third), BOUNDS)
    assert (source.facts.pages, source.facts.width_px) == (1, 160)
    np.testing.assert_array_equal(source.rows(0, 200), PICTURE)
    source = open_picture(io.BytesIO(tiff(np.stack([PICTURE] * 3))), BOUNDS)
    assert source.facts.pages == 3
    many = tiff(np.zeros((65, 4, 4), np.uint8), photometric="minisblack", volumetric=False)
    with pytest.raises(PictureError, match="more than 64 pages"):
        open_picture(io.BytesIO(many), BOUNDS)


def test_layers_are_told_from_resources() -> None:
    """Tag 37724 means saved layers; an image resource block (34377) alone does not."""
    layers = tiff(extratags=[(37724, 7, 8, b"somedata", True)])
    assert open_picture(io.BytesIO(layers), BOUNDS).facts.layered
    resources = tiff(extratags=[(34377, 7, 8, b"somedata", True)])
    assert not open_picture(io.BytesIO(resources), BOUNDS).facts.layered


def test_a_further_page_cut_short_is_incomplete() -> None:
    """A file of several pages that ends inside the second is not complete, though the first is."""
    made = io.BytesIO()
    with tifffile.TiffWriter(made) as writer:
        writer.write(PICTURE, photometric="rgb", metadata=None)
        writer.write(PICTURE, photometric="rgb", metadata=None)
    with pytest.raises(IncompletePictureError, match="further page"):
        probe(io.BytesIO(made.getvalue()[:-1000]), BOUNDS)
