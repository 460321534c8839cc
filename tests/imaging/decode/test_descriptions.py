"""Profile, resolution, declared space and text: from every place that a standard gives them, never failing a picture."""

from __future__ import annotations

import io
import os
import shutil
import struct
import subprocess
import zlib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile
from PIL import Image, PngImagePlugin

from printqueue.core.model.picture import Metadata, PictureFacts
from printqueue.imaging.decode.opening import open_picture
from printqueue.imaging.decode.reader import Bounds
from printqueue.imaging.source import Source

RGB = np.random.default_rng(2).integers(0, 255, (20, 30, 3), dtype=np.uint8)
RDF = 'xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#" xmlns:dc="http://purl.org/dc/elements/1.1/"'


def opened(data: bytes, bounds: Bounds | None = None) -> Source:
    """Open, and read one row so that the pixels are known to be good."""
    source = open_picture(io.BytesIO(data), bounds or Bounds())
    source.rows(0, 1)
    return source


def facts(data: bytes) -> PictureFacts:
    """The facts of a file."""
    return opened(data).facts


def tiff(**options: Any) -> bytes:
    """Write with tifffile."""
    made = io.BytesIO()
    tifffile.imwrite(made, RGB, **{"photometric": "rgb", "metadata": None, "software": False, **options})
    return made.getvalue()


def pillow(kind: str, **options: Any) -> bytes:
    """Write with Pillow."""
    made = io.BytesIO()
    Image.fromarray(RGB).save(made, kind, **options)
    return made.getvalue()


def xmp(body: str, attributes: str = "") -> bytes:
    """Wrap RDF properties into an XMP packet (ISO 16684-1)."""
    return (
        '<?xpacket begin="\ufeff" id="W5M0MpCehiHzreSzNTczkc9d"?><x:xmpmeta xmlns:x="adobe:ns:meta/">'
        f'<rdf:RDF {RDF}><rdf:Description rdf:about="" {attributes}>{body}</rdf:Description></rdf:RDF></x:xmpmeta>'
        f"{' ' * 200}<?xpacket end='w'?>"
    ).encode()


FULL_XMP = xmp(
    "<dc:title><rdf:Alt><rdf:li xml:lang='de'>Nebel</rdf:li><rdf:li xml:lang='x-default'>Fog &amp; kelp</rdf:li>"
    "</rdf:Alt></dc:title><dc:creator><rdf:Seq><rdf:li>First Hand</rdf:li><rdf:li>Second Hand</rdf:li></rdf:Seq>"
    "</dc:creator><dc:rights><rdf:Alt><rdf:li>All kept</rdf:li></rdf:Alt></dc:rights>"
    "<dc:description><rdf:Alt><rdf:li>Low water</rdf:li></rdf:Alt></dc:description>",
    'xmlns:exif="http://ns.adobe.com/exif/1.0/" exif:DateTimeOriginal="2026-05-04T10:11:12.50+02:00"',
)


def iptc(**fields: bytes) -> bytes:
    """Build an IPTC-IIM block (record 2)."""
    return b"".join(struct.pack(">BBBH", 0x1C, 2, int(key[1:]), len(text)) + text for key, text in fields.items())


FULL_IPTC = iptc(d5=b"Nets", d80=b"Third Hand", d116=b"Some kept", d120=b"High water")
EXIF = Image.Exif()
EXIF.update({270: "Slack water", 315: "Fourth Hand", 33432: "None kept", 34665: {36867: "2025:01:02 03:04:05"}})


def test_xmp_is_read() -> None:
    """XMP gives title (its default language), creators joined, rights, description and the capture time."""
    expected = Metadata("Fog & kelp", "First Hand, Second Hand", "All kept", "Low water", "2026:05:04 10:11:12")
    for data in (tiff(extratags=[(700, 1, len(FULL_XMP), FULL_XMP, True)]), pillow("JPEG", xmp=FULL_XMP)):
        assert facts(data).metadata == expected
    for compressed in (False, True):
        notes = PngImagePlugin.PngInfo()
        notes.add_itxt("XML:com.adobe.xmp", FULL_XMP.decode(), zip=compressed)
        assert facts(pillow("PNG", pnginfo=notes)).metadata == expected


