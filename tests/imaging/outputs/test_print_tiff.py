"""The print file through three parsers that are not ours, its bytes twice, and what our own distrust catches."""

from __future__ import annotations

import hashlib
import io
import json
import os
import shutil
import struct
import subprocess
from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

import numpy as np
import pytest
import tifffile
from numpy.typing import NDArray

from printqueue.core.errors import OwnError
from printqueue.core.model.picture import Metadata, PictureFacts
from printqueue.core.model.request import Border, Request
from printqueue.core.units import Size
from printqueue.imaging.colour import spaces
from printqueue.imaging.colour.icc import read_profile
from printqueue.imaging.jobs import Provenance
from printqueue.imaging.outputs import print_tiff
from printqueue.imaging.outputs.print_tiff import NAMESPACE, encode_band, read_provenance, write, xmp_packet
from printqueue.imaging.render import sheet
from printqueue.imaging.render.bands import SHEET_ROWS
from printqueue.imaging.render.engine import Renderer, renderer
from printqueue.imaging.render.plan import place
from printqueue.imaging.render.sheet import sheet_of
from printqueue.imaging.render.verify import verify

Codes = NDArray[np.uint16]
PAPER = (Path(__file__).parents[3] / "printqueue/rules/profiles/smooth-rag.icc").read_bytes()
RECIPE, MASTER = "0123456789abcdef" * 4, "fedcba9876543210" * 4
PROVENANCE = Provenance(
    recipe=RECIPE,
    master_sha256=MASTER,
    paper="Smooth cotton, cool white",
    profile_sha256="ab" * 32,
    profile_name="DEMONSTRATION smooth rag",
    settings="relative, black point compensation, +1/3 stop",
    versions="printqueue 1, numpy 2",
)
TEXTS = Metadata(
    title='Slipway, "low tide" <& fog>',
    creator="The mill's studio – Ærø",
    rights="© all rights reserved",
    description="Kelp & nets",
    captured="2026:03:04 05:06:07",
)


@dataclass(frozen=True)
class Fake:
    """A seeded picture of 210 × 150 pixels in memory."""

    icc: bytes | None = None

    @property
    def facts(self) -> PictureFacts:
        """Its header."""
        return PictureFacts("TIFF", 210, 150, 16, "rgb", metadata=TEXTS)

    def rows(self, start: int, stop: int) -> Codes:
        """Seeded noise over a ramp."""
        noise = np.random.default_rng(41).integers(0, 20000, (150, 210, 3))
        return np.asarray(noise + np.linspace(0, 45000, 150)[:, None, None], np.uint16)[start:stop]

    def transparent(self) -> bool:
        """It is opaque."""
        return False


def drawn_job(paper: bytes = PAPER, ppi: int = 360) -> Renderer:
    """A print of 420 × 300 px inside 40 px of border at 360 ppi, more than one band tall."""
    source = spaces.profile_bytes("adobe-rgb")
    inches = (500 / 360 * 25.4, 380 / 360 * 25.4)
    request = Request("smooth-rag", Size("custom", *inches), ppi=ppi, border=Border(width_mm=40 / 360 * 25.4))
    fake: Any = Fake()
    return renderer(
        fake, source, read_profile(source), paper_profile=paper, request=request, placement=place(request, 210, 150)
    )


def print_file(drawn: Renderer, metadata: Metadata = TEXTS, profile: bytes = PAPER) -> bytes:
    """The print file of a job."""
    stream = io.BytesIO()
    write(
        stream,
        sheet_of(drawn).file_bands(encode_band),
        size_px=drawn.placement.file_px,
        ppi=drawn.placement.ppi,
        profile=profile,
        provenance=PROVENANCE,
        metadata=metadata,
    )
    return stream.getvalue()


DRAWN = drawn_job()
DATA = print_file(DRAWN)
SHEET = sheet_of(DRAWN).band(0, DRAWN.placement.sheet_px[1])
WIDTH, HEIGHT = DRAWN.placement.sheet_px


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """The print file on disk."""
    file = tmp_path / "print.tif"
    file.write_bytes(DATA)
    return file


def run(name: str, package: str, *arguments: object) -> bytes:
    """Standard output of a Debian tool that must succeed; without it the test skips, or fails where required."""
    tool = shutil.which(name)
    if tool is None:
        reason = f"{name} is not installed (Debian package {package})"
        (pytest.fail if os.environ.get("PRINTQUEUE_REQUIRE_TOOLS") == "1" else pytest.skip)(reason)
    done = subprocess.run([tool, *map(str, arguments)], capture_output=True, timeout=60, check=False)
    assert done.returncode == 0, done.stderr
    assert not done.stderr, done.stderr
    return done.stdout


