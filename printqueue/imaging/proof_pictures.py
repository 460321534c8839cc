"""What a bounded child makes from an open picture for looking at: its proof picture and a thumbnail of that."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import BinaryIO, NamedTuple

import numpy as np
from numpy.typing import NDArray

from printqueue.core.model.picture import PictureFacts
from printqueue.core.model.profile_state import ProfileState
from printqueue.core.model.region import Region
from printqueue.core.model.request import Placement, Request
from printqueue.core.units import MM_PER_INCH
from printqueue.imaging.colour import manager, spaces
from printqueue.imaging.colour.icc import read_profile
from printqueue.imaging.colour.source_profile import SourceProfile, choose
from printqueue.imaging.jobs import Marked, PrintJob, ProofWish
from printqueue.imaging.outputs import proof_jpeg
from printqueue.imaging.prints import drawn
from printqueue.imaging.proof_page.histogram import Lights
from printqueue.imaging.proof_page.sheet import CROP_PX, LARGEST_PX, PAGE_PPI, Crop, OnSheet, Shown, compose, thumbnail
from printqueue.imaging.proof_page.views import views
from printqueue.imaging.render.plan import DoesNotFitError, place
from printqueue.imaging.render.strip_plan import Part, shown_part
from printqueue.imaging.source import Samples, Source
from printqueue.imaging.telling_part import telling_part

THUMBNAIL_PX = 360
_UNKNOWN_PPI = 72

Codes = NDArray[np.uint16]


class _CopySource:
    """A small copy of a picture, as a source in its own right."""

    icc: bytes | None = None

    def __init__(self, facts: PictureFacts, codes: Codes) -> None:
        self.facts = replace(facts, width_px=codes.shape[1], height_px=codes.shape[0], bits=16)
        self._codes = codes

    def rows(self, start: int, stop: int) -> Samples:
        """Rows `start` to `stop`."""
        return self._codes[start:stop]

    def transparent(self) -> bool:
        """False: a copy has no transparency."""
        return False


class _GreyAsRgb:
    """A grey picture as three equal channels."""

    icc: bytes | None = None

    def __init__(self, grey: Source) -> None:
        self._grey, self.facts = grey, replace(grey.facts, colour="rgb")

    def rows(self, start: int, stop: int) -> Samples:
        """Rows `start` to `stop`."""
        grey = self._grey.rows(start, stop)
        return np.concatenate([grey, grey, grey], axis=2)

    def transparent(self) -> bool:
        """Whether the picture is."""
        return self._grey.transparent()


class _ReadPicture(NamedTuple):
    """A picture, its working copy (h, w, C), and the profile for reading both."""

    source: Source
    copy: Codes
    profile: SourceProfile


def make_proof(source: Source, copy: Codes, job: PrintJob, wish: ProofWish, *, out: BinaryIO, small: BinaryIO) -> None:
    """Write the proof picture of one print and its thumbnail. `copy`: the working copy (h, w, C) of the whole picture."""
    read = _ReadPicture(source, copy, choose(source.facts, source.icc, job.request.assume_profile))
    words = wish.words
    if read.profile.data is None:
        words = replace(words, assumed="Its colours are not known; they are shown here as if they were sRGB.")
        read = _as_srgb(source, copy)
    shown = _shown(read, job, wish.marked)
    proof_jpeg.write(out, compose(words, shown), ppi=PAGE_PPI, quality=proof_jpeg.PROOF_QUALITY)
    proof_jpeg.write(small, thumbnail(shown, THUMBNAIL_PX), ppi=_UNKNOWN_PPI, quality=proof_jpeg.THUMBNAIL_QUALITY)


def make_words_only(wish: ProofWish, why: str, out: BinaryIO) -> None:
    """Write the sheet of a picture that cannot be read."""
    page = compose(replace(wish.words, unseen=why), None)
    proof_jpeg.write(out, page, ppi=PAGE_PPI, quality=proof_jpeg.PROOF_QUALITY)


def _as_srgb(source: Source, copy: Codes) -> _ReadPicture:
    """A picture of unknown colour space, assumed to be sRGB; a grey one becomes three equal channels."""
    data = spaces.profile_bytes("srgb")
    profile = SourceProfile(ProfileState.ASSUMED, spaces.SPACES["srgb"].title, data, read_profile(data))
    if source.facts.colour == "grey":
        return _ReadPicture(_GreyAsRgb(source), np.repeat(copy, 3, axis=2), profile)
    return _ReadPicture(source, copy, profile)


def _shown(read: _ReadPicture, job: PrintJob, marked: tuple[Marked, ...]) -> Shown:
    source, profile = read.source, read.profile
    assert profile.data is not None
    placement = _placed(job.request, source.facts)
    small = _delivered_small(read, job, placement)
    lightness = manager.to_lightness(small, profile.data)
    part, chosen = _part(placement, marked, lightness)
    parts = [small]
    if part is not None and placement is not None:
        parts.append(_delivered(source, profile, job, shown_part(placement, part)))
    shown, white = views(parts, profile.data, job.paper_profile, job.request)
    crop = None
    if len(shown) == 2 and placement is not None:
        crop = Crop(shown[1].tones, placement.ppi * 10 / MM_PER_INCH, chosen)
    return Shown(
        tones=shown[0].tones,
        paper=shown[0].paper,
        white=white,
        on_sheet=_on_sheet(placement, source.facts),
        lights=Lights(lightness, shown[0].lightness, job.paper.black[0], job.paper.white[0]),
        marked=marked,
        crop=crop,
    )


def _placed(request: Request, facts: PictureFacts) -> Placement | None:
    try:
        return place(request, facts.width_px, facts.height_px)
    except DoesNotFitError:
        return None


def _delivered_small(read: _ReadPicture, job: PrintJob, placement: Placement | None) -> Codes:
    """The printed part of the working copy, lifted, as large as the page has room for but never enlarged."""
    source, copy = read.source, read.copy
    side = source.facts.width_px / copy.shape[1]
    crop = placement.crop_px if placement else (0.0, 0.0, float(source.facts.width_px), float(source.facts.height_px))
    left, top = crop[0] / side, crop[1] / side
    right, foot = min(float(copy.shape[1]), crop[2] / side), min(float(copy.shape[0]), crop[3] / side)
    scale = min(1.0, LARGEST_PX[0] / (right - left), LARGEST_PX[1] / (foot - top))
    size = max(1, round((right - left) * scale)), max(1, round((foot - top) * scale))
    whole = Placement((1, 1), (1, 1), size, size, 0, 0, _UNKNOWN_PPI, 1.0, (left, top, right, foot), (0, 0, 0, 0))
    unsharpened = replace(job, request=replace(job.request, sharpen=None))
    return _delivered(_CopySource(source.facts, copy), read.profile, unsharpened, whole)


def _delivered(source: Source, profile: SourceProfile, job: PrintJob, placement: Placement) -> Codes:
    return drawn(source, profile, job, placement).delivered_band(0, placement.picture_px[1])


def _part(
    placement: Placement | None, marked: Sequence[Marked], lightness: NDArray[np.float32]
) -> tuple[Part | None, str]:
    """The part to show at print scale, and why: where edges ring most, or else the most telling part."""
    if placement is None:
        return None, ""
    width, height = (min(room, side) for room, side in zip(CROP_PX, placement.picture_px, strict=True))
    across, down = placement.picture_px
    ringing = next((one.places[0] for one in marked if one.check == "oversharpening" and one.places), None)
    if ringing is not None:
        left, top = _around(ringing, (across, down), (width, height))
        return Part(left, top, width, height), "Where edges ring most"
    x, y = telling_part(lightness, (width / across, height / down))
    left, top = min(round(x * across), across - width), min(round(y * down), down - height)
    return Part(left, top, width, height), "The widest range of tones"


def _around(place_: Region, picture: tuple[int, int], size: tuple[int, int]) -> tuple[int, int]:
    """The corner of a part of that size, centred on the place but kept inside the picture."""
    found = [
        min(max(0, round(centre * whole) - part // 2), whole - part)
        for centre, whole, part in zip(place_.centre, picture, size, strict=True)
    ]
    return found[0], found[1]


def _on_sheet(placement: Placement | None, facts: PictureFacts) -> OnSheet:
    if placement is None:
        alone = float(facts.width_px), float(facts.height_px)
        return OnSheet(alone, alone, (0.0, 0.0))
    top, _, _, left = placement.borders_mm
    return OnSheet(placement.sheet_mm, placement.picture_mm, (left, top))
