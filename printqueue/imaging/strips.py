"""The test strip that a bounded child makes from an open picture. Takes descriptors and values, no paths."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import BinaryIO

import numpy as np

from printqueue.core.errors import PictureError
from printqueue.core.model.picture import Metadata
from printqueue.core.model.request import Placement
from printqueue.core.units import MM_PER_INCH, pixels
from printqueue.imaging.colour import manager
from printqueue.imaging.colour.source_profile import SourceProfile
from printqueue.imaging.jobs import Piece, PrintJob, Provenance, StripMade, StripWish
from printqueue.imaging.lettering import fitted, lettering, settable
from printqueue.imaging.prints import Ink, drawn, line_ink, named, usable_profile, write
from printqueue.imaging.reduce import block_means, block_size
from printqueue.imaging.render.marks import InkMark, text_mark
from printqueue.imaging.render.plan import DoesNotFitError, place
from printqueue.imaging.render.sheet import Cell, Sheet
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

_READ_ROWS = 512


def make_strip(source: Source, job: PrintJob, wish: StripWish, provenance: Provenance, *, out: BinaryIO) -> StripMade:
    """Write and verify the sheet of a test strip. Raises `PictureError` if it cannot be laid out as asked."""
    facts = source.facts
    profile = usable_profile(source, job.request)
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
    sheet = Sheet(plan.sheet_px, whole.ppi, job.paper_profile, cells, _words(plan, wish, line_ink(job), whole.ppi))
    sha256, _ = write(out, sheet, provenance, Metadata(title=named(source, job.request).title))
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
    """A part the size of a piece whose tones run from deep to light."""
    assert profile.data is not None
    width, height = (min(a, b) for a, b in zip(plan.piece_px, whole.picture_px, strict=True))
    codes = _small(source, whole)
    lightness = manager.to_lightness(codes if codes.shape[-1] == 3 else codes[..., 0], profile.data)
    left, top = telling_part(lightness, (width / whole.picture_px[0], height / whole.picture_px[1]))
    across, down = round(left * whole.picture_px[0]), round(top * whole.picture_px[1])
    return Part(min(across, whole.picture_px[0] - width), min(down, whole.picture_px[1] - height), width, height)


def _small(source: Source, whole: Placement) -> np.ndarray[tuple[int, ...], np.dtype[np.uint16]]:
    """The printed part of the picture as a copy of about one megapixel, (h, w, C)."""
    left, top, right, bottom = (round(edge) for edge in whole.crop_px)
    side = block_size(right - left, bottom - top)
    step = max(side, _READ_ROWS // side * side)
    starts: Sequence[int] = range(top, bottom, step)
    bands = [block_means(source.rows(start, min(start + step, bottom))[:, left:right], side) for start in starts]
    return np.concatenate(bands)


def _words(plan: StripPlan, wish: StripWish, ink: Ink, ppi: int) -> tuple[InkMark, ...]:
    """All words of the strip, shortened to fit."""
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
