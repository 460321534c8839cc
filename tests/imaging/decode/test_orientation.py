"""Where a picture may say how it is to be turned, which word counts, and that outside readers take it the same way.

Outside readers: Pillow's `ImageOps.exif_transpose` (every case), exiftool as a writer and reader, ImageMagick's
`-auto-orient` (JPEG and TIFF; version 6 turns no PNG).
"""

from __future__ import annotations

import io
import subprocess
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image, ImageOps, PngImagePlugin

from printqueue.imaging.decode.opening import open_picture
from printqueue.imaging.decode.reader import Bounds
from tests.imaging.decode.test_formats import tool

HEIGHT, WIDTH = 20, 30
SAMPLE = np.random.default_rng(4).integers(0, 255, (HEIGHT, WIDTH, 3), dtype=np.uint8)
KINDS = {"RGB": "rgb", "L": "grey", "P": "palette", "RGBA": "rgb with alpha", "I;16": "grey of 16 bits"}


def exif(orientation: int | None) -> bytes:
    """An EXIF block without prefix; None: without the tag, but with another."""
    block = Image.Exif()
    block[305] = "writer"
    if orientation is not None:
        block[274] = orientation
    return block.tobytes().removeprefix(b"Exif\0\0")


def xmp(orientation: object, *, element: bool = False) -> bytes:
    """An XMP packet that says it as an attribute, as most writers do, or as an element."""
    tag = f"<tiff:Orientation>{orientation}</tiff:Orientation>"
    attribute = f'tiff:Orientation="{orientation}"'
    return (
        '<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">'
        f'<rdf:Description rdf:about="" xmlns:tiff="http://ns.adobe.com/tiff/1.0/" {"" if element else attribute}>'
        f"{tag if element else ''}</rdf:Description></rdf:RDF></x:xmpmeta>"
    ).encode()


def png(mode: str = "RGB", *, packet: bytes | None = None, packed: bool = False, **options: Any) -> bytes:
    """Written by Pillow."""
    notes = PngImagePlugin.PngInfo()
    if packet is not None:
        notes.add_itxt("XML:com.adobe.xmp", packet.decode(), zip=packed)
    image = Image.fromarray(SAMPLE.astype(np.uint16)[..., 0] * 257) if mode == "I;16" else Image.fromarray(SAMPLE)
    made = io.BytesIO()
    (image if mode == "I;16" else image.convert(mode)).save(made, "PNG", pnginfo=notes, **options)
    return made.getvalue()


def with_chunk(name: bytes, data: bytes, *, late: bool = False, into: bytes | None = None) -> bytes:
    """A PNG with one more chunk: behind the header, or behind the pixels."""
    made = png() if into is None else into
    at = len(made) - 12 if late else 33
    chunk = len(data).to_bytes(4, "big") + name + data + zlib.crc32(name + data).to_bytes(4, "big")
    return made[:at] + chunk + made[at:]


def raw_profile(orientation: int, keyword: bytes = b"exif", *, packed: bool = True) -> bytes:
    """How EXIF was kept before there was a chunk for it: hexadecimal digits in a text (ImageMagick's `Raw profile type`)."""
    block = b"Exif\0\0" + exif(orientation)
    text = b"\n%s\n%8d\n" % (keyword, len(block)) + block.hex().encode() + b"\n"
    name = b"Raw profile type " + keyword
    return (
        with_chunk(b"zTXt", name + b"\0\0" + zlib.compress(text))
        if packed
        else with_chunk(b"tEXt", name + b"\0" + text)
    )


def seen(data: bytes) -> NDArray[Any]:
    """The picture as we show it."""
    source = open_picture(io.BytesIO(data), Bounds())
    return source.rows(0, source.facts.height_px)


def turn(data: bytes) -> int:
    """The orientation that we obey."""
    return open_picture(io.BytesIO(data), Bounds()).facts.orientation


def as_pillow_shows(data: bytes) -> NDArray[Any]:
    """The same, turned by Pillow."""
    image = ImageOps.exif_transpose(Image.open(io.BytesIO(data)))
    shown = np.asarray(image.convert("RGB") if image.mode in ("P", "RGBA") else image)
    return shown if shown.ndim == 3 else shown[..., np.newaxis]


CARRIERS: dict[str, Callable[[int], bytes]] = {
    "eXIf": lambda n: png(exif=exif(n)),
    "eXIf with JPEG's prefix": lambda n: with_chunk(b"eXIf", b"Exif\0\0" + exif(n)),
    "eXIf behind the pixels": lambda n: with_chunk(b"eXIf", exif(n), late=True),
    "a long eXIf": lambda n: with_chunk(b"eXIf", exif(n) + bytes(2_000_000)),
    "XMP": lambda n: png(packet=xmp(n)),
    "XMP, an element": lambda n: png(packet=xmp(n, element=True)),
    "XMP, packed": lambda n: png(packet=xmp(n), packed=True),
    "XMP behind the pixels": lambda n: with_chunk(b"iTXt", b"XML:com.adobe.xmp\0\0\0\0\0" + xmp(n), late=True),
    "XMP beside EXIF without the tag": lambda n: png(packet=xmp(n), exif=exif(None)),
    "EXIF in text": raw_profile,
    "EXIF in text, not packed": lambda n: raw_profile(n, packed=False),
    "EXIF before XMP": lambda n: png(packet=xmp(9 - n), exif=exif(n)),
    "EXIF says upright": lambda n: png(packet=xmp(n), exif=exif(1)),
    "JPEG, XMP": lambda n: jpeg(xmp=xmp(n)),
    "JPEG, XMP beside EXIF without the tag": lambda n: jpeg(xmp=xmp(n), exif=exif(None)),
    "JPEG, EXIF before XMP": lambda n: jpeg(xmp=xmp(9 - n), exif=exif(n)),
}


