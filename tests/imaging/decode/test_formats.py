"""Every format that is read, by writers that are not ours, compared to the sample.

Writers: tifffile with imagecodecs, libtiff's tiffcp, Pillow, and ImageMagick's
convert; lossy JPEG is compared to Pillow's or tifffile's own decoding.
"""

from __future__ import annotations

import io
import os
import shutil
import subprocess
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any
from unittest.mock import Mock

import imagecodecs
import numpy as np
import pytest
import tifffile
from numpy.typing import NDArray
from PIL import Image

from printqueue.imaging.decode.opening import open_picture
from printqueue.imaging.decode.reader import Bounds
from printqueue.imaging.decode.whole import probe
from printqueue.imaging.source import Source

Pixels = NDArray[Any]
HEIGHT, WIDTH = 75, 83  # no multiple of any strip, tile or JPEG block used here


def sample(bits: int, channels: int) -> Pixels:
    """A smooth ramp with noise: every byte of every sample matters."""
    noise = np.random.default_rng(bits + channels).integers(0, 1 << (bits - 3), (HEIGHT, WIDTH, channels))
    ramp = np.linspace(0, (1 << bits) - (1 << (bits - 3)) - 1, HEIGHT * WIDTH).reshape(HEIGHT, WIDTH, 1)
    return (ramp + noise).astype(f"u{bits // 8}")


RGB16, RGB8, GREY16, GREY8 = sample(16, 3), sample(8, 3), sample(16, 1), sample(8, 1)


def tiff(pixels: Pixels, **options: Any) -> bytes:
    """Write with tifffile; strips of 13 rows unless told otherwise."""
    made = io.BytesIO()
    stored = pixels[..., 0] if pixels.shape[2] == 1 else pixels
    if options.get("planarconfig") == "separate":
        stored = np.ascontiguousarray(np.moveaxis(stored, 2, 0))
    layout = {} if "tile" in options else {"rowsperstrip": 13}
    photometric = "rgb" if pixels.shape[2] >= 3 else "minisblack"
    tifffile.imwrite(made, stored, **{"photometric": photometric, "metadata": None, **layout, **options})
    return made.getvalue()


def tool(name: str) -> str:
    """Return the path of a Debian tool; skip without it, or fail where tools are required."""
    found = shutil.which(name)
    if found is None:
        reason = f"{name} is not installed"
        (pytest.fail if os.environ.get("PRINTQUEUE_REQUIRE_TOOLS") == "1" else pytest.skip)(reason)
    return str(found)


def libtiff(pixels: Pixels, folder: Path, *options: str) -> bytes:
    """Copy an uncompressed TIFF with libtiff's tiffcp."""
    (folder / "in.tif").write_bytes(tiff(pixels))
    subprocess.run([tool("tiffcp"), *options, folder / "in.tif", folder / "out.tif"], check=True, timeout=30)
    return (folder / "out.tif").read_bytes()


def convert(pixels: Pixels, folder: Path, *options: str, name: str) -> bytes:
    """Convert an uncompressed TIFF with ImageMagick."""
    (folder / "in.tif").write_bytes(tiff(pixels))
    command = [tool("convert"), str(folder / "in.tif"), *options, f"{name}:{folder / 'out'}"]
    subprocess.run(command, check=True, timeout=30)
    return (folder / "out").read_bytes()


def pillow(pixels: Pixels, kind: str, mode: str | None = None, **options: Any) -> bytes:
    """Write with Pillow."""
    made = io.BytesIO()
    image = Image.fromarray(pixels[..., 0] if pixels.shape[2] == 1 else pixels)
    (image.convert(mode) if mode else image).save(made, kind, **options)
    return made.getvalue()


def read(source: Source, step: int) -> Pixels:
    """All rows in bands of `step` rows."""
    height = source.facts.height_px
    return np.concatenate([source.rows(top, min(top + step, height)) for top in range(0, height, step)])


