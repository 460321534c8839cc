"""What must be judged at the size of the print: halos and fine detail, on bands at print scale."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor

from printqueue.colour.icc import Profile
from printqueue.measure import halo
from printqueue.model.region import Region
from printqueue.model.request import Placement
from printqueue.render.engine import THREADS, Renderer
from printqueue.render.tone import Plane, ToneBands, tone_bands
from printqueue.survey.readings import Readings, rounded
from printqueue.units import MM_PER_INCH

PRINTED_ROWS = 256
_PIXELS = 16_000_000  # at print scale; larger prints are sampled in evenly spaced bands
_MARK_MM = 6.0  # side of the square that marks the place of one edge


def printed_readings(renderer: Renderer, profile: Profile) -> Readings:
    """Sharpening halos at print scale, pooled over bands of the picture.

    `profile` holds the facts of the renderer's source profile. Every second band first; where these hold too few edges to be sure, the others too.
    """
    place = renderer.placement
    return _halo_readings(_pooled(tone_bands(renderer, profile), place), place)


def _pooled(bands: ToneBands, place: Placement) -> halo.Halo:
    found: dict[int, list[halo.Edges]] = {level: [] for level in halo.LEVELS}
    pooled = halo.score(found)
    height = place.picture_px[1]

    def edges(start: int) -> list[halo.Edges]:
        plane: Plane = bands.band(start, min(start + PRINTED_ROWS, height))
        return [halo.find_edges(plane, level=level, origin_px=(0, start)) for level in halo.LEVELS]

    with ThreadPoolExecutor(THREADS) as pool:
        for starts in _starts(place):
            for band in pool.map(edges, starts):
                for level, one in zip(halo.LEVELS, band, strict=True):
                    found[level].append(one)
            pooled = halo.score(found)
            if pooled.confident:
                break
    return pooled


def _starts(place: Placement) -> tuple[list[int], list[int]]:
    """First rows of the bands to measure, in two rounds, evenly spaced over the picture."""
    width, height = place.picture_px
    every = max(1, -(-width * height // _PIXELS))
    starts = list(range(0, height, PRINTED_ROWS))[every // 2 :: every]
    return starts[::2], starts[1::2]


def _halo_readings(pooled: halo.Halo, place: Placement) -> Readings:
    mm_per_px = MM_PER_INCH / place.ppi
    return Readings(
        {
            "halo.score_percent": rounded(pooled.score_percent, 2),
            "halo.share_percent": rounded(pooled.share_percent, 2),
            "halo.edges": pooled.edges,
            "halo.level": pooled.level,
            "halo.edge_width_mm": rounded(pooled.edge_width_px, 3, mm_per_px),
            "halo.width_mm": rounded(pooled.halo_px, 3, mm_per_px),
            "halo.delta_L": rounded(pooled.delta_lightness, 2),
        },
        {"halo": tuple(_mark(x, y, height, place) for x, y, height in pooled.places)},
    )


def _mark(x: int, y: int, height_percent: float, place: Placement) -> Region:
    """A small square around one edge, cut at the picture's rim."""
    width, height = place.picture_px
    half = _MARK_MM / 2 / MM_PER_INCH * place.ppi
    left, top = max(0.0, x - half), max(0.0, y - half)
    right, foot = min(float(width), x + half), min(float(height), y + half)
    return Region(left / width, top / height, (right - left) / width, (foot - top) / height, height_percent)