def test_the_job_is_worth_testing() -> None:
    """The sheet has more than one band and strip, a border on all sides and a picture inside."""
    assert (WIDTH, HEIGHT) == (500, 380)
    assert DRAWN.placement.picture_px == (420, 300)
    assert HEIGHT > SHEET_ROWS > print_tiff.ROWS_PER_STRIP
    assert (SHEET[40:340, 40:460] < 65535).any(axis=-1).mean() > 0.9


def test_tifffile_reads_it() -> None:
    """By tifffile: one page of 16-bit RGB, LZW with predictor, 360/1 ppi exactly, all samples as rendered."""
    with tifffile.TiffFile(io.BytesIO(DATA)) as tiff:
        assert len(tiff.pages) == 1
        page = tiff.pages.first
        assert page.bitspersample == 16
        assert (page.compression, page.predictor, page.photometric) == (5, 2, 2)
        assert page.planarconfig == 1
        assert (page.tags[282].value, page.tags[283].value, page.tags[296].value) == ((360, 1), (360, 1), 2)
        assert page.tags[34675].value == PAPER
        assert page.tags[305].value == "printqueue"
        assert 274 not in page.tags or page.tags[274].value == 1
        np.testing.assert_array_equal(page.asarray(), SHEET)


def test_only_the_tags_that_are_meant() -> None:
    """No DateTime, no GPS, no Exif, no IPTC, no thumbnail: what the file holds is a closed list."""
    meant = {
        254,
        256,
        257,
        258,
        259,
        262,
        270,
        273,
        277,
        278,
        279,
        282,
        283,
        284,
        296,
        305,
        315,
        317,
        339,
        700,
        33432,
        34675,
    }
    with tifffile.TiffFile(io.BytesIO(DATA)) as tiff:
        assert {tag.code for tag in tiff.pages.first.tags} <= meant


def test_libtiff_reads_it(path: Path) -> None:
    """By `tiffinfo -D`, which decodes every strip: size, depth, resolution, compression; no warning, no error."""
    said = run("tiffinfo", "libtiff-tools", "-D", path).decode("utf-8")
    for line in (
        f"Image Width: {WIDTH} Image Length: {HEIGHT}",
        "Resolution: 360, 360 pixels/inch",
        "Bits/Sample: 16",
        "Compression Scheme: LZW",
        "Photometric Interpretation: RGB color",
        "Samples/Pixel: 3",
        "Predictor: horizontal differencing 2",
        f"ICC Profile: <present>, {len(PAPER)} bytes",
    ):
        assert line in said


def exiftool(path: Path, *arguments: str) -> dict[str, Any]:
    """Tags by exiftool's own parser, numbers raw."""
    found: list[dict[str, Any]] = json.loads(
        run("exiftool", "libimage-exiftool-perl", "-j", "-n", "-G1", *arguments, path)
    )
    return found[0]


def test_exiftool_reads_it(path: Path) -> None:
    """By exiftool: the same size, depth and resolution, the texts of the master, and no tag of time or place."""
    tags = exiftool(path)
    assert (tags["IFD0:ImageWidth"], tags["IFD0:ImageHeight"]) == (WIDTH, HEIGHT)
    assert tags["IFD0:BitsPerSample"] == "16 16 16"
    assert (tags["IFD0:XResolution"], tags["IFD0:YResolution"], tags["IFD0:ResolutionUnit"]) == (360, 360, 2)
    assert (tags["IFD0:Compression"], tags["IFD0:PhotometricInterpretation"]) == (5, 2)
    assert tags["IFD0:ImageDescription"] == PROVENANCE.sentence
    assert tags["IFD0:Artist"] == TEXTS.creator
    assert tags["IFD0:Copyright"] == TEXTS.rights
    assert not [name for name in tags if "GPS" in name or name.startswith(("ExifIFD", "IPTC"))]
    dates = {name: tags[name] for name in tags if "Date" in name and not name.startswith(("System", "ICC"))}
    assert dates == {"XMP-exif:DateTimeOriginal": TEXTS.captured}, "the master's own capture date, no other clock"


