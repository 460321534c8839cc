"""Pictures in memory and their prints, for tests of rendering; imports nothing but the product, so that it runs anywhere."""

from __future__ import annotations

import struct
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from printqueue.core.model.paper import Intent
from printqueue.core.model.picture import PictureFacts
from printqueue.core.model.request import Border, Request, Sharpening
from printqueue.core.units import MM_PER_INCH, Size
from printqueue.imaging.colour.icc import read_profile
from printqueue.imaging.render.engine import Renderer, renderer
from printqueue.imaging.render.marks import InkMark
from printqueue.imaging.render.plan import place
from printqueue.imaging.render.sheet import sheet_of
from printqueue.imaging.source import Samples

Codes = NDArray[np.uint16]
PROFILES = Path(__file__).parents[3] / "printqueue/rules/profiles"
PPI = 100


@dataclass(frozen=True)
class Fake:
    """A picture in memory that behaves as an opened file does: bands of rows, in its own bits."""

    pixels: Samples
    icc: bytes | None = None

    @property
    def facts(self) -> PictureFacts:
        """Its header."""
        height, width, channels = self.pixels.shape
        bits: Literal[8, 16] = 8 if self.pixels.dtype == np.uint8 else 16
        return PictureFacts("TIFF", width, height, bits, "grey" if channels == 1 else "rgb")

    def rows(self, start: int, stop: int) -> Samples:
        """Rows, never beyond the picture: a reader of files would fail there."""
        assert 0 <= start < stop <= self.pixels.shape[0]
        return self.pixels[start:stop]

    def transparent(self) -> bool:
        """It is opaque."""
        return False


def job(
    pixels: Samples,
    source: bytes,
    paper: bytes,
    *,
    scale: float = 1.0,
    lift_stops: float = 0.0,
    intent: Intent = Intent.RELATIVE,
    border_mm: float = 10.0,
    sharpen: Sharpening | None = None,
) -> Renderer:
    """A print whose picture has exactly the source's pixels times `scale`, between borders of `border_mm`."""
    height, width = (round(n * scale) for n in pixels.shape[:2])
    picture = Size("", width / PPI * MM_PER_INCH, height / PPI * MM_PER_INCH)
    sheet = Size("custom", picture.width_mm + 2 * border_mm, picture.height_mm + 2 * border_mm)
    request = Request(
        "test", sheet, picture=picture, border=Border(), ppi=PPI, lift_stops=lift_stops, intent=intent, sharpen=sharpen
    )
    fake: Any = Fake(pixels, source)
    placement = place(request, pixels.shape[1], pixels.shape[0])
    assert placement.picture_px == (width, height)
    return renderer(fake, source, read_profile(source), paper_profile=paper, request=request, placement=placement)


def whole_sheet(drawn: Renderer, marks: tuple[InkMark, ...] = ()) -> Codes:
    """All pixels of the print file."""
    return np.concatenate(list(sheet_of(drawn, marks).file_bands(lambda band: band)))


def picture_of(drawn: Renderer) -> Codes:
    """The picture cut out of the sheet."""
    place = drawn.placement
    width, height = place.picture_px
    return whole_sheet(drawn)[place.top_px : place.top_px + height, place.left_px : place.left_px + width]


def seeded(height: int, width: int) -> Codes:
    """Seeded 16-bit colours, with the corners of the cube among them."""
    pixels = np.random.default_rng(31).integers(0, 65536, (height, width, 3)).astype(np.uint16)
    corners = np.stack(np.meshgrid(*[[0, 65535]] * 3, indexing="ij"), -1).reshape(8, 3)
    pixels[0, :8] = corners
    return pixels


def grey_gamma(gamma: float) -> bytes:
    """A grey display profile of one gamma, laid out by ICC.1 and by nothing of ours."""
    white = b"XYZ \0\0\0\0" + struct.pack(">3I", 0xF6D6, 0x10000, 0xD32D)
    curve = b"curv\0\0\0\0" + struct.pack(">IHH", 1, round(gamma * 256), 0)
    table = struct.pack(">I4sII4sII", 2, b"wtpt", 156, 20, b"kTRC", 176, 16)
    head = struct.pack(
        ">I4xI4s4s4s12x4s28x3I", 192, 0x04400000, b"mntr", b"GRAY", b"XYZ ", b"acsp", 0xF6D6, 0x10000, 0xD32D
    )
    return head.ljust(128, b"\0") + table + white + curve