def test_xmp_comes_before_iptc_before_exif() -> None:
    """Field by field the first of XMP, IPTC, EXIF that says something is taken."""
    packet = xmp("<dc:title><rdf:Alt><rdf:li>Salt marsh</rdf:li></rdf:Alt></dc:title>")
    block = iptc(d5=b"Nets", d80=b"Third Hand")
    data = tiff(
        description="Slack water",
        extratags=[
            (700, 1, len(packet), packet, True), (33723, 7, len(block), block, True),
            (315, 2, 0, "Fourth Hand", True), (33432, 2, 0, "None kept", True),
        ],
    )  # fmt: skip
    assert facts(data).metadata == Metadata("Salt marsh", "Third Hand", "None kept", "Slack water")


def test_iptc_in_every_container() -> None:
    """IPTC is read as bytes, as the LONGs that some writers declare, and from a JPEG's image resources."""
    padded = FULL_IPTC.ljust(-(-len(FULL_IPTC) // 4) * 4, b"\0")
    longs = struct.unpack(f"<{len(padded) // 4}I", padded)
    resource = b"8BIM\x04\x04\0\0" + struct.pack(">I", len(FULL_IPTC)) + FULL_IPTC
    segment = b"any resource header\0" + resource
    photo = pillow("JPEG")
    with_segment = photo[:2] + b"\xff\xed" + struct.pack(">H", len(segment) + 2) + segment + photo[2:]
    expected = Metadata("Nets", "Third Hand", "Some kept", "High water")
    assert facts(tiff(extratags=[(33723, 7, len(FULL_IPTC), FULL_IPTC, True)])).metadata == expected
    assert facts(tiff(extratags=[(33723, 4, len(longs), longs, True)])).metadata == expected
    assert facts(tiff(byteorder=">", extratags=[(33723, 4, len(longs), longs, True)])).metadata == expected
    assert facts(with_segment).metadata == expected


def test_exif_in_every_container() -> None:
    """EXIF text and the capture time are read from JPEG, PNG and TIFF."""
    expected = Metadata(None, "Fourth Hand", "None kept", "Slack water", "2025:01:02 03:04:05")
    for kind in ("JPEG", "PNG"):
        assert facts(pillow(kind, exif=EXIF.tobytes())).metadata == expected
    assert facts(pillow("TIFF", exif=EXIF.tobytes())).metadata == expected


def test_png_keywords() -> None:
    """The keywords that the PNG standard names are read, compressed or not."""
    notes = PngImagePlugin.PngInfo()
    notes.add_text("Title", "Lighthouse")
    notes.add_text("Author", "Fifth Hand", zip=True)
    notes.add_itxt("Copyright", "© kept")
    assert facts(pillow("PNG", pnginfo=notes)).metadata == Metadata("Lighthouse", "Fifth Hand", "© kept")


BOMB = "".join(f'<!ENTITY a{i} "{f"&a{i - 1};" * 10 if i else "x"}">' for i in range(9))
HOSTILE = {
    "entity bomb": f"<!DOCTYPE x [{BOMB}]><x>&a8;</x>".encode(),
    "external entity": b'<!DOCTYPE x [<!ENTITY e SYSTEM "file:///etc/passwd">]><x>&e;</x>',
    "deep": b"<a>" * 5000 + b"</a>" * 5000,
    "not closed": FULL_XMP[: len(FULL_XMP) // 2],
    "no XML": bytes(range(256)),
    "unknown encoding": b'<?xml version="1.0" encoding="klingon"?><x/>',
    "too long": xmp("<dc:title>Long</dc:title>" + "<dc:x/>" * 200_000),
}


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_xmp_says_nothing(name: str) -> None:
    """A broken or hostile packet is passed over; the picture and its other descriptions stay."""
    packet = HOSTILE[name]
    data = tiff(description="Slack water", extratags=[(700, 1, len(packet), packet, True)])
    assert facts(data).metadata == Metadata(description="Slack water")


def test_text_is_bounded_and_decoded() -> None:
    """At most 2,000 characters are kept; text that is no UTF-8 is read as Latin-1; blank is nothing."""
    long = xmp(f"<dc:title>{'x' * 50_000}</dc:title>")
    assert facts(tiff(extratags=[(700, 1, len(long), long, True)])).metadata.title == "x" * 2000
    assert facts(tiff(description=b"e\xe9".ljust(4))).metadata.description == "eé"
    assert facts(tiff(description=b"y" * 3000)).metadata.description == "y" * 2000
    assert facts(tiff(description="   ")).metadata == Metadata()
    assert facts(tiff(extratags=[(36867, 2, 0, "0000:00:00 00:00:00", True)])).metadata.captured is None


@pytest.mark.parametrize(
    ("resolution", "unit", "ppi"),
    [
        ((360, 360), "inch", 360.0),
        ((1417323, 10000), "centimeter", None),
        ((0, 0), "inch", None),
        ((300, 300), "none", None),
    ],
)
def test_tiff_resolution(resolution: tuple[int, int], unit: str, ppi: float | None) -> None:
    """Tags 282 and 296 in inches or centimetres give ppi; zero and unitless give none (TIFF 6.0)."""
    if unit == "centimeter":
        found = facts(tiff(resolution=((1417323, 10000), (1417323, 10000)), resolutionunit=unit)).ppi
        assert found == pytest.approx(360, abs=1e-3)
        return
    assert facts(tiff(resolution=resolution, resolutionunit=unit)).ppi == ppi


def test_missing_and_absurd_resolution() -> None:
    """No tag, a zero denominator, and more than 100,000 ppi all mean: unknown."""
    plain = tiff(resolution=(300, 300), resolutionunit="inch")
    assert facts(plain).ppi == 300
    # tifffile writes 282 and 283 as 300/1
    assert facts(plain.replace(struct.pack("<II", 300, 1), struct.pack("<II", 300, 0))).ppi is None
    assert facts(plain.replace(struct.pack("<II", 300, 1), struct.pack("<II", 2**32 - 1, 1))).ppi is None
    assert facts(pillow("PNG")).ppi is None


def test_jpeg_and_png_resolution() -> None:
    """JFIF density (inch or cm), EXIF resolution and PNG pixels per metre give ppi."""
    photo = pillow("JPEG", dpi=(240, 240))
    assert facts(photo).ppi == 240
    at = photo.index(b"JFIF\0") + 7
    assert facts(photo[:at] + b"\2" + struct.pack(">H", 100) + photo[at + 3 :]).ppi == pytest.approx(254)
    exif = Image.Exif()
    exif.update({282: 200.0, 296: 2})
    unitless = pillow("JPEG", exif=exif.tobytes())
    at = unitless.index(b"JFIF\0") + 7
    assert facts(unitless[:at] + b"\0\0\1\0\1" + unitless[at + 5 :]).ppi == 200
    assert facts(pillow("PNG", dpi=(300, 300))).ppi == 300


def _exif_space(space: int, index: str | None = None) -> bytes:
    exif = Image.Exif()
    exif[34665] = {40961: space, **({40965: {1: index}} if index else {})}
    return exif.tobytes()


def test_declared_spaces() -> None:
    """EXIF ColorSpace 1 and PNG's sRGB chunk declare sRGB; the DCF index R03 declares the wider space."""
    for kind in ("JPEG", "PNG"):
        assert facts(pillow(kind, exif=_exif_space(1))).declared_space == "srgb"
        assert facts(pillow(kind, exif=_exif_space(65535, "R03"))).declared_space == "adobe-rgb"
        assert facts(pillow(kind, exif=_exif_space(65535))).declared_space is None
        assert facts(pillow(kind)).declared_space is None
    assert facts(pillow("TIFF", exif=_exif_space(1))).declared_space == "srgb"
    assert facts(with_chunk(b"sRGB", b"\0")).declared_space == "srgb"
    assert facts(with_chunk(b"cICP", b"\1\x0d\0\1")).declared_space == "srgb"
    assert facts(with_chunk(b"cICP", b"\x0c\x0d\0\1")).declared_space is None


def with_chunk(name: bytes, data: bytes) -> bytes:
    """Put a chunk behind a PNG's header."""
    plain = pillow("PNG")
    chunk = struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data))
    return plain[:33] + chunk + plain[33:]


def profile_segments(*parts: tuple[int, int, bytes]) -> bytes:
    """Put profile segments (number, total, bytes) into a JPEG (ICC.1 annex B.4)."""
    photo = pillow("JPEG")
    body = b""
    for number, total, part in parts:
        payload = b"ICC_PROFILE\0" + bytes([number, total]) + part
        body += b"\xff\xe2" + struct.pack(">H", len(payload) + 2) + payload
    return photo[:2] + body + photo[2:]


def test_jpeg_profiles_in_parts() -> None:
    """Parts are joined in the order of their numbers; a chain that is not whole is b'', no profile is None."""
    assert opened(profile_segments((2, 3, b"de"), (1, 3, b"abc"), (3, 3, b"f"))).icc == b"abcdef"
    assert opened(profile_segments((1, 2, b"abc"))).icc == b""
    assert opened(profile_segments((1, 2, b"abc"), (1, 2, b"abc"))).icc == b""
    assert opened(profile_segments((1, 2, b"abc"), (2, 3, b"abc"))).icc == b""
    assert opened(profile_segments((0, 0, b"abc"))).icc == b""
    assert opened(profile_segments()).icc is None


def test_profiles_of_every_container() -> None:
    """The profile's bytes are given unchanged; one that is too long or broken is b''."""
    profile = bytes(np.random.default_rng(3).integers(0, 256, 70_000, dtype=np.uint8))
    for data in (tiff(iccprofile=profile), *(pillow(kind, icc_profile=profile) for kind in ("JPEG", "PNG"))):
        assert opened(data).icc == profile
        assert opened(data, Bounds(icc_bytes=69_999)).icc == b""
    assert opened(with_chunk(b"iCCP", b"name\0\0" + zlib.compress(profile)[:-200])).icc == b""
    bomb = b"name\0\0" + zlib.compress(bytes(50_000_000))
    assert opened(with_chunk(b"iCCP", bomb)).icc == b""
    assert opened(tiff()).icc is None


def test_exiftool_agrees(tmp_path: Path) -> None:
    """exiftool reads from our samples what we read (an independent parser)."""
    if shutil.which("exiftool") is None:
        required = os.environ.get("PRINTQUEUE_REQUIRE_TOOLS") == "1"
        (pytest.fail if required else pytest.skip)("exiftool is not installed")
    path = tmp_path / "harbour.jpg"
    path.write_bytes(pillow("JPEG", quality=80))
    write = ["-XMP-dc:Title=Harbour", "-IPTC:By-line=Sixth Hand", "-EXIF:Copyright=Kept", "-IPTC:Caption-Abstract=Ebb"]
    command = ["exiftool", "-q", "-overwrite_original", *write, "-EXIF:DateTimeOriginal=2024:02:29 08:00:00", str(path)]
    subprocess.run(command, check=True, timeout=30)
    expected = Metadata("Harbour", "Sixth Hand", "Kept", "Ebb", "2024:02:29 08:00:00")
    assert facts(path.read_bytes()).metadata == expected
    path = tmp_path / "harbour.tif"
    path.write_bytes(tiff())
    subprocess.run([*command[:-1], str(path)], check=True, timeout=30)
    assert facts(path.read_bytes()).metadata == expected