def test_exiftool_reads_the_xmp(path: Path) -> None:
    """Dublin Core of the master and our provenance come out of the XMP as they went in."""
    tags = exiftool(path, "-XMP:all")
    assert tags["XMP-dc:Title"] == TEXTS.title
    assert tags["XMP-dc:Creator"] == TEXTS.creator
    assert tags["XMP-dc:Rights"] == TEXTS.rights
    assert tags["XMP-dc:Description"] == TEXTS.description
    assert tags["XMP-pq:Recipe"] == RECIPE
    assert tags["XMP-pq:MasterSHA256"] == MASTER
    assert tags["XMP-pq:Paper"] == PROVENANCE.paper


def test_the_profile_comes_out_byte_for_byte(path: Path) -> None:
    """`exiftool -icc_profile -b` gives back the paper's profile."""
    assert run("exiftool", "libimage-exiftool-perl", "-icc_profile", "-b", path) == PAPER


def test_exiftool_has_no_complaint(path: Path) -> None:
    """Validation finds no error in the structure; its one remark would be about a tag that is not baseline."""
    tags = exiftool(path, "-validate", "-warning", "-error", "-a")
    assert not [name for name in tags if name.endswith("Error")]
    assert str(tags["ExifTool:Validate"]).split()[0] == "0", tags


def test_imagemagick_reads_it(path: Path) -> None:
    """By ImageMagick: size, 16 bit, 360 per inch without a warning, and single 16-bit pixels exactly."""
    form = "%w %h %[bit-depth] %x %y %U"
    said = run("identify-im6.q16", "imagemagick", "-regard-warnings", "-format", form, path).decode()
    assert said.split() == [str(WIDTH), str(HEIGHT), "16", "360", "360", "PixelsPerInch"]
    for x, y in ((0, 0), (40, 40), (250, 200), (459, 339), (460, 340)):
        text = run("convert-im6.q16", "imagemagick", f"{path}[1x1+{x}+{y}]", "-depth", "16", "txt:-").decode()
        numbers = text.splitlines()[1].split("(")[1].split(")")[0].split(",")
        assert [int(n) for n in numbers[:3]] == SHEET[y, x].tolist()


def test_libtiff_sees_the_same_pixels(path: Path, tmp_path: Path) -> None:
    """`tiffcmp` finds no sample that differs from the rendered sheet written uncompressed by tifffile."""
    plain = tmp_path / "plain.tif"
    tifffile.imwrite(plain, SHEET, photometric="rgb", compression=None, metadata=None)
    said = run("tiffcmp", "libtiff-tools", "-t", path, plain).decode()
    assert not [line for line in said.splitlines() if "pixel" in line.lower()]
    altered = SHEET.copy()
    altered[200, 250, 1] ^= 1
    tifffile.imwrite(plain, altered, photometric="rgb", compression=None, metadata=None)
    tool = shutil.which("tiffcmp") or ""
    assert subprocess.run([tool, "-t", path, plain], capture_output=True, timeout=60, check=False).returncode == 1


def test_the_pixels_hash_is_what_another_program_computes(path: Path) -> None:
    """SHA-256 of ImageMagick's raw samples (RGB, 16 bit, least significant byte first) is the one in the provenance."""
    raw = run("convert-im6.q16", "imagemagick", path, "-depth", "16", "-endian", "LSB", "rgb:-")
    with tifffile.TiffFile(path) as tiff:
        packet = bytes(tiff.pages.first.tags[700].value)
    root = ET.fromstring(packet)
    assert root.findtext(f".//{{{NAMESPACE}}}pixelsSHA256") == hashlib.sha256(raw).hexdigest()
    assert raw == SHEET.astype("<u2").tobytes()


def test_another_container_keeps_the_pixels_hash() -> None:
    """Other texts make another file of the same picture; another picture has another hash."""
    assert pixels_hash(print_file(DRAWN, Metadata())) == pixels_hash(DATA)
    assert print_file(DRAWN, Metadata()) != DATA
    changed = SHEET.copy()
    changed[200, 250, 1] ^= 1
    assert pixels_hash(rewritten(changed)) != pixels_hash(DATA)


def pixels_hash(data: bytes) -> str:
    """As the provenance has it."""
    with tifffile.TiffFile(io.BytesIO(data)) as tiff:
        found = ET.fromstring(bytes(tiff.pages.first.tags[700].value)).findtext(f".//{{{NAMESPACE}}}pixelsSHA256")
    assert found is not None
    return found


@pytest.mark.parametrize("ppi", [240, 300, 360, 720])
def test_resolution_is_an_exact_fraction(ppi: int) -> None:
    """Any whole ppi is stored as that whole number of pixels per inch: no rounded fraction of a centimetre."""
    drawn = drawn_job(ppi=ppi)
    with tifffile.TiffFile(io.BytesIO(print_file(drawn))) as tiff:
        above, below = tiff.pages.first.tags[282].value
        assert Fraction(above, below) == ppi
        assert tiff.pages.first.shape[:2] == drawn.placement.sheet_px[::-1]