def jpeg(**options: Any) -> bytes:
    """Written by Pillow."""
    made = io.BytesIO()
    if "exif" in options:
        options["exif"] = b"Exif\0\0" + options["exif"]
    Image.fromarray(SAMPLE).save(made, "JPEG", **options)
    return made.getvalue()


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("carrier", CARRIERS)
def test_pillow_turns_it_the_same_way(carrier: str, orientation: int) -> None:
    """Every pixel stands where Pillow puts it, for all eight orientations and wherever they are written."""
    data = CARRIERS[carrier](orientation)
    np.testing.assert_array_equal(seen(data), as_pillow_shows(data))
    assert turn(data) == (1 if carrier == "EXIF says upright" else orientation)


@pytest.mark.parametrize("mode", KINDS)
def test_every_kind_of_png(mode: str) -> None:
    """Grey, palette, alpha and 16 bits are turned like RGB, by either word."""
    for data in (png(mode, exif=exif(6)), png(mode, packet=xmp(6))):
        found, expected = seen(data), as_pillow_shows(data)
        assert found.shape[:2] == (WIDTH, HEIGHT)
        np.testing.assert_array_equal(found, expected)


@pytest.mark.parametrize("orientation", [3, 6, 7, 8])
@pytest.mark.parametrize("group", ["IFD0", "XMP-tiff"])
@pytest.mark.parametrize("kind", ["png", "jpg", "tif"])
def test_as_exiftool_writes_it(tmp_path: Path, kind: str, group: str, orientation: int) -> None:
    """What exiftool writes we read, it reads back the same, and Pillow turns it so."""
    exiftool, path = tool("exiftool"), tmp_path / f"net.{kind}"
    Image.fromarray(SAMPLE).save(path)
    write = [exiftool, "-q", "-overwrite_original", f"-{group}:Orientation#={orientation}", str(path)]
    subprocess.run(write, check=True, timeout=30)
    said = subprocess.run([exiftool, "-n", "-s3", "-Orientation", path], capture_output=True, check=True, timeout=30)
    data = path.read_bytes()
    assert turn(data) == int(said.stdout) == orientation
    np.testing.assert_array_equal(seen(data), as_pillow_shows(data))


@pytest.mark.parametrize("group", ["IFD0", "XMP-tiff"])
@pytest.mark.parametrize("kind", ["jpg", "tif"])
def test_imagemagick_turns_it_the_same_way(tmp_path: Path, kind: str, group: str) -> None:
    """ImageMagick's `-auto-orient` gives the same width and height, from EXIF and from XMP alone."""
    path = tmp_path / f"net.{kind}"
    Image.fromarray(SAMPLE).save(path)
    write = [tool("exiftool"), "-q", "-overwrite_original", f"-{group}:Orientation#=6", str(path)]
    subprocess.run(write, check=True, timeout=30)
    ask = [tool("convert"), str(path), "-auto-orient", "-format", "%w %h", "info:"]
    said = subprocess.run(ask, capture_output=True, check=True, timeout=30, text=True)
    height, width = seen(path.read_bytes()).shape[:2]
    assert said.stdout.split() == [str(width), str(height)]


@pytest.mark.parametrize(
    "data",
    [
        png(exif=exif(9)),
        png(exif=exif(0)),
        png(packet=xmp(9)),
        png(packet=xmp("")),
        png(packet=xmp("six")),
        png(packet=xmp("6" * 5000)),
        png(packet=xmp("²")),
        png(packet=xmp(6)[:-20]),
        png(packet=xmp(6), exif=exif(9)),
        with_chunk(b"eXIf", b""),
        with_chunk(b"eXIf", exif(6)[:12]),
        with_chunk(b"tEXt", b"Raw profile type exif\0\nexif\n  99\nno digits\n"),
        with_chunk(b"zTXt", b"Raw profile type exif\0\0" + zlib.compress(bytes(50_000_000))),
        with_chunk(b"tEXt", b"Raw profile type exif\0"),
    ],
)
def test_nonsense_turns_nothing(data: bytes) -> None:
    """What is no orientation, or is broken, leaves the picture as stored and never fails it; a tag that is there counts."""
    assert turn(data) == 1
    assert seen(data).shape == (HEIGHT, WIDTH, 3)


def test_which_of_three_words_counts() -> None:
    """The chunk goes before EXIF in text, that before XMP; a broken chunk leaves the word to the others."""
    text = raw_profile(6)
    assert turn(with_chunk(b"eXIf", exif(3), into=text)) == 3
    assert turn(with_chunk(b"iTXt", b"XML:com.adobe.xmp\0\0\0\0\0" + xmp(8), into=text)) == 6
    assert turn(with_chunk(b"eXIf", b"broken", into=png(packet=xmp(8)))) == 8
    assert turn(raw_profile(8, b"APP1")) == 8