def check(data: bytes, expected: Pixels, step: int, **facts: Any) -> None:
    """Probe, open, compare every sample and the named facts."""
    handle = io.BytesIO(data)
    probe(handle, Bounds())
    source = open_picture(handle, Bounds())
    found = read(source, step)
    assert found.dtype == expected.dtype
    np.testing.assert_array_equal(found, expected)
    said = {"width_px": expected.shape[1], "height_px": expected.shape[0], "bits": expected.dtype.itemsize * 8}
    for key, value in {**said, "colour": "rgb" if expected.shape[2] == 3 else "grey", **facts}.items():
        assert getattr(source.facts, key) == value, key


LAYOUTS: dict[str, dict[str, Any]] = {
    "one strip": {"rowsperstrip": HEIGHT},
    "strips": {},
    "strips of one row": {"rowsperstrip": 1},
    "tiles": {"tile": (32, 16)},
    "planes": {"planarconfig": "separate"},
    "tiled planes": {"planarconfig": "separate", "tile": (16, 32)},
    "big": {"bigtiff": True},
    "big-endian": {"byteorder": ">"},
    "big, big-endian tiles": {"bigtiff": True, "byteorder": ">", "tile": (32, 32)},
}
CODINGS: dict[str, tuple[dict[str, Any], str]] = {
    "none": ({}, "none"),
    "LZW": ({"compression": "lzw"}, "LZW"),
    "LZW predicted": ({"compression": "lzw", "predictor": 2}, "LZW"),
    "Deflate": ({"compression": "adobe_deflate"}, "Deflate"),
    "Deflate predicted": ({"compression": "adobe_deflate", "predictor": 2}, "Deflate"),
    "old Deflate": ({"compression": "deflate"}, "Deflate"),
    "PackBits": ({"compression": "packbits"}, "PackBits"),
    "Zstandard predicted": ({"compression": "zstd", "predictor": 2}, "Zstandard"),
}


@pytest.mark.parametrize("step", [7, 40])
@pytest.mark.parametrize("coding", CODINGS)
@pytest.mark.parametrize("layout", LAYOUTS)
def test_tiff_layouts_and_codings(layout: str, coding: str, step: int) -> None:
    """Every layout in every coding gives the written 16-bit samples, in bands of any height."""
    options, name = CODINGS[coding]
    check(tiff(RGB16, **LAYOUTS[layout], **options), RGB16, step, compression=name, format="TIFF")


@pytest.mark.parametrize("coding", CODINGS)
@pytest.mark.parametrize("pixels", [RGB8, GREY16, GREY8], ids=["RGB 8", "grey 16", "grey 8"])
def test_tiff_samples(pixels: Pixels, coding: str) -> None:
    """Grey stays one channel and 8 bits stay 8 bits, in every coding, big-endian and in tiles."""
    options, name = CODINGS[coding]
    check(tiff(pixels, **options), pixels, 9, compression=name)
    check(tiff(pixels, byteorder=">", tile=(32, 32), **options), pixels, 9, compression=name)


@pytest.mark.parametrize("pixels", [GREY16, GREY8], ids=["16", "8"])
def test_white_is_zero_is_turned(pixels: Pixels) -> None:
    """A grey TIFF whose zero is white (TIFF 6.0, PhotometricInterpretation 0) is inverted."""
    check(tiff(pixels, photometric="miniswhite"), np.invert(pixels), 20)
    check(tiff(pixels, photometric="miniswhite", compression="lzw"), np.invert(pixels), 20)


LIBTIFF: dict[str, tuple[str, ...]] = {
    "LZW predicted": ("-c", "lzw:2"),
    "Deflate predicted": ("-c", "zip:2"),
    "PackBits": ("-c", "packbits"),
    "bits reversed": ("-c", "none", "-f", "lsb2msb"),
    "bits reversed, LZW predicted": ("-c", "lzw:2", "-f", "lsb2msb"),
    "tiles": ("-c", "zip:2", "-t", "-w", "32", "-l", "16"),
    "planes": ("-c", "lzw:2", "-p", "separate"),
    "big, big-endian": ("-8", "-B", "-c", "lzw:2"),
    "big-endian strips": ("-B", "-c", "none", "-r", "4"),
}


