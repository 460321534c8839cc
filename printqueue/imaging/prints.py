"""What a bounded child makes from an open picture for printing. Takes descriptors and values, no paths."""

from __future__ import annotations

import hashlib
import os
from dataclasses import dataclass, replace
from typing import BinaryIO

import numpy as np

from printqueue.core.errors import PictureError
from printqueue.core.model.paper import Intent
from printqueue.core.model.picture import Metadata
from printqueue.core.model.request import Placement, Request
from printqueue.imaging.colour import manager, spaces
from printqueue.imaging.colour.source_profile import SourceProfile, choose
from printqueue.imaging.jobs import PrintJob, Provenance, Verified
from printqueue.imaging.outputs import print_tiff
from printqueue.imaging.render.engine import Renderer, renderer
from printqueue.imaging.render.marks import InkMark, foot_line, hairline
from printqueue.imaging.render.plan import place
from printqueue.imaging.render.sheet import Sheet, sheet_of
from printqueue.imaging.render.verify import verify
from printqueue.imaging.source import Source

Ink = tuple[int, int, int]
_PIECE_BYTES = 1 << 20


@dataclass(frozen=True, slots=True)
class Printed:
    """A print file as written. `foot_line`: its words as set, "" if there are none.

    `sha256` is the file's, `pixels_sha256` that of its samples alone (`print_tiff.write`).
    """

    sha256: str
    pixels_sha256: str
    foot_line: str = ""


def drawn(source: Source, profile: SourceProfile, job: PrintJob, placement: Placement) -> Renderer:
    """Return the renderer for a print whose source has a usable profile."""
    assert profile.data is not None
    assert profile.facts is not None
    return renderer(
        source,
        profile.data,
        profile.facts,
        paper_profile=job.paper_profile,
        request=job.request,
        placement=placement,
    )


def usable_profile(source: Source, request: Request) -> SourceProfile:
    """Return the profile to read the picture through. Raises `PictureError` if there is none."""
    profile = choose(source.facts, source.icc, request.assume_profile)
    if profile.data is None:
        raise PictureError(
            "The picture has no usable colour profile, and none was assumed.",
            do="Export it again with its profile, or state it in the order (assume_profile: srgb).",
            check="profile",
        )
    return profile


def make_print(
    source: Source, job: PrintJob, provenance: Provenance, *, out: BinaryIO, scratch: BinaryIO | None
) -> Printed:
    """Write one print file. A turned print needs an empty `scratch` file."""
    sheet, said = _print_sheet(source, job, provenance)
    return Printed(*write(out, sheet, provenance, named(source, job.request), scratch=scratch), said)


def verify_print(source: Source, job: PrintJob, provenance: Provenance, written: BinaryIO) -> Verified:
    """Compare a print file with its plan and with recomputed pixels. Raises `OwnError`."""
    return verify(written, _print_sheet(source, job, provenance)[0])


def _print_sheet(source: Source, job: PrintJob, provenance: Provenance) -> tuple[Sheet, str]:
    """Return the sheet of a print, and its foot line as set."""
    placement = place(job.request, source.facts.width_px, source.facts.height_px)
    picture = drawn(source, usable_profile(source, job.request), job, placement)
    said, marks = _marks(source, job, placement, provenance.recipe)
    return sheet_of(picture, marks), said


def write(
    out: BinaryIO, sheet: Sheet, provenance: Provenance, metadata: Metadata, *, scratch: BinaryIO | None = None
) -> tuple[str, str]:
    """Write the sheet; return the hash of the file and that of its pixels alone."""
    pixels = print_tiff.write(
        out,
        sheet.file_bands(print_tiff.encode_band, scratch),
        size_px=sheet.file_px,
        ppi=sheet.ppi,
        profile=sheet.paper_profile,
        provenance=provenance,
        metadata=metadata,
    )
    out.flush()
    return _digest(out.fileno()), pixels


def _digest(descriptor: int) -> str:
    """SHA-256 of a whole file, leaving its file position alone."""
    found, at = hashlib.sha256(), 0
    while piece := os.pread(descriptor, _PIECE_BYTES, at):
        found.update(piece)
        at += len(piece)
    return found.hexdigest()


def named(source: Source, request: Request) -> Metadata:
    """The master's texts; the order's title takes precedence over the file's own."""
    metadata = source.facts.metadata
    return replace(metadata, title=request.title) if request.title else metadata


def _marks(source: Source, job: PrintJob, placement: Placement, recipe: str) -> tuple[str, tuple[InkMark, ...]]:
    """Return the foot line as set, and all marks in the border."""
    if not placement.hairline_px and placement.foot_line is None:
        return "", ()
    ink = line_ink(job)
    marks = hairline(placement, ink)
    if placement.foot_line is None:
        return "", marks
    title = named(source, job.request).title
    words = [title, job.request.maker, job.paper.name, recipe[:8]]
    said, mark = foot_line(placement.foot_line, " · ".join(word for word in words if word), ink)
    return said, marks if mark is None else (*marks, mark)


def line_ink(job: PrintJob) -> Ink:
    """Device RGB of the border's lines and letters: the grey of sRGB code 96, converted like a picture."""
    grey = np.full((1, 1, 3), 96 * 257, np.uint16)
    srgb = spaces.profile_bytes("srgb")
    red, green, blue = manager.to_paper_exact(
        grey, srgb, job.paper_profile, intent=Intent.RELATIVE, black_point_compensation=True
    )[0, 0].tolist()
    return red, green, blue