@pytest.mark.parametrize("threads", [1, 2, 3])
def test_the_same_print_has_the_same_bytes(threads: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Made again, in one thread or more, the file is the same to the byte."""
    monkeypatch.setattr(sheet, "THREADS", threads)
    assert print_file(drawn_job()) == DATA


def test_texts_are_optional() -> None:
    """A master without texts leaves their tags out, instead of empty ones."""
    with tifffile.TiffFile(io.BytesIO(print_file(DRAWN, Metadata()))) as tiff:
        tags = {tag.code for tag in tiff.pages.first.tags}
        packet = bytes(tiff.pages.first.tags[700].value)
    assert not tags & {315, 33432}
    assert b"<dc:" not in packet
    assert RECIPE.encode() in packet


@pytest.mark.parametrize(
    "text", ["]]> & <rdf:li>", "\x00\x1b[2J bell \x07", "lone \ud800 half", "𝔣og", "﻿\uffff end", "x" * 2000]
)
def test_xmp_is_well_formed_whatever_the_texts(text: str) -> None:
    """Any text gives XML that a strict parser reads, and what XML can hold of the text comes back."""
    packet = xmp_packet(PROVENANCE, Metadata(title=text, creator=text, rights=text, description=text))
    root = ET.fromstring(packet)
    found = [node.text or "" for node in root.iter("{http://www.w3.org/1999/02/22-rdf-syntax-ns#}li")]
    kept = "".join(
        c for c in text if c in "\t\n" or (c >= " " and not "\ud800" <= c <= "\udfff" and c not in "\ufffe\uffff")
    )
    assert found == [kept] * 4
    assert root.find(f".//{{{NAMESPACE}}}recipe") is not None


def test_description_is_ascii() -> None:
    """ImageDescription is 7-bit ASCII as TIFF 6.0 asks, whatever the paper is called."""
    assert Provenance("a" * 64, "b" * 64, "Kōzo 和紙", "c" * 64, "Ä", "", "").sentence.isascii()


def test_provenance_is_read_back() -> None:
    """The recipe and the master's hash of our own file are found again."""
    assert read_provenance(io.BytesIO(DATA)) == (RECIPE, MASTER)


def other_tiff(packet: bytes | None) -> bytes:
    """A small TIFF with this XMP, or none."""
    stream = io.BytesIO()
    extra = [] if packet is None else [(700, 1, None, packet, True)]
    tifffile.imwrite(stream, np.zeros((4, 4), np.uint8), metadata=None, extratags=extra)
    return stream.getvalue()


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"no TIFF at all",
        DATA[:60],
        other_tiff(None),
        other_tiff(b"<x/>"),
        other_tiff(b"<pq:recipe>" + b"0" * 64 + b"</pq:recipe>"),
        other_tiff(b"<pq:recipe>XYZ</pq:recipe><pq:masterSHA256>" + b"0" * 64 + b"</pq:masterSHA256>"),
        b"II*\0\x08\0\0\0" + struct.pack("<HHHII", 1, 700, 1, 0xFFFFFFFF, 8) + bytes(4),
    ],
)
def test_other_files_have_no_provenance(data: bytes) -> None:
    """Another file, a broken or a hostile one, is simply none of ours."""
    assert read_provenance(io.BytesIO(data)) is None


SMALL = other_tiff(xmp_packet(PROVENANCE, TEXTS))


@pytest.mark.parametrize("first", [0, 20, 40])
def test_damaged_headers_have_no_provenance_or_their_own(first: int) -> None:
    """A print file cut anywhere in its header, or with any of its bytes set to 0 or 255, never raises."""
    for at in range(first, first + 20):
        assert read_provenance(io.BytesIO(SMALL[:at])) is None
    for at in range(first * 6, first * 6 + 120):
        for value in (0, 255):
            damaged = SMALL[:at] + bytes([value]) + SMALL[at + 1 :]
            assert read_provenance(io.BytesIO(damaged)) in (None, (RECIPE, MASTER))


def check(data: bytes, drawn: Renderer = DRAWN) -> None:
    """Run our own verification."""
    verify(io.BytesIO(data), sheet_of(drawn))


def test_verification_passes_what_is_right() -> None:
    """The file as written is accepted."""
    check(DATA)


