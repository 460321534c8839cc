"""What has to be measured at the size of the print: halos and fine detail, on bands at print scale."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

from printqueue.core.model.measures import Measure, Where
from printqueue.core.model.region import Region
from printqueue.core.model.request import Placement
from printqueue.core.units import MM_PER_INCH
from printqueue.imaging.colour.icc import Profile
from printqueue.imaging.render.bands import PRINTED_ROWS, THREADS
from printqueue.imaging.render.engine import Renderer
from printqueue.imaging.render.tone import ToneBands, tone_bands
from printqueue.judging.measures import fine_detail, halo
from printqueue.judging.survey.readings import Readings, rounded

_PIXELS = 16_000_000  # at print scale; larger prints are sampled in evenly spaced bands
_ALWAYS = 8_000_000  # pixels always examined, however many edges they hold: half of a small print is too small a sample
_MARK_MM = 6.0  # side of the square that marks an edge


def printed_readings(renderer: Renderer, profile: Profile) -> Readings:
    """Measure sharpening halos and fine detail at print scale, pooled over bands of the picture.

    `profile` is the renderer's source profile, parsed. Prints up to 8 megapixels are examined whole. Larger ones start
    with every second band; if those hold too few edges to be sure about halos, the others follow.
    """
    place = renderer.placement
    found = _look(tone_bands(renderer, profile), place)
    readings = _halo_readings(halo.score(found.edges), place) | _detail_readings(found.octaves, place)
    return readings if renderer.mask is None else readings | _before_sharpening(renderer, profile)


def _before_sharpening(renderer: Renderer, profile: Profile) -> Readings:
    """The halo score of the picture as delivered, if the print is sharpened."""
    before = _look(tone_bands(replace(renderer, mask=None), profile), renderer.placement)
    return Readings({Measure.HALO_UNSHARPENED_PERCENT: rounded(halo.score(before.edges).score_percent, 2)})


class _Found:
    """What the bands examined so far hold."""

    def __init__(self) -> None:
        self.edges: dict[int, list[halo.Edges]] = {level: [] for level in halo.LEVELS}
        self.octaves = fine_detail.NOTHING

    def add(self, edges: list[halo.Edges], octaves: fine_detail.OctaveEnergy) -> None:
        """Add one more band."""
        for level, one in zip(halo.LEVELS, edges, strict=True):
            self.edges[level].append(one)
        self.octaves += octaves


def _look(bands: ToneBands, place: Placement) -> _Found:
    found, height = _Found(), place.picture_px[1]

    def band(start: int) -> tuple[list[halo.Edges], fine_detail.OctaveEnergy]:
        plane = bands.band(start, min(start + PRINTED_ROWS, height))
        edges = [halo.find_edges(plane, level=level, origin_px=(0, start)) for level in halo.LEVELS]
        return edges, fine_detail.octave_energy(plane, origin_px=(0, start))

    with ThreadPoolExecutor(THREADS) as pool:
        for starts in _starts(place):
            for one in pool.map(band, starts):
                found.add(*one)
            if halo.score(found.edges).confident:
                break
    return found


def _starts(place: Placement) -> tuple[list[int], list[int]]:
    """First rows of the bands to measure, in two rounds, evenly spaced over the picture."""
    width, height = place.picture_px
    every = max(1, -(-width * height // _PIXELS))
    starts = list(range(0, height, PRINTED_ROWS))[every // 2 :: every]
    if width * height <= _ALWAYS:
        return starts, []
    return starts[::2], starts[1::2]


def _halo_readings(pooled: halo.Halo, place: Placement) -> Readings:
    mm_per_px = MM_PER_INCH / place.ppi
    return Readings(
        {
            Measure.HALO_SCORE_PERCENT: rounded(pooled.score_percent, 2),
            Measure.HALO_SHARE_PERCENT: rounded(pooled.share_percent, 2),
            Measure.HALO_EDGES: pooled.edges,
            Measure.HALO_LEVEL: pooled.level,
            Measure.HALO_EDGE_WIDTH_MM: rounded(pooled.edge_width_px, 3, mm_per_px),
            Measure.HALO_WIDTH_MM: rounded(pooled.halo_px, 3, mm_per_px),
            Measure.HALO_DELTA_L: rounded(pooled.delta_lightness, 2),
        },
        {Where.HALO: tuple(_mark(x, y, height, place) for x, y, height in pooled.places)},
    )


def _detail_readings(octaves: fine_detail.OctaveEnergy, place: Placement) -> Readings:
    return Readings(
        {Measure.DETAIL_FINE_PERCENT: rounded(fine_detail.fine_share_percent(octaves, place.ppi), 2)},
        {Where.DETAIL: fine_detail.finest_regions(octaves, place.ppi, place.picture_px)},
    )


def _mark(x: int, y: int, height_percent: float, place: Placement) -> Region:
    """A small square around one edge, clipped to the picture."""
    width, height = place.picture_px
    half = _MARK_MM / 2 / MM_PER_INCH * place.ppi
    left, top = max(0.0, x - half), max(0.0, y - half)
    right, foot = min(float(width), x + half), min(float(height), y + half)
    return Region(left / width, top / height, (right - left) / width, (foot - top) / height, height_percent)
