"""What the sample that is computed again would notice: prints made otherwise than asked, file by file."""

from __future__ import annotations

import io
from dataclasses import replace
from typing import Any, BinaryIO

import numpy as np
import pytest

from printqueue.core.errors import OwnError
from printqueue.core.model.paper import Intent
from printqueue.core.model.picture import Metadata
from printqueue.imaging.colour import spaces
from printqueue.imaging.colour.curves import channel_curves
from printqueue.imaging.colour.icc import read_profile
from printqueue.imaging.jobs import Provenance, Verified
from printqueue.imaging.outputs.print_tiff import encode_band, write
from printqueue.imaging.render.engine import Renderer
from printqueue.imaging.render.light import light_of
from printqueue.imaging.render.marks import InkMark
from printqueue.imaging.render.recompute import recomputed
from printqueue.imaging.render.sheet import Sheet, sheet_of
from printqueue.imaging.render.verify import verify
from tests.imaging.render.support import PROFILES, job

SRGB = spaces.profile_bytes("srgb")
PAPER = (PROFILES / "smooth-rag.icc").read_bytes()
PROVENANCE = Provenance("0" * 64, "1" * 64, "smooth-rag", "2" * 64, "A profile", "", "")


def scene(rows: int = 260, columns: int = 330) -> Any:
    """A picture with soft forms, grain and colours, seeded."""
    y, x = np.mgrid[0:rows, 0:columns]
    random = np.random.default_rng(7)
    planes = [30000 + 20000 * np.sin(x / (9 + 5 * i)) * np.cos(y / (13 - 3 * i)) for i in range(3)]
    return (np.stack(planes, -1) + random.normal(0, 800, (rows, columns, 3))).clip(0, 65535).astype(np.uint16)


def file_of(drawn: Renderer, profile: bytes | None = None, marks: tuple[InkMark, ...] = ()) -> io.BytesIO:
    """Its print file, with its own paper's profile or another."""
    return written(sheet_of(drawn, marks), profile=profile)


def written(sheet: Sheet, scratch: BinaryIO | None = None, profile: bytes | None = None) -> io.BytesIO:
    """The print file of a sheet."""
    stream = io.BytesIO()
    write(
        stream,
        sheet.file_bands(encode_band, scratch),
        size_px=sheet.file_px,
        ppi=sheet.ppi,
        profile=profile or sheet.paper_profile,
        provenance=PROVENANCE,
        metadata=Metadata(),
    )
    return stream


def verified(made: Renderer, asked: Renderer) -> Verified:
    """The file that `made` writes, held against what was asked for."""
    return verify(file_of(made), sheet_of(asked))


@pytest.mark.parametrize("scale", [0.6, 1.0, 1.8])
@pytest.mark.parametrize("lift", [0.0, 1 / 3])
def test_a_right_print_passes(scale: float, lift: float) -> None:
    """About 1,000 pixels are compared, and the two ways agree to a small part of what an eye can see."""
    drawn = job(scene(), SRGB, PAPER, scale=scale, lift_stops=lift)
    found = verified(drawn, drawn)
    assert 950 <= found.pixels <= 1000
    assert found.mean < 0.08
    assert found.worst < 1.0


def grey_profile() -> bytes:
    """A grey display profile of gamma 2.2 (ICC.1:2022 8.3.5), written by hand."""
    curve = b"curv" + bytes(4) + (1).to_bytes(4, "big") + (563).to_bytes(2, "big") + bytes(2)
    white = b"XYZ " + bytes(4) + bytes.fromhex("0000f6d6000100000000d32d")
    text = b"text" + bytes(4) + b"none\0" + bytes(3)
    desc = b"desc" + bytes(4) + (5).to_bytes(4, "big") + b"grey\0" + bytes(78)
    desc += bytes(-len(desc) % 4)
    parts = [(b"desc", desc), (b"cprt", text), (b"wtpt", white), (b"kTRC", curve)]
    table, body, at = len(parts).to_bytes(4, "big"), b"", 132 + 12 * len(parts)
    for name, data in parts:
        table += name + (at + len(body)).to_bytes(4, "big") + len(data).to_bytes(4, "big")
        body += data
    header = bytearray(128)
    header[0:4] = (128 + len(table) + len(body)).to_bytes(4, "big")
    header[8:12] = bytes.fromhex("02400000")
    header[12:24] = b"mntrGRAYXYZ "
    header[36:40] = b"acsp"
    header[68:80] = bytes.fromhex("0000f6d6000100000000d32d")
    return bytes(header) + table + body


