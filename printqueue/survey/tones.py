"""Tones and colours of the delivered picture, and what becomes of them on the paper; on the working copy."""

from __future__ import annotations

from printqueue.colour import manager
from printqueue.colour.curves import channel_curves
from printqueue.measure import tone
from printqueue.model.request import Request
from printqueue.render.light import light_of
from printqueue.source_profile import SourceProfile
from printqueue.survey.first import Codes
from printqueue.survey.readings import Readings


def tone_readings(copy: Codes, profile: SourceProfile, paper_profile: bytes, request: Request) -> Readings:
    """Tones of the delivered picture (after its lift) and of its proof. `copy`: codes (h, w, C)."""
    assert profile.data is not None
    assert profile.facts is not None
    light = light_of(channel_curves(profile.data, profile.facts), lift_stops=request.lift_stops, linear=False)
    codes = light.codes(light.planes(copy))
    delivered = manager.to_lightness(codes, profile.data)
    device = manager.to_paper(
        codes,
        profile.data,
        paper_profile,
        intent=request.intent,
        black_point_compensation=request.black_point_compensation,
    )
    proof = manager.to_lightness(device, paper_profile)
    tones, bare = tone.measure_tones(delivered), tone.measure_bare_paper(device)
    return Readings(
        {
            "tone.median_L": round(tones.median, 2),
            "tone.p01_L": round(tones.p01, 2),
            "tone.p99_5_L": round(tones.p99_5, 2),
            "tone.solid_percent": round(tones.solid_percent, 3),
            "tone.bare_largest_percent": round(bare.largest_percent, 3),
            "tone.bare_edge_percent": round(bare.edge_percent, 2),
            "tone.shadow_lost_percent": round(tone.shadow_loss_percent(delivered, proof), 2),
            "tone.lift_stops": round(request.lift_stops, 4),
        }
    )
