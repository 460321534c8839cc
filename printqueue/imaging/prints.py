"""What a bounded child makes of an open picture: a print, or a test strip. Descriptors and values in, no paths."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import BinaryIO

import numpy as np

from printqueue.core.errors import PictureError
from printqueue.core.model.paper import Intent
from printqueue.core.model.picture import Metadata
from printqueue.core.model.request import Placement, Request
from printqueue.core.units import MM_PER_INCH, pixels
from printqueue.imaging.colour import manager, spaces
from printqueue.imaging.colour.curves import channel_curves
from printqueue.imaging.colour.source_profile import SourceProfile, choose
from printqueue.imaging.jobs import Piece, PrintJob, Provenance, StripMade, StripWish, Verified
from printqueue.imaging.lettering import fitted, lettering, settable
from printqueue.imaging.outputs import print_tiff
from printqueue.imaging.reduce import block_means, block_size
from printqueue.imaging.render.engine import Renderer, renderer
from printqueue.imaging.render.light import light_of
from printqueue.imaging.render.marks import Mark, foot_line, hairline, text_mark
from printqueue.imaging.render.plan import DoesNotFitError, place
from printqueue.imaging.render.sheet import Cell, Sheet, sheet_of
from printqueue.imaging.render.strip_plan import (
    LETTER_MM,
    Part,
    StripPlan,
    Words,
    arrangements,
    part_of,
    shown_part,
    strip_plan,
)
from printqueue.imaging.render.verify import verify
from printqueue.imaging.source import Source
from printqueue.imaging.telling_part import telling_part

Ink = tuple[int, int, int]
_READ_ROWS = 512

_PIECE_BYTES = 1 << 20


@dataclass(frozen=True, slots=True)
class Printed:
    """A print file as it was written. `foot_line`: its words as they were set, "" where there are none.

    `sha256` is the file's, `pixels_sha256` that of its samples alone (`print_tiff.write`).
    """

    sha256: str
    pixels_sha256: str
    foot_line: str = ""


def drawn(source: Source, profile: SourceProfile, job: PrintJob, placement: Placement) -> Renderer:
    """The renderer of a print whose source has a usable profile."""
    assert profile.data is not None
    assert profile.facts is not None
    return renderer(source, profile.data, profile.facts, job.paper_profile, job.request, placement)


def _usable_profile(source: Source, request: Request) -> SourceProfile:
    profile = choose(source.facts, source.icc, request.assume_profile)
    if profile.data is None:
        raise PictureError(
            "The picture has no usable colour profile, and none was assumed.",
            do="Export it again with its profile, or state it in the order (assume_profile: srgb).",
            check="profile",
        )
    return profile


def make_print(
    source: Source, job: PrintJob, provenance: Provenance, out: BinaryIO, scratch: BinaryIO | None
) -> Printed:
    """Write one print file. A turned print needs an empty `scratch` file."""
    sheet, said = _print_sheet(source, job, provenance)
    return Printed(*_write(out, sheet, provenance, _named(source, job.request), scratch), said)


def verify_print(source: Source, job: PrintJob, provenance: Provenance, written: BinaryIO) -> Verified:
    """Compare a print file with its plan and with pixels computed again. Raises `OwnError`."""
    return verify(written, _print_sheet(source, job, provenance)[0])


def _print_sheet(source: Source, job: PrintJob, provenance: Provenance) -> tuple[Sheet, str]:
    """The sheet of a print, and its foot line as set."""
    placement = place(job.request, source.facts.width_px, source.facts.height_px)
    picture = drawn(source, _usable_profile(source, job.request), job, placement)
    said, marks = _marks(source, job, placement, provenance.recipe)
    return sheet_of(picture, marks), said


def _write(
    out: BinaryIO, sheet: Sheet, provenance: Provenance, metadata: Metadata, scratch: BinaryIO | None
) -> tuple[str, str]:
    """Write it and hash what was written: the file, and its pixels alone."""
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
    """SHA-256 of a file from its beginning, wherever others read in it."""
    found, at = hashlib.sha256(), 0
    while piece := os.pread(descriptor, _PIECE_BYTES, at):
        found.update(piece)
        at += len(piece)
    return found.hexdigest()


def _named(source: Source, request: Request) -> Metadata:
    """The master's texts; an order's title goes before the file's own."""
    metadata = source.facts.metadata
    return replace(metadata, title=request.title) if request.title else metadata


def _marks(source: Source, job: PrintJob, placement: Placement, recipe: str) -> tuple[str, tuple[Mark, ...]]:
    """The foot line's words as set, and everything in the border."""
    if not placement.hairline_px and placement.foot_line is None:
        return "", ()
    ink = _line_ink(job)
    marks = hairline(placement, ink)
    if placement.foot_line is None:
        return "", marks
    title = _named(source, job.request).title
    words = [title, job.request.maker, job.paper.name, recipe[:8]]
    said, mark = foot_line(placement.foot_line, " · ".join(word for word in words if word), ink)
    return said, marks if mark is None else (*marks, mark)


def _line_ink(job: PrintJob) -> Ink:
    """Device RGB of lines and letters in the border: the grey of sRGB code 96, converted as a picture would be."""
    grey = np.full((1, 1, 3), 96 * 257, np.uint16)
    srgb = spaces.profile_bytes("srgb")
    red, green, blue = manager.to_paper_exact(
        grey, srgb, job.paper_profile, intent=Intent.RELATIVE, black_point_compensation=True
    )[0, 0].tolist()
    return red, green, blue