@pytest.mark.parametrize(
    ("variant", "pixels"),
    [(name, pixels) for name in LIBTIFF for pixels in (RGB16, RGB8) if name != "planes" or pixels is RGB8],
)
def test_libtiff_variants(variant: str, pixels: Pixels, tmp_path: Path) -> None:
    """What libtiff writes, with its own order of bits and bytes, gives the same samples."""
    check(libtiff(pixels, tmp_path, *LIBTIFF[variant]), pixels, 11)


@pytest.mark.parametrize(
    "options",
    [("-c", "jpeg:90", "-r", "16"), ("-c", "jpeg:r:90", "-r", "16"), ("-c", "jpeg:90", "-t", "-w", "32", "-l", "32")],
)
def test_libtiff_jpeg_in_tiff(options: tuple[str, ...], tmp_path: Path) -> None:
    """JPEG inside TIFF, YCbCr or RGB, strips or tiles, gives what Pillow's libtiff decodes, near what was written."""
    data = libtiff(RGB8, tmp_path, *options)
    expected = np.asarray(Image.open(io.BytesIO(data)).convert("RGB"))
    assert np.abs(expected.astype(int) - RGB8).mean() < 12, "the oracle reads the colours as they were meant"
    check(data, expected, 10, compression="JPEG")


def test_tiled_jpeg_planes_in_tiff() -> None:
    """JPEG inside TIFF with each colour a plane of its own gives what tifffile decodes."""
    data = tiff(RGB8, compression="jpeg", planarconfig="separate", tile=(32, 32))
    check(data, np.moveaxis(tifffile.imread(io.BytesIO(data)), 0, 2), 10, compression="JPEG")


def test_pillow_tiffs() -> None:
    """Pillow's TIFFs, palette included, give Pillow's pixels."""
    for compression in ("raw", "tiff_lzw", "tiff_adobe_deflate", "packbits"):
        check(pillow(RGB8, "TIFF", compression=compression), RGB8, 17)
    data = pillow(RGB8, "TIFF", "P")
    check(data, np.asarray(Image.open(io.BytesIO(data)).convert("RGB")), 17, colour="rgb", bits=8)


def test_strips_padded_beyond_the_foot() -> None:
    """A last strip that holds more rows than the picture has left is read for the rows that count."""
    part = RGB16[:13].tobytes()
    for compression, pack in ((8, imagecodecs.zlib_encode), (32773, imagecodecs.packbits_encode)):
        made = io.BytesIO()
        with tifffile.TiffWriter(made) as writer:
            strips = [RGB16[top : top + 13].tobytes().ljust(len(part), b"\x7f") for top in range(0, HEIGHT, 13)]
            writer.write(
                iter([bytes(pack(strip)) for strip in strips]), shape=RGB16.shape, dtype="uint16", photometric="rgb",
                rowsperstrip=13, compression=compression, metadata=None,
            )  # fmt: skip
        check(made.getvalue(), RGB16, 20)


@pytest.mark.parametrize("name", ["png16", "png8", "grey16", "grey8", "tiff"])
def test_imagemagick_files(name: str, tmp_path: Path) -> None:
    """What ImageMagick writes as PNG and TIFF gives the same samples."""
    pixels, options, kind = {
        "png16": (RGB16, (), "PNG48"),
        "png8": (RGB8, (), "PNG24"),
        "grey16": (GREY16, ("-depth", "16", "-interlace", "PNG"), "PNG"),
        "grey8": (GREY8, ("-depth", "8"), "PNG"),
        "tiff": (RGB16, ("-compress", "LZW", "-endian", "MSB"), "TIFF"),
    }[name]
    check(convert(pixels, tmp_path, *options, name=kind), pixels, 19, format="TIFF" if kind == "TIFF" else "PNG")


@pytest.mark.parametrize("pixels", [RGB16, RGB8, GREY16, GREY8], ids=["RGB 16", "RGB 8", "grey 16", "grey 8"])
def test_png_samples(pixels: Pixels) -> None:
    """PNG keeps its 8 or 16 bits and its channels."""
    stored = pixels[..., 0] if pixels.shape[2] == 1 else pixels
    check(bytes(imagecodecs.png_encode(stored)), pixels, 10, format="PNG", compression="Deflate", alpha=False)


