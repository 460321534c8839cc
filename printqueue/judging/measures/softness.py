"""How much of the pixel grid carries detail: tells enlarged and blurred files from native ones.

There are three measures, each of which sees what another misses. In blurred and strongly enlarged pictures the whitened
spectrum of the most detailed blocks falls off before the end of the grid. Enlarging by other than whole factors
leaves a period in the size of differences between neighbours (Gallagher 2005). Doubling leaves pixels in pairs, which
survive sharpening, grain and JPEG. The most detailed places decide, so that a shallow focus passes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from printqueue.core.model.region import Region
from printqueue.judging.measures._spectrum import BINS, bin_centres, whitened
from printqueue.judging.measures.tiles import Tile

Plane = NDArray[np.float32]
Numbers = NDArray[np.float64]

_BLOCK_PX, _CALM_PX = 128, 32
_MAX_BLOCKS, _MAX_TILES, _CALM_BLOCKS = 16, 32, 32
_REFERENCE, _TAIL = (0.06, 0.15), (0.35, 0.5)  # c/px
_RANK = 3  # of the blocks by sharpness: this one stands for the picture
# Half of untouched photographs do not fall by 10 dB up to the grid's limit, 0.5 c/px (by trial).
_CUT_DB, _LIMIT = 10.0, 0.5
_NOISE_LEFT = 0.1  # of the noise remains as the smallest detectable signal
_OVER_NOISE = 4.0  # a block counts if its detail has this many times the noise's power in the reference band
_MIN_REFERENCE = 5e-7  # tone² × (c/px)²; below it there is only rounding
_NOISE_RISE_DB = 5.0  # a spectrum that rises by more than this is nothing but noise
PEAK, PAIRED = 3.8, 0.02  # above these, a picture was enlarged; by trial, see the calibration
_CLIP = 0.04  # of the tone scale: stronger edges count no more than this
_BLOCK8 = 8  # ITU-T T.81: anything that repeats every 8 px comes from JPEG
_SPREAD = 0.5  # of the spread among like places, subtracted from the gap between them: JPEG spreads both
_ORDER = 3  # of the differences examined for pairs


@dataclass(frozen=True, slots=True)
class Softness:
    """None if the picture has no detail besides its noise.

    detail_percent  frequency up to which there is detail, in % of the pixel grid's limit of 0.5 c/px; ±25 %
    tail_db         whitened power in 0.35 to 0.5 c/px relative to 0.06 to 0.15, less noise; native about −5
    peak            strongest period in the size of differences, relative to its surroundings; native under 3
    paired          log of how much larger the difference across pairs is than within them; native 0
    noise_percent   standard deviation of the calmest places in 0.25 to 0.5 c/px, in % of the tone scale
    where           the most detailed block, by which the picture was judged
    """

    detail_percent: float | None
    tail_db: float | None
    peak: float | None
    paired: float | None
    noise_percent: float | None = None
    where: tuple[Region, ...] = ()

    @property
    def enlarged(self) -> bool:
        """Whether the pixel grid shows interpolated pixels. False proves nothing."""
        return (self.peak or 0.0) > PEAK or (self.paired or 0.0) > PAIRED


_NOTHING = Softness(None, None, None, None)


def measure_softness(tiles: Sequence[Tile], size_px: tuple[int, int] | None = None) -> Softness:
    """Measure the softness of a picture from its sample of native tiles (64 × 64 px to 256 × 256 px each).

    `size_px`: width and height of the picture, to locate the place; without it, of what the tiles span.
    """
    planes = [(tile, np.nan_to_num(tile.tone)) for tile in tiles if min(tile.codes.shape[:2]) >= _BLOCK_PX // 2]
    if not planes:
        return _NOTHING
    side = _BLOCK_PX if any(min(plane.shape) >= _BLOCK_PX for _, plane in planes) else _BLOCK_PX // 2
    maps = [_activity(plane) for _, plane in planes]
    blocks, places = _most_detailed(planes, maps, side)
    if not blocks.size:
        return _NOTHING
    spectra, noise = whitened(blocks), _noise_spectrum(planes, maps)
    kept, signal = _over_noise(spectra, noise)
    noise_percent = _noise_percent(noise)
    if not kept.any():
        return Softness(None, None, None, None, noise_percent)
    tails, cuts = _tails(signal), _cuts(signal)
    order = np.argsort([-float(one.mean()) for one in maps])[:_MAX_TILES]
    some = [planes[index][1] for index in order]
    best = places[int(np.flatnonzero(kept)[int(np.argmax(tails))])]
    peak, paired = _peak(some), _paired(some)
    return Softness(
        _detail_percent(_sharpest(cuts), peak, paired),
        _sharpest(tails),
        None if peak is None else peak[0],
        paired,
        noise_percent,
        (_region(best, side, size_px or _span(tiles)),),
    )


def _sharpest(values: Numbers) -> float:
    """The third highest of the blocks, so that a small sharp part counts, but one or two outliers do not."""
    return float(np.sort(values)[-min(_RANK, values.size)])


def _detail_percent(cut: float, peak: tuple[float, float] | None, paired: float | None) -> float:
    """Detail by the spectrum, capped at what an enlargement visible in the grid can have left.

    Doubling leaves 50 %. A period of f means an enlargement by 1/f or by 1/(1 − f): at most 1 − f is left.
    """
    left = 1.0
    if paired is not None and paired > PAIRED:
        left = 0.5
    elif peak is not None and peak[0] > PEAK:
        left = 1.0 - peak[1]
    return 100 * min(left, cut / _LIMIT)


def _activity(plane: Plane) -> Plane:
    """Mean second difference at half scale in whole squares of 32 px: how much detail there is, and where."""
    rows, columns = (n // _CALM_PX * _CALM_PX for n in plane.shape)
    half = cv2.resize(plane[:rows, :columns], (columns // 2, rows // 2), interpolation=cv2.INTER_AREA)
    bent = np.minimum(np.abs(cv2.Laplacian(half, cv2.CV_32F, borderType=cv2.BORDER_REFLECT_101)), np.float32(0.3))
    small = cv2.resize(bent, (columns // _CALM_PX, rows // _CALM_PX), interpolation=cv2.INTER_AREA)
    return np.asarray(small, np.float32)


def _most_detailed(
    planes: Sequence[tuple[Tile, Plane]], maps: Sequence[Plane], side: int
) -> tuple[Plane, list[tuple[int, int]]]:
    """The most active blocks, (N, side, side), and where they lie in the picture, most active first."""
    cells = side // _CALM_PX
    found = [
        (float(activity[y // _CALM_PX : y // _CALM_PX + cells, x // _CALM_PX : x // _CALM_PX + cells].mean()), n, y, x)
        for n, activity in enumerate(maps)
        for y in range(0, planes[n][1].shape[0] - side + 1, side)
        for x in range(0, planes[n][1].shape[1] - side + 1, side)
    ]
    top = sorted(found, key=lambda one: -one[0])[:_MAX_BLOCKS]
    blocks = [planes[n][1][y : y + side, x : x + side] for _, n, y, x in top]
    return np.array(blocks, np.float32), [(planes[n][0].x + x, planes[n][0].y + y) for _, n, y, x in top]


def _noise_spectrum(planes: Sequence[tuple[Tile, Plane]], maps: Sequence[Plane]) -> Numbers:
    """Median spectrum of the calmest twentieth of all unclipped 32-px squares, (BINS,): noise, correlated or not."""
    found = []
    for n, activity in enumerate(maps):
        plane = planes[n][1]
        rows, columns = activity.shape
        size = (columns, rows)
        whole = plane[: rows * _CALM_PX, : columns * _CALM_PX]
        means = cv2.resize(whole, size, interpolation=cv2.INTER_AREA).reshape(activity.shape)
        usable = (means > 0.03) & (means < 0.97)
        found += [
            (float(activity[y, x]), n, y * _CALM_PX, x * _CALM_PX) for y, x in zip(*np.nonzero(usable), strict=True)
        ]
    if not found:
        return np.zeros(BINS)
    calm = sorted(found)[: min(_CALM_BLOCKS, max(3, len(found) // 20))]
    blocks = np.array([planes[n][1][y : y + _CALM_PX, x : x + _CALM_PX] for _, n, y, x in calm])
    return np.asarray(np.median(whitened(blocks), axis=0))


def _band(spectra: Numbers, band: tuple[float, float]) -> Numbers:
    f = bin_centres()
    return np.asarray(spectra[..., (f > band[0]) & (f < band[1])].mean(axis=-1))


def _over_noise(spectra: Numbers, noise: Numbers) -> tuple[NDArray[np.bool_], Numbers]:
    """Which blocks have detail besides noise, and their spectra with the noise subtracted.

    If the calmest squares are as lively as the rest, they hold texture, or everything is noise; only noise rises by f².
    """
    reference = _band(spectra, _REFERENCE)
    kept = (reference > _MIN_REFERENCE) & (reference > _OVER_NOISE * _band(noise, _REFERENCE))
    if kept.any():
        return kept, np.maximum(spectra[kept] - noise, _NOISE_LEFT * noise + 1e-15)
    rise = 10 * np.log10((_band(spectra, _TAIL) + 1e-15) / (reference + 1e-15))
    kept = (reference > _MIN_REFERENCE) & (rise < _NOISE_RISE_DB)
    return kept, spectra[kept] + 1e-15


def _noise_percent(noise: Numbers) -> float:
    """Power of the upper octave, unwhitened, as the deviation of white noise with the same power."""
    f = bin_centres()
    return float(100 * np.sqrt(np.mean((noise / f**2)[f > 0.25])))


def _tails(signal: Numbers) -> Numbers:
    """Level of the tail relative to the reference band in dB, per block."""
    return np.asarray(10 * np.log10(_band(signal, _TAIL) / _band(signal, _REFERENCE)))


def _cuts(signal: Numbers) -> Numbers:
    """Frequency at which the whitened spectrum first falls 10 dB below the reference band, c/px, per block."""
    f = bin_centres()
    fall = 10 * np.log10(signal / _band(signal, _REFERENCE)[:, None]) + _CUT_DB
    return np.array([_crossing(f, row) for row in fall])


def _crossing(f: Numbers, fall: Numbers) -> float:
    """Where `fall` first crosses zero above the reference band, interpolated linearly between bins; 0.5 if nowhere."""
    under = np.flatnonzero((fall < 0) & (f > _REFERENCE[1]))
    if not under.size:
        return 0.5
    right = int(under[0])
    before, after = float(fall[right - 1]), float(fall[right])
    return float(f[right] - (f[1] - f[0]) * (after / (after - before) if before > 0 else 1.0))


def _profiles(planes: Sequence[Plane], order: int) -> tuple[list[Numbers], list[Numbers]]:
    """Mean size of the differences per column and per row of each tile: how it depends on the place in the grid."""
    columns, rows = [], []
    for plane in planes:
        columns.append(np.minimum(np.abs(np.diff(plane, order, axis=1)), _CLIP).mean(axis=0, dtype=np.float64))
        rows.append(np.minimum(np.abs(np.diff(plane, order, axis=0)), _CLIP).mean(axis=1, dtype=np.float64))
    return columns, rows


def _paired(planes: Sequence[Plane]) -> float | None:
    """Pairs of pixels left by doubling: log of the gap between even and odd places, the smaller of both directions.

    After doubling, source pixels lie at ±1/4 px: by symmetry, second differences are equal at both places, while odd
    ones are not. Of the eight places in a JPEG block, those that reach across its edge are left out; all the others
    must stand apart.
    """
    gaps = [_gap(profiles) for profiles in _profiles(planes, _ORDER)]
    if None in gaps:
        return None
    first, second = (gap for gap in gaps if gap is not None)
    return max(0.0, min(first, second), min(-first, -second))


def _gap(profiles: Sequence[Numbers]) -> float | None:
    """> 0: all even places exceed all odd ones; < 0 the other way round; 0: mixed."""
    folded = [
        one[: one.size // _BLOCK8 * _BLOCK8].reshape(-1, _BLOCK8).mean(axis=0) for one in profiles if one.size >= 64
    ]
    if not folded:
        return None
    place = np.mean(folded, axis=0)[: _BLOCK8 - _ORDER] + 1e-6
    even, odd = np.log(place[0::2]), np.log(place[1::2])
    apart = max(even.min() - odd.max(), odd.min() - even.max())
    gap = max(0.0, float(apart - _SPREAD * (np.ptp(even) + np.ptp(odd)) / 2))
    return gap if even.mean() > odd.mean() else -gap


def _peak(planes: Sequence[Plane]) -> tuple[float, float] | None:
    """(height, c/px) of the strongest period in the size of the second differences, relative to the median of its
    surroundings, in both directions at once.
    """
    length = 256 if any(min(plane.shape) >= 256 for plane in planes) else 128
    both = []
    for profiles in _profiles(planes, 2):
        powers = [_period(one, length) for one in profiles if one.size >= length - 4]
        if not powers:
            return None
        mean = np.sqrt(np.mean(powers, axis=0))
        around = np.lib.stride_tricks.sliding_window_view(np.pad(mean, 12, mode="reflect"), 25)
        both.append(mean / (np.median(around, axis=1) + 1e-12))
    over = np.sqrt(both[0] * both[1])
    f = np.arange(over.size) / length
    eighths = np.abs(f * _BLOCK8 - np.rint(f * _BLOCK8)) / _BLOCK8 < 0.012
    over[(f <= 0.08) | eighths] = 0.0
    return float(over.max()), float(f[np.argmax(over)])


def _period(profile: Numbers, length: int) -> Numbers:
    """Power over frequency of the logarithm of one profile, with its slow part removed."""
    log = np.log(profile[: length - 4] + 1e-5)
    log -= cv2.blur(log[None], (31, 1))[0]
    return np.asarray(np.abs(np.fft.rfft(log * np.hanning(log.size), length)) ** 2)


def _span(tiles: Sequence[Tile]) -> tuple[int, int]:
    width = max(tile.x + tile.codes.shape[1] for tile in tiles)
    return width, max(tile.y + tile.codes.shape[0] for tile in tiles)


def _region(place: tuple[int, int], side: int, size_px: tuple[int, int]) -> Region:
    width, height = size_px
    return Region(place[0] / width, place[1] / height, side / width, side / height)
