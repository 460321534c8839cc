"""Random damage to small valid files: never anything but a picture or a `PictureError`, and always an end."""

from __future__ import annotations

import io
from contextlib import suppress
from typing import Any

import imagecodecs
import numpy as np
import pytest
import tifffile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from PIL import Image

from printqueue.core.errors import PictureError
from printqueue.imaging.decode import tiff_header
from printqueue.imaging.decode.opening import open_picture
from printqueue.imaging.decode.reader import Bounds, FileReader
from printqueue.imaging.decode.whole import empty_share, probe

BOUNDS = Bounds(pixels=1_000_000, samples_bytes=20_000_000, icc_bytes=100_000)
PIXELS = np.random.default_rng(1).integers(0, 65535, (24, 21, 3), dtype=np.uint16)
EXIF = Image.Exif()
EXIF.update({274: 6, 270: "marsh", 282: 300.0, 296: 2, 34665: {36867: "2026:05:04 10:11:12"}})
XMP = (
    b'<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">'
    b'<rdf:Description xmlns:dc="http://purl.org/dc/elements/1.1/"><dc:title><rdf:Alt><rdf:li xml:lang="x-default">'
    b"Kelp</rdf:li></rdf:Alt></dc:title></rdf:Description></rdf:RDF></x:xmpmeta>"
)


def _tiff(pixels: NDArray[Any] = PIXELS, **options: Any) -> bytes:
    made = io.BytesIO()
    tags = [(700, 7, len(XMP), XMP, True), (33723, 7, 10, b"\x1c\x02\x05\0\x05Kelps", True), (270, 2, 0, "fog", True)]
    tifffile.imwrite(
        made, pixels, photometric="rgb", metadata=None, iccprofile=b"x" * 300, extratags=tags,
        resolution=(300, 300), resolutionunit="inch", **options,
    )  # fmt: skip
    return made.getvalue()


def _pillow(kind: str, **options: Any) -> bytes:
    made = io.BytesIO()
    image = Image.fromarray((PIXELS >> 8).astype(np.uint8))
    image.save(made, kind, exif=EXIF.tobytes(), icc_profile=b"y" * 300, **options)
    return made.getvalue()


FILES = {
    "plain": _tiff(rowsperstrip=5),
    "LZW": _tiff(compression="lzw", predictor=2, rowsperstrip=5),
    "Deflate tiles": _tiff(compression="zlib", predictor=2, tile=(16, 16)),
    "PackBits, big-endian": _tiff(compression="packbits", byteorder=">"),
    "Zstandard, big": _tiff(compression="zstd", bigtiff=True),
    "JPEG tiles": _tiff((PIXELS >> 8).astype(np.uint8), compression="jpeg", tile=(16, 16)),
    "JPEG": _pillow("JPEG", xmp=XMP),
    "progressive": _pillow("JPEG", progressive=True),
    "PNG": _pillow("PNG", dpi=(300, 300)),
    "PNG 16": imagecodecs.png_encode(PIXELS),
}


def use(data: bytes) -> None:
    """All questions that a worker asks."""
    handle = io.BytesIO(data)
    for question in (probe, open_and_read, share_of_tail):
        with suppress(PictureError):
            question(handle, BOUNDS)


def share_of_tail(handle: io.BytesIO, bounds: Bounds) -> None:
    """The share of an empty tail is a share."""
    reader = FileReader(handle)
    entry = tiff_header.pages(reader, bounds)[0]
    assert 0 <= empty_share(reader, tiff_header.page(reader, entry, bounds)) <= 1


def open_and_read(handle: io.BytesIO, bounds: Bounds) -> None:
    """Read all rows; what is given has the promised shape."""
    source = open_picture(handle, bounds)
    facts = source.facts
    for top in range(0, facts.height_px, 7):
        stop = min(top + 7, facts.height_px)
        band = source.rows(top, stop)
        assert band.shape == (stop - top, facts.width_px, 3 if facts.colour == "rgb" else 1)
        assert band.dtype == (np.uint8 if facts.bits == 8 else np.uint16)
    assert source.transparent() in (True, False)


EDIT = st.tuples(st.floats(0, 1, exclude_max=True), st.integers(0, 255))


@pytest.mark.parametrize("name", FILES)
@settings(max_examples=60, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
@given(st.lists(EDIT, max_size=6), st.floats(0.05, 1), st.sampled_from(["all", "head", "tail"]))
def test_damage_is_always_a_picture_error(name: str, edits: list[tuple[float, int]], kept: float, where: str) -> None:
    """Changed bytes anywhere, in the first 300, or in the last 600 (directories), and any cut, end in order."""
    data = bytearray(FILES[name])
    start, stop = {"all": (0, len(data)), "head": (0, 300), "tail": (len(data) - 600, len(data))}[where]
    for place, value in edits:
        data[start + int(place * (stop - start))] = value
    use(bytes(data) if where == "head" else bytes(data[: int(len(data) * kept) + 1]))


@pytest.mark.parametrize("name", FILES)
def test_the_undamaged_files_read_well(name: str) -> None:
    """The files that are damaged above are good before."""
    open_and_read(io.BytesIO(FILES[name]), BOUNDS)
    probe(io.BytesIO(FILES[name]), BOUNDS)