def test_png_expansions() -> None:
    """Palette, 1-bit and small-depth grey PNGs are expanded to 8 bits, as Pillow expands them."""
    palette = pillow(RGB8, "PNG", "P")
    check(palette, np.asarray(Image.open(io.BytesIO(palette)).convert("RGB")), 10, colour="rgb")
    two_tone = pillow(GREY8, "PNG", "1")
    expected = np.asarray(Image.open(io.BytesIO(two_tone)).convert("L"))[..., np.newaxis]
    check(two_tone, expected, 10, colour="grey")


@pytest.mark.parametrize(
    "options", [{}, {"progressive": True}, {"subsampling": 0, "quality": 95}, {"restart_marker_rows": 1}]
)
@pytest.mark.parametrize("pixels", [RGB8, GREY8], ids=["RGB", "grey"])
def test_jpeg(pixels: Pixels, options: dict[str, Any]) -> None:
    """Baseline and progressive JPEG, grey and colour, give Pillow's pixels."""
    data = pillow(pixels, "JPEG", **options)
    expected = np.asarray(Image.open(io.BytesIO(data))).reshape(pixels.shape)
    check(data, expected, 10, format="JPEG", compression="JPEG", bits=8)


def test_jpeg_stored_as_rgb() -> None:
    """A JPEG whose APP14 marker says that its components are RGB is not turned from YCbCr."""
    data = bytes(imagecodecs.jpeg8_encode(RGB8, level=98, colorspace="RGB", outcolorspace="RGB"))
    expected = np.asarray(Image.open(io.BytesIO(data)))
    assert np.abs(expected.astype(int) - RGB8).mean() < 4, "the oracle itself reads it as RGB"
    check(data, expected, 10)


def test_garbage_behind_the_end_of_a_jpeg_is_ignored() -> None:
    """Padding and further data behind the end marker do not matter."""
    data = pillow(RGB8, "JPEG")
    expected = np.asarray(Image.open(io.BytesIO(data)))
    for more in (bytes(5000), data, b"\xff\xd8\xff\xe0 second picture"):
        check(data + more, expected, 30)


ALPHA = np.full((HEIGHT, WIDTH, 1), 65535, np.uint16)
CLEAR = np.concatenate([ALPHA[:-1], ALPHA[-1:] - 1])  # one row a hair less than opaque


@pytest.mark.parametrize("layout", [{}, {"tile": (32, 32), "compression": "lzw"}, {"planarconfig": "separate"}])
@pytest.mark.parametrize(
    ("kind", "alpha", "transparent"),
    [
        ("unspecified", CLEAR, False),
        ("assocalpha", CLEAR, True),
        ("unassalpha", CLEAR, True),
        ("unassalpha", ALPHA, False),
    ],
)
def test_tiff_extra_channels(layout: dict[str, Any], kind: str, alpha: Pixels, transparent: bool) -> None:
    """Extra channels are dropped; a selection is told from alpha, and alpha from real transparency."""
    data = tiff(np.concatenate([RGB16, alpha], axis=2), extrasamples=[kind], **layout)
    check(data, RGB16, 10, selection=kind == "unspecified", alpha=kind != "unspecified")
    assert open_picture(io.BytesIO(data), Bounds()).transparent() is transparent


@pytest.mark.parametrize("colour", [RGB16, GREY16, RGB8, GREY8], ids=["RGB 16", "grey 16", "RGB 8", "grey 8"])
def test_png_alpha(colour: Pixels) -> None:
    """A PNG's alpha channel is dropped, and said to be transparent only where it is not opaque."""
    full = np.iinfo(colour.dtype).max
    for foot, transparent in ((full, False), (full - 1, True)):
        alpha = np.full((HEIGHT, WIDTH, 1), full, colour.dtype)
        alpha[-1, -1] = foot
        data = bytes(imagecodecs.png_encode(np.concatenate([colour, alpha], axis=2)))
        check(data, colour, 10, alpha=True)
        assert open_picture(io.BytesIO(data), Bounds()).transparent() is transparent


