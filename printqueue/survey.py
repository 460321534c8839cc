"""All measurements of one picture for one print: two passes over the pixels, shared by all checks.

Pass one reads every row once, at the file's own pixels: levels, and a small working
copy by block means. Pass two takes horizontal bands at print scale, for what must be
judged at the size of the print. The numbers go to the checks; no limit is known here.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from printqueue.colour import manager
from printqueue.colour.curves import channel_curves
from printqueue.measure import halo, levels, reduce, tone
from printqueue.model.finding import Value
from printqueue.model.picture import PictureFacts, Source
from printqueue.model.request import Request
from printqueue.render.engine import THREADS, Renderer
from printqueue.render.light import light_of
from printqueue.source_profile import SourceProfile
from printqueue.units import MM_PER_INCH

FIRST_ROWS = 512
_HALO_PIXELS = 16_000_000  # at print scale; larger prints are sampled in evenly spaced bands
HALO_ROWS = 512

Codes = NDArray[np.uint16]


@dataclass(frozen=True, slots=True)
class FirstPass:
    """What reading every row once gives; the same for every print of the picture."""

    rows: int
    levels: levels.Levels
    copy: Codes  # (h, w, C) block means


def first_pass(source: Source) -> FirstPass:
    """Read the whole picture. Raises `PictureError` where the data are damaged."""
    facts = source.facts
    side = reduce.block_size(facts.width_px, facts.height_px)
    step = max(side, FIRST_ROWS // side * side)

    def band(start: int) -> tuple[levels.Histogram, Codes]:
        rows = source.rows(start, min(start + step, facts.height_px))
        return levels.histogram(rows), reduce.block_means(rows, side)

    counts: NDArray[np.int64] | int = 0
    parts = []
    with ThreadPoolExecutor(THREADS) as pool:
        for counted, part in pool.map(band, range(0, facts.height_px, step)):
            counts = counts + counted
            parts.append(part)
    return FirstPass(facts.height_px, levels.measure_levels(np.asarray(counts)), np.concatenate(parts))


def header_measurements(facts: PictureFacts, profile: SourceProfile, *, transparent: bool) -> dict[str, Value]:
    """What is known without pixels."""
    return {
        "profile.state": profile.state,
        "profile.name": profile.name or None,
        "profile.problem": profile.problem or None,
        "profile.space": profile.space_key,
        "layers.transparent": "yes" if transparent else "no",
        "picture.megapixels": round(facts.megapixels, 2),
    }


def level_measurements(first: FirstPass) -> dict[str, Value]:
    """Rows read and tone levels used."""
    return {
        "read.rows": first.rows,
        "levels.used": first.levels.used,
        "levels.eight_in_sixteen": "yes" if first.levels.eight_in_sixteen else "no",
        "levels.combed_percent": round(first.levels.combed_percent, 2),
    }


def tone_measurements(
    first: FirstPass, profile: SourceProfile, paper_profile: bytes, request: Request
) -> dict[str, Value]:
    """Tones of the delivered picture and of its proof, on the working copy."""
    assert profile.data is not None
    assert profile.facts is not None
    light = light_of(channel_curves(profile.data, profile.facts), lift_stops=request.lift_stops, linear=False)
    codes = light.codes(light.planes(first.copy))
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
    return {
        "tone.median_L": round(tones.median, 2),
        "tone.p01_L": round(tones.p01, 2),
        "tone.p99_5_L": round(tones.p99_5, 2),
        "tone.solid_percent": round(tones.solid_percent, 3),
        "tone.bare_largest_percent": round(bare.largest_percent, 3),
        "tone.bare_edge_percent": round(bare.edge_percent, 2),
        "tone.shadow_lost_percent": round(tone.shadow_loss_percent(delivered, proof), 2),
        "tone.lift_stops": round(request.lift_stops, 4),
    }


def halo_measurements(renderer: Renderer) -> dict[str, Value]:
    """Sharpening halos at print scale, pooled over bands of the picture.

    Every second band first; where these hold too few edges to be sure, the others too.
    """
    found: dict[int, list[halo.Edges]] = {level: [] for level in halo.LEVELS}
    pooled = halo.score(found)

    def edges(start: int) -> list[halo.Edges]:
        plane = _print_scale_tone(renderer, start)
        return [halo.find_edges(plane, level=level, origin_px=(0, start)) for level in halo.LEVELS]

    with ThreadPoolExecutor(THREADS) as pool:
        for starts in _halo_bands(renderer):
            for band in pool.map(edges, starts):
                for level, one in zip(halo.LEVELS, band, strict=True):
                    found[level].append(one)
            pooled = halo.score(found)
            if pooled.confident:
                break
    mm_per_px = MM_PER_INCH / renderer.placement.ppi
    return {
        "halo.score_percent": _rounded(pooled.score_percent, 2),
        "halo.share_percent": _rounded(pooled.share_percent, 2),
        "halo.edges": pooled.edges,
        "halo.level": pooled.level,
        "halo.edge_width_mm": _rounded(pooled.edge_width_px, 3, mm_per_px),
        "halo.width_mm": _rounded(pooled.halo_px, 3, mm_per_px),
        "halo.delta_L": _rounded(pooled.delta_lightness, 2),
    }


def _rounded(value: float | None, digits: int, factor: float = 1.0) -> float | None:
    return None if value is None else round(value * factor, digits)


def _halo_bands(renderer: Renderer) -> tuple[list[int], list[int]]:
    """First rows of the bands to measure, in two rounds, evenly spaced over the picture."""
    width, height = renderer.placement.picture_px
    every = max(1, -(-width * height // _HALO_PIXELS))
    starts = list(range(0, height, HALO_ROWS))[every // 2 :: every]
    return starts[::2], starts[1::2]


def _print_scale_tone(renderer: Renderer, start: int) -> NDArray[np.float32]:
    """L*/100 of one band at print scale."""
    height = renderer.placement.picture_px[1]
    codes = renderer.delivered_band(start, min(start + HALO_ROWS, height))
    return manager.to_lightness(codes, renderer.source_profile) / np.float32(100)
