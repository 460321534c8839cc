"""Small sound files of every kind that is read; `damage` breaks them. All synthesised, the same on every run."""

from __future__ import annotations

import io
import struct
import zlib
from collections.abc import Callable
from functools import cache
from typing import Any

import numpy as np
import tifffile
from numpy.typing import NDArray
from PIL import Image

from printqueue.imaging.colour import spaces

WIDTH, HEIGHT = 150, 100  # enough for the test paper, and nothing divides it
XMP = (
    b'<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">'
    b'<rdf:Description xmlns:dc="http://purl.org/dc/elements/1.1/"><dc:title><rdf:Alt><rdf:li xml:lang="x-default">'
    b"Kelp at low water</rdf:li></rdf:Alt></dc:title></rdf:Description></rdf:RDF></x:xmpmeta>"
)
IPTC = b"\x1c\x02\x05\0\x05Kelps\x1c\x02\x50\0\x04Mill"
ORDER = b"""\
paper: card
size: 60x50 mm
copies: 2
border: {style: even, width: 5 mm}
lift: +0.1 stops
title: "Slipway in fog"
allow:
  resolution: seen from four metres
prints:
  - size: 80x60 mm
  - {copies: 3, note: for the mill}
"""


def codes(bits: int = 16, channels: int = 3) -> NDArray[Any]:
    """(100, 150, channels) codes of a quiet gradient with grain."""
    y, x = np.mgrid[0:HEIGHT, 0:WIDTH]
    grain = np.random.default_rng(7).normal(0, 300, (HEIGHT, WIDTH))
    waves = [30000 + 18000 * np.sin(x / 90 + i) * np.cos(y / 70) + grain for i in range(channels)]
    made = np.stack(waves, -1).clip(0, 65535).astype(np.uint16)
    return made if bits == 16 else (made >> 8).astype(np.uint8)


def tiff(pixels: NDArray[Any] | None = None, *, icc: bytes | None = None, xmp: bytes = XMP, **options: Any) -> bytes:
    """A TIFF by tifffile, with profile, XMP, IPTC and resolution."""
    out = io.BytesIO()
    pixels = codes() if pixels is None else pixels
    tags = [(700, 1, len(xmp), xmp, True), (33723, 7, len(IPTC), IPTC, True), (315, 2, 0, "the mill", True)]
    tags += options.pop("tags", [])
    tifffile.imwrite(
        out, pixels, metadata=None, iccprofile=profile() if icc is None else icc, extratags=tags,
        resolution=(300, 300), resolutionunit="inch", **({"photometric": "rgb"} | options),
    )  # fmt: skip
    return out.getvalue()


@cache
def profile() -> bytes:
    """The product's own sRGB profile."""
    return spaces.profile_bytes("srgb")


@cache
def grey_profile() -> bytes:
    """The same made into a grey one: one curve, its name in the tag table changed (ICC.1:2022, 8.3.4)."""
    return profile()[:16] + b"GRAY" + profile()[20:].replace(b"rTRC", b"kTRC", 1)


def exif() -> bytes:
    """An EXIF block with orientation, text, resolution, an inner directory."""
    block = Image.Exif()
    block.update({274: 6, 270: "marsh", 282: 300.0, 296: 2, 34665: {36867: "2026:05:04 10:11:12", 40961: 1}})
    return bytes(block.tobytes())


def pillow(kind: str, mode: str = "RGB", *, icc: bytes | None = None, **options: Any) -> bytes:
    """A JPEG or PNG by Pillow."""
    out = io.BytesIO()
    image = Image.fromarray(codes(8)).convert(mode)
    image.save(out, kind, exif=exif(), icc_profile=profile() if icc is None else icc, **options)
    return out.getvalue()


_PASSES = ((0, 0, 8, 8), (4, 0, 8, 8), (0, 4, 4, 8), (2, 0, 4, 4), (0, 2, 2, 4), (1, 0, 2, 2), (0, 1, 1, 2))


def png16(*, interlaced: bool) -> bytes:
    """A 16-bit PNG, its rows or its seven passes (Adam7) packed by hand after ISO 15948."""
    pixels = codes().astype(">u2")
    raw = b""
    for x, y, across, down in _PASSES if interlaced else ((0, 0, 1, 1),):
        raw += b"".join(b"\0" + row.tobytes() for row in pixels[y::down, x::across])
    chunks = [(b"IHDR", struct.pack(">IIBBBBB", WIDTH, HEIGHT, 16, 2, 0, 0, int(interlaced)))]
    chunks += [(b"iCCP", b"srgb\0\0" + zlib.compress(profile())), (b"IDAT", zlib.compress(raw)), (b"IEND", b"")]
    return b"\x89PNG\r\n\x1a\n" + b"".join(
        struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data)) for name, data in chunks
    )


def _planar() -> bytes:
    return tiff(np.ascontiguousarray(np.moveaxis(codes(), 2, 0)), planarconfig="separate", compression="zlib")


PICTURES: dict[str, Callable[[], bytes]] = {
    "TIFF plain": lambda: tiff(rowsperstrip=16),
    "TIFF LZW": lambda: tiff(compression="lzw", predictor=2, rowsperstrip=16),
    "TIFF Deflate": lambda: tiff(compression="zlib", predictor=2, rowsperstrip=100),
    "TIFF Zstandard, big": lambda: tiff(compression="zstd", bigtiff=True, rowsperstrip=16),
    "TIFF PackBits, big-endian": lambda: tiff(compression="packbits", byteorder=">"),
    "TIFF JPEG": lambda: tiff(codes(8), compression="jpeg", rowsperstrip=16),
    "TIFF JPEG tiles": lambda: tiff(codes(8), compression="jpeg", tile=(32, 32)),
    "TIFF tiles": lambda: tiff(compression="lzw", tile=(32, 32)),
    "TIFF planes": _planar,
    "TIFF 8 bits": lambda: tiff(codes(8), compression="lzw"),
    "TIFF alpha": lambda: tiff(codes(channels=4), extrasamples=["unassalpha"], compression="lzw"),
    "TIFF grey": lambda: tiff(codes(channels=1)[..., 0], photometric="minisblack", icc=grey_profile(), compression="zlib"),
    "TIFF floating point": lambda: tiff(codes().astype(np.float32) / np.float32(65535)),
    "TIFF turned": lambda: tiff(compression="lzw", tags=[(274, 3, 1, 6, True)]),
    "JPEG baseline": lambda: pillow("JPEG", quality=92, xmp=XMP),
    "JPEG progressive": lambda: pillow("JPEG", quality=92, progressive=True),
    "JPEG grey": lambda: pillow("JPEG", "L", icc=grey_profile()),
    "JPEG CMYK": lambda: pillow("JPEG", "CMYK"),
    "PNG 8 bits": lambda: pillow("PNG", dpi=(300, 300)),
    "PNG palette": lambda: pillow("PNG", "P"),
    "PNG alpha": lambda: pillow("PNG", "RGBA"),
    "PNG 16 bits": lambda: png16(interlaced=False),
    "PNG interlaced": lambda: png16(interlaced=True),
}  # fmt: skip