def test_png_transparent_colours() -> None:
    """A palette or grey PNG with a transparent colour (tRNS) has alpha, and is transparent where it is used."""
    data = pillow(GREY8, "PNG", transparency=int(GREY8[3, 3, 0]))
    check(data, GREY8, 10, alpha=True)
    assert open_picture(io.BytesIO(data), Bounds()).transparent()
    unused = int(np.setdiff1d(np.arange(256), GREY8)[0]) if np.unique(GREY8).size < 256 else None
    if unused is not None:
        assert not open_picture(io.BytesIO(pillow(GREY8, "PNG", transparency=unused)), Bounds()).transparent()
    palette = pillow(RGB8, "PNG", "P", transparency=0)
    check(palette, np.asarray(Image.open(io.BytesIO(palette)).convert("RGB")), 10, alpha=True)


TURNS: dict[int, Callable[[Pixels], Pixels]] = {
    1: lambda a: a,
    2: np.fliplr,
    3: lambda a: np.rot90(a, 2),
    4: np.flipud,
    5: lambda a: np.swapaxes(a, 0, 1),
    6: lambda a: np.rot90(a, -1),
    7: lambda a: np.swapaxes(np.rot90(a, 2), 0, 1),
    8: lambda a: np.rot90(a, 1),
}


@pytest.mark.parametrize("step", [1, 30, 1000])
@pytest.mark.parametrize("orientation", TURNS)
def test_orientation_is_obeyed(orientation: int, step: int) -> None:
    """All eight orientations (EXIF 2.32, tag 274) are shown as displayed, in TIFF, JPEG and PNG."""
    turn = TURNS[orientation]
    made = tiff(RGB16, compression="lzw", extratags=[(274, 3, 1, orientation, True)])
    check(made, turn(RGB16), step, orientation=orientation)
    exif = Image.Exif()
    exif[274] = orientation
    photo = pillow(RGB8, "JPEG", exif=exif.tobytes())
    check(photo, turn(np.asarray(Image.open(io.BytesIO(photo)))), step, orientation=orientation)
    check(pillow(RGB8, "PNG", exif=exif.tobytes()), turn(RGB8), step, orientation=orientation)


def test_orientation_agrees_with_pillow() -> None:
    """The table of turns above is the one that Pillow uses, read from its own transposing."""
    from PIL import ImageOps

    for orientation, turn in TURNS.items():
        image = Image.fromarray(RGB8)
        image.getexif()[274] = orientation
        np.testing.assert_array_equal(np.asarray(ImageOps.exif_transpose(image)), turn(RGB8))


@pytest.mark.parametrize(
    "options", [{"compression": "lzw", "tile": (32, 32)}, {"rowsperstrip": HEIGHT}, {"rowsperstrip": 2}]
)
def test_two_threads_read_the_same_picture(options: dict[str, Any], tmp_path: Path) -> None:
    """Overlapping bands asked for by two threads at once, from one descriptor, come out right."""
    path = tmp_path / "kelp.tif"
    path.write_bytes(tiff(RGB16, **options))
    with path.open("rb") as handle, ThreadPoolExecutor(2) as pool:
        source = open_picture(handle, Bounds())
        tops = [top for _ in range(5) for top in range(0, HEIGHT - 20, 7)]
        bands = list(pool.map(lambda top: source.rows(top, top + 20), tops))
    for top, band in zip(tops, bands, strict=True):
        np.testing.assert_array_equal(band, RGB16[top : top + 20])


def test_neighbouring_bands_decode_no_part_twice(monkeypatch: pytest.MonkeyPatch) -> None:
    """A strip that two bands share, and a strip that overlapping bands share, is unpacked once."""
    real = Mock(wraps=imagecodecs.lzw_decode)
    monkeypatch.setattr(imagecodecs, "lzw_decode", real)
    source = open_picture(io.BytesIO(tiff(RGB16, compression="lzw", rowsperstrip=13)), Bounds())
    for top in range(0, HEIGHT - 10, 5):
        source.rows(top, top + 10)
    source.rows(HEIGHT - 10, HEIGHT)
    assert real.call_count == -(-HEIGHT // 13)
