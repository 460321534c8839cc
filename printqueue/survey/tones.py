"""Tones and colours of the delivered picture, and what becomes of them on the paper; on the working copy."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from printqueue.colour import manager
from printqueue.colour.curves import channel_curves
from printqueue.measure import gamut, tone, vignette
from printqueue.measure.drawn_border import inside_border
from printqueue.model.request import Request
from printqueue.render.light import light_of
from printqueue.source_profile import SourceProfile
from printqueue.survey.first import Codes
from printqueue.survey.readings import Readings, rounded

_GAMUT_PIXELS = 250_000  # shares of area need no more

Lab = NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class _Views:
    """The working copy as it is delivered (after its lift) and as the paper shows it."""

    delivered: Lab  # (h, w, 3), white = 100
    device: Codes  # (h, w, 3)
    proof: Lab  # (h, w, 3), paper white = 100
    black: float  # L* of the deepest tone that this print can show


def tone_readings(copy: Codes, profile: SourceProfile, paper_profile: bytes, request: Request) -> Readings:
    """Tones, colours and fall-off of the delivered picture and of its proof. `copy`: codes (h, w, C).

    A drawn border is no part of the picture: it would be bare paper or solid black, and hide both inside.
    """
    views = _views(copy[inside_border(copy)], profile, paper_profile, request)
    delivered, proof = views.delivered[..., 0], views.proof[..., 0]
    tones = Readings({"tone.lift_stops": round(request.lift_stops, 4), "tone.print_black_L": round(views.black, 2)})
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


def _delivered(tones: tone.Tones) -> Readings:
    costs = zip(tone.LIFT_THIRDS, tones.lift_cost_percent, strict=True)
    return Readings(
        {
            "tone.median_L": round(tones.median, 2),
            "tone.p01_L": round(tones.p01, 2),
            "tone.p99_5_L": round(tones.p99_5, 2),
            **{f"tone.lift_cost_{thirds}_percent": round(cost, 3) for thirds, cost in costs},
        }
    )


def _bare(bare: tone.BarePaper) -> Readings:
    return Readings(
        {
            "tone.bare_largest_percent": round(bare.largest_percent, 3),
            "tone.bare_edge_percent": round(bare.edge_percent, 2),
            "tone.bare_sides": _listed(bare.sides),
        },
        {"bare": bare.places},
    )


def _solid(solid: tone.Solid) -> Readings:
    return Readings({"tone.solid_percent": round(solid.percent, 3)}, {"solid": solid.places})


def _shadows(shadows: tone.Shadows) -> Readings:
    return Readings(
        {
            "tone.shadow_detail_percent": round(shadows.detail_percent, 2),
            "tone.shadow_lost_percent": round(shadows.lost_percent, 2),
            "tone.shadow_kept_percent": rounded(shadows.kept_percent, 1),
            "tone.shadow_worst_percent": rounded(shadows.worst_percent, 1),
        },
        {"shadows": shadows.places},
    )


def _vignette(found: vignette.Vignette) -> Readings:
    return Readings(
        {
            "vignette.centre_L": rounded(found.centre, 2),
            "vignette.corners_L": rounded(found.corners, 2),
            "vignette.lightest_corner_L": rounded(found.lightest, 2),
            "vignette.darkest_corner_L": rounded(found.darkest, 2),
        }
    )


def _gamut(views: _Views) -> Readings:
    height, width = views.delivered.shape[:2]
    every = max(1, round((height * width / _GAMUT_PIXELS) ** 0.5))
    found = gamut.measure_gamut(
        np.ascontiguousarray(views.delivered[::every, ::every]), np.ascontiguousarray(views.proof[::every, ::every])
    )
    shares = zip(gamut.LADDER, found.over_percent, strict=True)
    return Readings(
        {
            **{f"gamut.over_{rung}_percent": round(share, 2) for rung, share in shares},
            "gamut.hues": _listed(found.hues),
            "gamut.chroma_before": rounded(found.chroma_before, 1),
            "gamut.chroma_after": rounded(found.chroma_after, 1),
        },
        {"gamut": found.places},
    )


def _listed(words: Sequence[str]) -> str | None:
    """ "a", "a and b", "a, b and c"; None for nothing."""
    if not words:
        return None
    return " and ".join([", ".join(words[:-1]), words[-1]] if len(words) > 1 else words)