def make_strip(source: Source, job: PrintJob, wish: StripWish, provenance: Provenance, out: BinaryIO) -> StripMade:
    """Write the sheet of a test strip and prove it. Raises `PictureError` where it cannot be laid out as asked."""
    facts = source.facts
    profile = _usable_profile(source, job.request)
    try:
        whole = place(replace(job.request, foot_line_mm=0.0, hairline_mm=0.0), facts.width_px, facts.height_px)
        asked = _asked_part(whole, wish)
        plan = _plan(whole, job, wish, asked)
    except DoesNotFitError as error:
        raise PictureError(error.says, do=error.do, check="size") from error
    part = asked or _most_telling(source, profile, whole, plan)
    shown = shown_part(whole, part)
    cells = tuple(
        Cell(left, top, drawn(source, profile, _as_piece(job, piece), shown))
        for piece, (left, top) in zip(wish.pieces, plan.corners_px, strict=True)
    )
    sheet = Sheet(plan.sheet_px, whole.ppi, job.paper_profile, cells, _words(plan, wish, _line_ink(job), whole.ppi))
    sha256, _ = _write(out, sheet, provenance, Metadata(title=_named(source, job.request).title), None)
    verified = verify(out, sheet)
    left, top, right, bottom = shown.crop_px
    return StripMade(
        plan.sheet.name,
        (plan.sheet.width_mm, plan.sheet.height_mm),
        (left, top, right - left, bottom - top),
        shown.picture_mm,
        whole.picture_mm,
        verified,
        sha256,
    )


def _as_piece(job: PrintJob, piece: Piece) -> PrintJob:
    return replace(job, request=replace(job.request, lift_stops=piece.lift_stops, intent=piece.intent))


def _asked_part(whole: Placement, wish: StripWish) -> Part | None:
    if wish.crop is None:
        return None
    if not wish.in_percent:
        return part_of(whole, wish.crop)
    left, top, right, bottom = whole.crop_px
    width, height = (right - left) / 100, (bottom - top) / 100
    x, y, across, down = wish.crop
    return part_of(whole, (left + x * width, top + y * height, across * width, down * height))


def _plan(whole: Placement, job: PrintJob, wish: StripWish, asked: Part | None) -> StripPlan:
    part_mm = None
    if asked is not None:
        part_mm = asked.width / whole.ppi * MM_PER_INCH, asked.height / whole.ppi * MM_PER_INCH
    return strip_plan(
        wish.stocked,
        arrangements(wish.columns, len(wish.pieces) // wish.columns),
        Words(len(wish.head), len(wish.labels[0]), len(wish.foot)),
        picture_mm=whole.picture_mm,
        part_mm=part_mm,
        ppi=whole.ppi,
        margin_mm=max(job.paper.margins.ends_mm, job.paper.margins.sides_mm),
        deckled=job.paper.deckled,
        pieces=len(wish.pieces),
    )


def _most_telling(source: Source, profile: SourceProfile, whole: Placement, plan: StripPlan) -> Part:
    """As large as a piece, where the tones go from deep to light."""
    assert profile.data is not None
    assert profile.facts is not None
    width, height = (min(a, b) for a, b in zip(plan.piece_px, whole.picture_px, strict=True))
    light = light_of(channel_curves(profile.data, profile.facts), lift_stops=0.0, linear=False)
    lightness = manager.to_lightness(light.codes(light.planes(_small(source, whole))), profile.data)
    left, top = telling_part(lightness, (width / whole.picture_px[0], height / whole.picture_px[1]))
    across, down = round(left * whole.picture_px[0]), round(top * whole.picture_px[1])
    return Part(min(across, whole.picture_px[0] - width), min(down, whole.picture_px[1] - height), width, height)


def _small(source: Source, whole: Placement) -> np.ndarray[tuple[int, ...], np.dtype[np.uint16]]:
    """A copy of about one megapixel of what is printed of the picture, (h, w, C)."""
    left, top, right, bottom = (round(edge) for edge in whole.crop_px)
    side = block_size(right - left, bottom - top)
    step = max(side, _READ_ROWS // side * side)
    starts: Sequence[int] = range(top, bottom, step)
    bands = [block_means(source.rows(start, min(start + step, bottom))[:, left:right], side) for start in starts]
    return np.concatenate(bands)


def _words(plan: StripPlan, wish: StripWish, ink: Ink, ppi: int) -> tuple[Mark, ...]:
    """All words of the strip; what is too long for its room is shortened."""
    height = pixels(LETTER_MM, ppi)
    lines = [
        (plan.text_left_px, baseline, plan.text_width_px, said)
        for baselines, words in ((plan.head_px, wish.head), (plan.foot_px, wish.foot))
        for baseline, said in zip(baselines, words, strict=True)
    ]
    lines += [
        (left, baseline, plan.piece_px[0], said)
        for (left, _), baselines, words in zip(plan.corners_px, plan.labels_px, wish.labels, strict=True)
        for baseline, said in zip(baselines, words, strict=True)
    ]
    texts = ((left, baseline, fitted(settable(said), height, room)) for left, baseline, room, said in lines)
    return tuple(text_mark(lettering(said, height), left, baseline, ink) for left, baseline, said in texts if said)
