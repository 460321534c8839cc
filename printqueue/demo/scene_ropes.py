"""Mooring ropes: a clinker hull in hard light against plaster, and the same picture sharpened far too much."""

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from printqueue.demo.canvas import (
    Floats,
    Plane,
    as_plane,
    blur,
    enlarge,
    generator,
    glow,
    grain,
    plane,
    ramp,
    smooth,
    toned,
    unsharp,
)
from printqueue.demo.cordage import bent_rope, taut_rope
from printqueue.demo.marks import Points, box_of, coverage, fill, lay, outline, ribbon, shifted, straight, stroke
from printqueue.demo.noise import field

SHAPE = (2000, 3000)
SUN = np.array([62.0, 118.0])
STRAKES = 7


def _sheer(x: Floats | float) -> NDArray[np.float64]:
    """Row of the rail's upper edge in column x."""
    t = np.asarray(x, np.float64) / 3000
    return 905 - 150 * t + 120 * (t - 0.35) ** 2


def _plank_px(x: Floats | float) -> NDArray[np.float64]:
    return 148 + 26 * np.asarray(x, np.float64) / 3000


def _wall() -> Plane:
    """Old plaster: a calm plane, stained a little."""
    stain = enlarge(field((250, 375), 603, (4.0, 3.0), 2.0), SHAPE)
    runs = enlarge(field((250, 375), 607, (9.0, 1.0), 1.5), SHAPE) * ramp(SHAPE, [(0, 1.0), (0.45, 0.25), (1, 0)])
    fine = field(SHAPE, 605, (2.0, 2.0), 1.25)
    wall = ramp(SHAPE, [(0, 0.60), (0.25, 0.65), (0.5, 0.68), (1, 0.68)]) + 0.05 * glow(SHAPE, (0.62, 0.3), (0.5, 0.4))
    return as_plane(wall + 0.018 * stain + 0.010 * runs + 0.006 * fine)


def _plank(k: Plane, within: Plane, wide: Plane) -> Plane:
    """Tone of plank number `k`, `within` px below its upper lap."""
    own = np.array([0.0, 0.012, -0.010, 0.006, -0.014, 0.010, -0.004, 0.004, 0.0, 0.0], np.float32)
    turn = np.clip((k + within / wide) / STRAKES, 0, 1.2)
    lit = 0.80 - 0.30 * turn * np.sqrt(turn) + own[np.clip(k, 0, 9).astype(np.intp)] + 0.030 * (within / wide)
    shade = smooth(34.0, 15.0, within)
    return as_plane(lit * (1 - 0.50 * shade) + smooth(wide - 9.0, wide - 2.0, within) * np.float32(0.035))


def _hull() -> tuple[Plane, int]:
    """Painted planks, each lapping the next: (tone, first row)."""
    first = 860
    x = np.arange(3000, dtype=np.float32)[None, :]
    y = np.arange(first, 2000, dtype=np.float32)[:, None] + np.float32(0.5)
    top, wide = as_plane(_sheer(x) + 118), as_plane(_plank_px(x))
    v = (y - top) / wide
    lap = np.round(v)
    below = (v - lap) * wide
    over = np.clip(below + np.float32(0.5), 0, 1)
    upper = _plank(lap - 1, below + wide, wide)
    return as_plane(upper + (_plank(lap, np.maximum(below, 0), wide) - upper) * over), first