def rewritten(sheet: Codes, **changes: Any) -> bytes:
    """A print file with these pixels, otherwise as ours; `changes` go to the writer."""
    stream = io.BytesIO()
    bands = (encode_band(np.ascontiguousarray(sheet[i : i + 256])) for i in range(0, len(sheet), 256))
    options: dict[str, Any] = {"size_px": sheet.shape[1::-1], "ppi": 360, "profile": PAPER}
    write(stream, bands, provenance=PROVENANCE, metadata=TEXTS, **(options | changes))
    return stream.getvalue()


def edited(change: Callable[[Codes], None]) -> Codes:
    """The sheet with something done to it."""
    sheet = SHEET.copy()
    change(sheet)
    return sheet


def ink_in_the_border(sheet: Codes) -> None:
    """One sample in the border, 1 code below no ink."""
    sheet[190, 3, 1] = 65534


def one_wrong_pixel(sheet: Codes) -> None:
    """A single pixel of those that are computed again (row 15 of 300, column 2 of 420), a visible step away."""
    sheet[40 + 15, 40 + 2, 2] ^= 0x2000


def one_row_of_strips_twice(sheet: Codes) -> None:
    """64 rows of the picture written a second time in place of the next 64."""
    sheet[128:192] = sheet[64:128]


def one_code_in_a_hundred(sheet: Codes) -> None:
    """Everything a little lighter: 1 % of the codes."""
    sheet[40:340, 40:460] += ((65535 - sheet[40:340, 40:460]) // 100).astype(np.uint16)


def channels_swapped(sheet: Codes) -> None:
    """Red for blue."""
    sheet[40:340, 40:460] = sheet[40:340, 40:460, ::-1].copy()


def one_row_down(sheet: Codes) -> None:
    """The picture moved by a row."""
    sheet[:] = np.roll(sheet, 1, axis=0)


def one_column_across(sheet: Codes) -> None:
    """The picture moved by a pixel."""
    sheet[:] = np.roll(sheet, 1, axis=1)


def ink_above_the_picture(sheet: Codes) -> None:
    """A mark in the border over the head of the picture."""
    sheet[10, 250] = 0


def ink_below_the_picture(sheet: Codes) -> None:
    """A mark in the border under its foot."""
    sheet[-3, 250] = 0


def test_rewriting_alone_changes_nothing() -> None:
    """The helper of the tests below writes the very bytes of the print, so what they catch is their change."""
    assert rewritten(SHEET) == DATA


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (ink_in_the_border, "border"),
        (one_wrong_pixel, "pixels differ"),
        (one_row_of_strips_twice, "pixels differ"),
        (one_code_in_a_hundred, "pixels differ"),
        (channels_swapped, "pixels differ"),
        (one_row_down, "border|pixels differ"),
        (one_column_across, "border|pixels differ"),
        (ink_above_the_picture, "border"),
        (ink_below_the_picture, "border"),
    ],
)
def test_wrong_pixels_are_caught(change: Callable[[Codes], None], words: str) -> None:
    """Ink in the border, or other pixels than the plan's, never pass."""
    with pytest.raises(OwnError, match=words):
        check(rewritten(edited(change)))


@pytest.mark.parametrize(
    ("data", "words"),
    {
        "another ppi": (rewritten(SHEET, ppi=300), "360 ppi"),
        "another profile": (rewritten(SHEET, profile=spaces.profile_bytes("srgb")), "profile byte for byte"),
        "one bit of the profile": (
            rewritten(SHEET, profile=PAPER[:-1] + bytes([PAPER[-1] ^ 1])),
            "profile byte for byte",
        ),
        "a row short": (rewritten(SHEET[:-1]), "not 380 × 500"),
        "a column short": (rewritten(SHEET[:, :-1]), "not 380 × 500"),
    }.values(),
)
def test_wrong_headers_are_caught(data: bytes, words: str) -> None:
    """Another size, resolution or profile than the plan's never passes."""
    with pytest.raises(OwnError, match=words):
        check(data)


def test_eight_bits_are_caught() -> None:
    """A file of 8 bits is not the print, whatever its pixels."""
    stream = io.BytesIO()
    tifffile.imwrite(stream, (SHEET >> 8).astype(np.uint8), photometric="rgb", resolution=(360, 360), iccprofile=PAPER)
    with pytest.raises(OwnError, match="16 bit"):
        check(stream.getvalue())


@pytest.mark.parametrize("keep", [0, 7, 100, len(DATA) // 2, len(DATA) - 10])
def test_a_file_cut_short_is_caught(keep: int) -> None:
    """A print file without its end is never accepted, wherever it ends."""
    with pytest.raises(OwnError):
        check(DATA[:keep])
