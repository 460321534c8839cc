"""Tones and colours of the delivered picture, and what the paper makes of them; on the working copy."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from printqueue.core.model.measures import GAMUT_OVER, LIFT_COST, Measure, Where, Word
from printqueue.core.model.request import Request
from printqueue.core.text import enumerated
from printqueue.imaging.colour import manager
from printqueue.imaging.colour.curves import channel_curves
from printqueue.imaging.colour.source_profile import SourceProfile
from printqueue.imaging.render.light import light_of
from printqueue.judging.measures import gamut, tone, vignette
from printqueue.judging.measures.drawn_border import inside_border
from printqueue.judging.survey.first import Codes
from printqueue.judging.survey.readings import Readings, rounded

_GAMUT_PIXELS = 250_000  # enough for shares of area

Lab = NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class _Views:
    """The working copy as delivered (after its lift) and as the paper shows it."""

    delivered: Lab  # (h, w, 3), white = 100
    device: Codes  # (h, w, 3)
    proof: Lab  # (h, w, 3), paper white = 100
    black: float  # L* of the deepest tone this print can show


def tone_readings(copy: Codes, profile: SourceProfile, paper_profile: bytes, request: Request) -> Readings:
    """Measure tones, colours and fall-off of the delivered picture and its proof. `copy`: codes (h, w, C).

    A drawn border is not part of the picture: it would read as bare paper or solid black, and hide either inside it.
    """
    views = _views(copy[inside_border(copy)], profile, paper_profile, request)
    delivered, proof = views.delivered[..., 0], views.proof[..., 0]
    tones = Readings({Measure.TONE_PRINT_BLACK_L: round(views.black, 2)})
    tones |= _delivered(tone.measure_tones(delivered))
    tones |= _bare(tone.measure_bare_paper(views.device)) | _solid(tone.measure_solid(proof, views.black))
    tones |= _shadows(tone.measure_shadows(delivered, proof)) | _vignette(vignette.measure_vignette(delivered))
    return tones | _gamut(views)


def _views(copy: Codes, profile: SourceProfile, paper_profile: bytes, request: Request) -> _Views:
    assert profile.data is not None
    assert profile.facts is not None
    light = light_of(channel_curves(profile.data, profile.facts), lift_stops=request.lift_stops, linear=False)
    codes = light.codes(light.planes(copy))
    device = manager.to_paper(
        codes,
        profile.data,
        paper_profile,
        intent=request.intent,
        black_point_compensation=request.black_point_compensation,
    )
    black = manager.print_black(
        profile.data,
        paper_profile,
        grey=codes.ndim == 2,
        intent=request.intent,
        black_point_compensation=request.black_point_compensation,
    )
    return _Views(manager.to_lab(codes, profile.data), device, manager.to_lab(device, paper_profile), black)


def _delivered(tones: tone.DeliveredTones) -> Readings:
    costs = zip(LIFT_COST.values(), tones.lift_cost_percent, strict=True)
    return Readings(
        {
            Measure.TONE_MEDIAN_L: round(tones.median, 2),
            Measure.TONE_P99_5_L: round(tones.p99_5, 2),
            **{name: round(cost, 3) for name, cost in costs},
        }
    )


def _bare(bare: tone.BarePaper) -> Readings:
    return Readings(
        {
            Measure.TONE_BARE_LARGEST_PERCENT: round(bare.largest_percent, 3),
            Measure.TONE_BARE_EDGE_PERCENT: round(bare.edge_percent, 2),
            Word.TONE_BARE_SIDES: enumerated(bare.sides) or None,
        },
        {Where.BARE: bare.places},
    )


def _solid(solid: tone.Solid) -> Readings:
    return Readings({Measure.TONE_SOLID_PERCENT: round(solid.percent, 3)}, {Where.SOLID: solid.places})


def _shadows(shadows: tone.Shadows) -> Readings:
    return Readings(
        {
            Measure.TONE_SHADOW_DETAIL_PERCENT: round(shadows.detail_percent, 2),
            Measure.TONE_SHADOW_LOST_PERCENT: round(shadows.lost_percent, 2),
            Measure.TONE_SHADOW_KEPT_PERCENT: rounded(shadows.kept_percent, 1),
            Measure.TONE_SHADOW_WORST_PERCENT: rounded(shadows.worst_percent, 1),
        },
        {Where.SHADOWS: shadows.places},
    )


def _vignette(found: vignette.Vignette) -> Readings:
    return Readings(
        {
            Measure.VIGNETTE_CENTRE_L: rounded(found.centre, 2),
            Measure.VIGNETTE_CORNERS_L: rounded(found.corners, 2),
            Measure.VIGNETTE_LIGHTEST_CORNER_L: rounded(found.lightest, 2),
        }
    )


def _gamut(views: _Views) -> Readings:
    height, width = views.delivered.shape[:2]
    every = max(1, round((height * width / _GAMUT_PIXELS) ** 0.5))
    found = gamut.measure_gamut(
        np.ascontiguousarray(views.delivered[::every, ::every]), np.ascontiguousarray(views.proof[::every, ::every])
    )
    shares = zip(GAMUT_OVER.values(), found.over_percent, strict=True)
    return Readings(
        {
            **{name: round(share, 2) for name, share in shares},
            Word.GAMUT_HUES: enumerated(found.hues) or None,
            Measure.GAMUT_CHROMA_BEFORE: rounded(found.chroma_before, 1),
            Measure.GAMUT_CHROMA_AFTER: rounded(found.chroma_after, 1),
        },
        {Where.GAMUT: found.places},
    )