def _weathered(hull: Plane) -> Plane:
    brushed = field(hull.shape, 611, (1.0, 16.0), 1.0)
    worn = enlarge(field((hull.shape[0] // 4, hull.shape[1] // 4), 613, (2.0, 5.0), 1.75), hull.shape)
    return as_plane(hull * (1 + 0.010 * brushed + 0.020 * worn))


def _nails(canvas: Plane) -> None:
    gen = generator(617)
    for k in range(STRAKES + 1):
        for x in np.arange(40 + gen.uniform(0, 60), 3000, 168.0):
            y = float(_sheer(x) + 118 + k * _plank_px(x) - 20)
            a = np.linspace(0, 2 * np.pi, 12)
            fill(canvas, np.stack([x + 5.5 * np.cos(a), y + 5.5 * np.sin(a)], 1), 0.42, opacity=0.75)
            streak = outline([(x - 3, y), (x + 3, y), (x + 1.5, y + gen.uniform(20, 130)), (x - 1, y + 20)])
            fill(canvas, streak, 0.40, opacity=0.22, soft_px=2.0)


def _rail(canvas: Plane) -> None:
    """Varnished rail and rubbing strake, with grain and a line of light."""
    x = np.linspace(-20, 3020, 80)
    upper = np.stack([x, _sheer(x)], 1)
    for drop, high, tone, seed in ((0.0, 52.0, 0.40, 621), (52.0, 66.0, 0.235, 623)):
        band = np.concatenate([shifted(upper, 0, drop), shifted(upper, 0, drop + high)[::-1]])
        box = box_of(band, canvas.shape)
        assert box is not None
        part = canvas[box[0] : box[1], box[2] : box[3]]
        wood = field(part.shape, seed, (1.0, 22.0), 1.0)
        lay(part, coverage(band, box), as_plane(tone * (1 + 0.07 * wood)))
    stroke(canvas, shifted(upper, 0, 7), 9.0, 0.66, opacity=0.65, soft_px=1.6)
    stroke(canvas, shifted(upper, 0, 84), 10.0, 0.42, opacity=0.5, soft_px=2.5)


def _ring(canvas: Plane, x: float, y: float) -> None:
    """An iron ring in the wall with its shadow."""
    a = np.linspace(0, 2 * np.pi, 60)
    path = np.stack([x + 78 * np.cos(a), y + 84 * np.sin(a)], 1)
    stroke(canvas, path + SUN * 0.85, 26.0, 0.40, opacity=0.75, soft_px=2.0)
    fill(canvas, outline([(x - 34, y - 140), (x + 34, y - 140), (x + 34, y - 60), (x - 34, y - 60)]), 0.24)
    fill(
        canvas, outline([(x - 34, y - 140), (x + 34, y - 140), (x + 34, y - 128), (x - 34, y - 128)]), 0.42, soft_px=1.0
    )
    stroke(canvas, path, 28.0, 0.19)
    stroke(canvas, shifted(path, -4, -6), 8.0, 0.40, opacity=0.7, soft_px=2.5)


def _shadow(canvas: Plane, path: Points, wide: float, depth: float, box_mask: Plane, soft: float = 1.0) -> None:
    """The shadow a thing throws where `box_mask` is 1."""
    cover = plane(SHAPE)
    fill(cover, ribbon(path, wide), 1.0, soft_px=soft)
    canvas *= 1 - np.float32(depth) * cover * box_mask


ROPES = (
    ((560.0, -40.0), (1005.0, 830.0), 50.0, 0.86, 631),
    ((640.0, -40.0), (1390.0, 800.0), 50.0, 0.80, 633),
    ((2742.0, 345.0), (2030.0, 772.0), 46.0, 0.72, 635),
)


def _moorings(canvas: Plane) -> None:
    hull = _below_rail()
    _ring(canvas, 2790.0, 270.0)
    for a, b, wide, tone, seed in ROPES:
        way = np.subtract(b, a)
        path = straight(np.add(a, SUN) - way * (0.2 if a[1] < 0 else -0.0), np.add(b, SUN) - way * 0.10, 2)
        _shadow(canvas, path, wide * 0.95, 0.34, 1 - hull)
        _horn(canvas, b)
        taut_rope(canvas, a, b, wide, tone, seed)
        _turns(canvas, b)
    _fender(canvas, 455.0, hull)
    _fender(canvas, 2470.0, hull)


def _below_rail() -> Plane:
    rows = np.arange(2000, dtype=np.float32)[:, None]
    return smooth(-1.0, 1.0, as_plane(rows - _sheer(np.arange(3000.0))[None, :]))


def _horn(canvas: Plane, at: tuple[float, float]) -> None:
    x, y = at[0], float(_sheer(at[0]))
    horn = outline(
        [
            (-150, -52),
            (-128, -66),
            (128, -72),
            (152, -60),
            (130, -46),
            (60, -40),
            (48, 4),
            (-48, 8),
            (-60, -36),
            (-128, -40),
        ]
    )
    fill(canvas, shifted(horn, x, y), 0.25)
    stroke(canvas, shifted(outline([(-125, -56), (125, -63)]), x, y), 9.0, 0.58, opacity=0.7, soft_px=2.0)


def _turns(canvas: Plane, at: tuple[float, float]) -> None:
    x, y = at[0], float(_sheer(at[0]))
    t = np.linspace(-0.4, 2 * np.pi + 0.2, 56)
    bent_rope(canvas, np.stack([x + 108 * np.sin(t), y - 48 + 34 * np.sin(2 * t) - 2.2 * t], 1), 33.0, 0.80, 640)


def _fender(canvas: Plane, x: float, hull: Plane) -> None:
    """A plump cylinder hung over the side, with its lanyard and shadow."""
    top = float(_sheer(x))
    a = np.linspace(0, np.pi, 20)
    half, high, start = 92.0, 520.0, top + 215
    body = np.concatenate(
        [
            np.stack([x + half * np.cos(np.pi + a), start - 62 * np.sin(a)], 1),
            np.stack([x + half * np.cos(a), start + high + 62 * np.sin(a)], 1),
        ]
    )
    cover = plane(SHAPE)
    fill(cover, body + SUN * 0.75, 1.0, soft_px=2.0)
    canvas *= 1 - np.float32(0.42) * cover * hull
    _shadow(canvas, straight((x + 36, top + 130), (x + 44, start + 10)), 20.0, 0.4, hull, 1.4)
    rough = field(SHAPE, 651, (3.0, 3.0), 1.25)

    def skin(px: Plane, py: Plane) -> Plane:
        u = np.clip((px - np.float32(x)) / np.float32(half), -1, 1)
        turn = (
            0.30 + 0.42 * np.sqrt(np.clip(1 - (u + 0.45) ** 2 / 2.2, 0, 1)) + 0.14 * np.exp(-(((u + 0.42) / 0.16) ** 2))
        )
        ends = smooth(start - 70, start + 30, py) * smooth(start + high + 64, start + high - 60, py)
        part = rough[int(py[0, 0]) : int(py[-1, 0]) + 1, int(px[0, 0]) : int(px[0, -1]) + 1]
        return as_plane(turn * (0.62 + 0.38 * ends) * (1 + 0.02 * part))

    fill(canvas, body, skin)
    for y in (start + 26, start + high - 30):
        fill(
            canvas,
            outline([(x - half, y), (x + half, y), (x + half, y + 24), (x - half, y + 24)]),
            0.20,
            opacity=0.55,
            soft_px=0.6,
        )
    a = np.linspace(0, 2 * np.pi, 24)
    fill(canvas, np.stack([x + 30 * np.cos(a), top + 24 + 19 * np.sin(a)], 1), 0.10, soft_px=1.0)
    taut_rope(canvas, (x, top + 22), (x, start - 50), 26.0, 0.78, 653)


@lru_cache(maxsize=1)
def mooring_ropes() -> NDArray[np.uint16]:
    """Ropes, rail and planks in hard light: many clean edges between calm tones."""
    canvas = _wall()
    hull, first = _hull()
    shade = straight((-20, float(_sheer(np.float64(-20))) - 12), (3020, float(_sheer(np.float64(3020))) - 12), 60)
    shade[:, 1] = _sheer(shade[:, 0]) - 10
    fill(canvas, ribbon(shade, 44.0), 0.33, soft_px=6.0)
    x = np.linspace(-20, 3020, 80)
    body = np.concatenate([np.stack([x, _sheer(x) + 110], 1), outline([(3020, 2010), (-20, 2010)])])
    box = box_of(body, SHAPE)
    assert box is not None
    lay(
        canvas[box[0] : box[1], box[2] : box[3]],
        coverage(body, box),
        _weathered(hull)[box[0] - first : box[1] - first, box[2] : box[3]],
    )
    _nails(canvas)
    _rail(canvas)
    _moorings(canvas)
    canvas = grain(blur(canvas, 0.58), 661, 0.0030, 0.6)
    pixels = toned(
        canvas,
        [
            (0, (0.012, 0.002, -0.012)),
            (0.25, (0.030, 0.004, -0.034)),
            (0.5, (0.010, 0.002, -0.008)),
            (0.66, (0.000, 0.001, 0.004)),
            (0.85, (0.010, 0.002, -0.014)),
            (1, (0, 0, 0)),
        ],
    )
    pixels.flags.writeable = False
    return pixels


def mooring_ropes_crisp() -> NDArray[np.uint16]:
    """The same, after unsharp masking that went wrong: 300 % at a radius of 1.6 px."""
    return unsharp(mooring_ropes(), 3.0, 1.6)