@pytest.mark.parametrize("scale", [0.7, 1.6])
def test_grey_and_8_bit_pictures_pass(scale: float) -> None:
    """One channel; codes of 8 bit."""
    eight = job((scene() >> 8).astype(np.uint8), SRGB, PAPER, scale=scale)
    grey = job(np.ascontiguousarray(scene()[..., :1]), grey_profile(), PAPER, scale=scale, lift_stops=0.25)
    for drawn in (eight, grey):
        assert verified(drawn, drawn).worst < 1.0


OTHERWISE: dict[str, dict[str, Any]] = {
    "a sixth of a stop more": {"lift_stops": 1 / 6},
    "absolute intent": {"intent": Intent.ABSOLUTE},
    "perceptual intent": {"intent": Intent.PERCEPTUAL},
    "no black point compensation": {"black_point_compensation": False},
}


@pytest.mark.parametrize("changes", OTHERWISE.values(), ids=OTHERWISE.keys())
def test_another_request_is_noticed(changes: dict[str, Any]) -> None:
    """A print made by other settings than those asked for never passes."""
    asked = job(scene(), SRGB, PAPER, scale=0.7)
    request = replace(asked.request, **changes)
    light = light_of(channel_curves(SRGB, read_profile(SRGB)), lift_stops=request.lift_stops, linear=True)
    with pytest.raises(OwnError, match="differ from those computed again"):
        verified(replace(asked, request=request, light=light), asked)


def test_another_profile_or_space_is_noticed() -> None:
    """The pixels of another paper under this one's profile, and a picture read in another space."""
    asked = job(scene(), SRGB, PAPER, scale=0.7)
    textured = (PROFILES / "textured-rag.icc").read_bytes()
    for made in (
        replace(asked, paper_profile=textured),
        replace(asked, source_profile=spaces.profile_bytes("adobe-rgb")),
    ):
        with pytest.raises(OwnError, match="differ"):
            verify(file_of(made, profile=PAPER), sheet_of(asked))


def test_shrinking_in_the_wrong_light_is_noticed() -> None:
    """Averaged as codes instead of as light: fine bright rigging would lose its light."""
    fine = scene()
    fine[:, ::2] //= 4
    asked = job(fine, SRGB, PAPER, scale=0.5)
    made = replace(asked, light=light_of(channel_curves(SRGB, read_profile(SRGB)), lift_stops=0, linear=False))
    with pytest.raises(OwnError, match="differ"):
        verified(made, asked)


def test_marks_are_expected_where_they_are_and_nowhere_else() -> None:
    """A line in the border that was asked for passes; the same line without being asked for does not."""
    drawn = job(scene(), SRGB, PAPER)
    marks = (InkMark(3, 5, np.full((2, 60), 255, np.uint8), (0, 0, 0)),)
    assert verify(file_of(drawn, marks=marks), sheet_of(drawn, marks)).pixels > 900
    with pytest.raises(OwnError, match="border"):
        verify(file_of(drawn, marks=marks), sheet_of(drawn))
    with pytest.raises(OwnError, match="border"):
        verify(file_of(drawn), sheet_of(drawn, marks))


def turned_job() -> Renderer:
    """A print whose pixels lie turned in the file."""
    drawn = job(scene(), SRGB, PAPER, scale=1.8)
    return replace(drawn, placement=replace(drawn.placement, turned=True))


def test_a_turned_print_passes_and_is_the_upright_one(tmp_path: Any) -> None:
    """Its rows are the upright sheet's columns, foot first: a quarter turn clockwise; the sample covers it too."""
    sheet = sheet_of(turned_job())
    with (tmp_path / "scratch").open("w+b") as scratch:
        file = np.concatenate(list(sheet.file_bands(lambda band: band, scratch)))
    np.testing.assert_array_equal(file, np.rot90(sheet.band(0, sheet.size_px[1]), -1))
    with (tmp_path / "scratch").open("w+b") as scratch:
        stream = written(sheet, scratch)
    assert verify(stream, sheet).pixels > 900
    with pytest.raises(OwnError):
        verify(stream, replace(sheet, turned=False))


def test_recomputing_uses_the_picture_not_the_print() -> None:
    """Another master gives other pixels at the same places."""
    one, two = job(scene(), SRGB, PAPER, scale=0.7), job(scene()[::-1].copy(), SRGB, PAPER, scale=0.7)
    columns = list(range(0, 200, 9))
    assert (recomputed(one, [40], columns) != recomputed(two, [40], columns)).mean() > 0.9
