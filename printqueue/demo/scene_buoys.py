"""Buoys on the store wall: painted floats, rope, sun; the most colourful picture of the set."""

import numpy as np
from numpy.typing import NDArray

from printqueue.demo.canvas import (
    Plane,
    as_plane,
    blur,
    colour,
    encode,
    enlarge,
    generator,
    glow,
    grain,
    plane,
    ramp,
    smooth,
)
from printqueue.demo.cordage import laid_rope
from printqueue.demo.marks import Points, fill, hang_wall, lay, outline, sag, stroke
from printqueue.demo.noise import field, tile
from printqueue.demo.scenery import sampled
from printqueue.demo.textures import planks

SHAPE = (1600, 2400)
SUN = np.array([58.0, 66.0])
RGB = tuple[float, float, float]
RED, ORANGE, YELLOW = (0.70, 0.13, 0.09), (0.90, 0.40, 0.08), (0.90, 0.70, 0.16)
WHITE, TEAL, BLUE, GREEN = (0.90, 0.875, 0.82), (0.07, 0.42, 0.44), (0.12, 0.27, 0.55), (0.16, 0.40, 0.20)
Float = tuple[float, float, float, float, float, RGB, RGB, str]
FLOATS: tuple[Float, ...] = (  # x, y, half width, half height, tilt, colour, second colour, kind
    (245, 640, 98, 132, 0.06, ORANGE, WHITE, "egg"),
    (478, 800, 104, 108, -0.05, RED, RED, "ball"),
    (640, 560, 66, 182, 0.03, WHITE, RED, "stick"),
    (850, 760, 112, 148, -0.03, TEAL, YELLOW, "egg"),
    (1085, 610, 100, 104, 0.04, YELLOW, YELLOW, "ball"),
    (1290, 850, 72, 196, -0.04, BLUE, WHITE, "stick"),
    (1500, 650, 110, 142, 0.05, RED, WHITE, "egg"),
    (1745, 800, 106, 110, 0.0, WHITE, WHITE, "ball"),
    (1930, 585, 64, 178, -0.05, GREEN, ORANGE, "stick"),
    (2150, 740, 108, 140, 0.03, ORANGE, BLUE, "egg"),
)


def _wall() -> Plane:
    """Weathered planks under old blue-grey paint."""
    wood = planks(SHAPE, 1101, plank_px=205, tone=0.50, spread=0.022, gap=0.34)
    peel = enlarge(field((400, 600), 1103, (4.0, 2.0), 1.5), SHAPE) + 0.55 * field(SHAPE, 1105, (9.0, 1.5), 1.1)
    bare = smooth(1.05, 1.22, peel)
    edge = smooth(0.95, 1.10, peel) * (1 - bare)
    paint = colour(wood, (0.90, 1.01, 1.045))
    timber = colour(as_plane(wood * 0.86), (1.10, 1.0, 0.86))
    wall = paint + (timber - paint) * bare[..., None] - 0.08 * edge[..., None]
    for y in (215.0, 1420.0):
        gen = generator(int(y))
        for x in np.arange(30, 2400, 205.0):
            for dx in (36, 160):
                at = outline(
                    [
                        (x + dx + 5 * np.cos(a), y + gen.normal(0, 4) * 0.2 + 5 * np.sin(a))
                        for a in np.linspace(0, 6.28, 10)
                    ]
                )
                fill(wall, at, (0.16, 0.13, 0.12), opacity=0.8)
                drip = outline([(x + dx - 4, y + 3), (x + dx + 4, y + 3), (x + dx + 2, y + gen.uniform(40, 190))])
                fill(wall, drip, (0.36, 0.24, 0.16), opacity=0.30, soft_px=2.0)
    return as_plane(wall * (0.84 + 0.26 * glow(SHAPE, (0.30, 0.25), (0.75, 0.85)))[..., None])


def _rail(canvas: Plane) -> None:
    """The peg rail, and what it throws on the wall."""
    dim = plane(SHAPE)
    fill(dim, outline([(0, 292), (2400, 292), (2400, 387), (0, 387)]), 0.52, soft_px=5.0)
    canvas *= 1 - dim[..., None] * np.array([1.0, 0.96, 0.88], np.float32)
    rail = planks((2400, 100), 1111, plank_px=100, tone=0.52, spread=0.0, gap=0.04).T
    part = canvas[246:346]
    lay(
        part,
        plane((100, 2400), 1.0),
        colour(
            as_plane(rail * ramp((100, 2400), [(0, 1.25), (0.1, 1.05), (0.9, 0.85), (1, 0.55)])), (1.10, 0.98, 0.82)
        ),
    )
    for x, *_ in FLOATS:
        for shift, tone in (((16.0, 18.0), (0.17, 0.15, 0.13)), ((0.0, 0.0), (0.34, 0.28, 0.22))):
            peg = outline([(x - 13, 288), (x + 13, 288), (x + 12, 322), (x - 12, 322)]) + shift
            fill(canvas, peg, tone, opacity=0.9, soft_px=1.0 if shift[0] == 0 else 4.0)
        knob = np.stack([x + 19 * np.cos(np.linspace(0, 6.28, 24)), 300 + 17 * np.sin(np.linspace(0, 6.28, 24))], 1)
        fill(canvas, knob, (0.46, 0.37, 0.28))
        fill(canvas, knob * (0.4, 0.4) + (x * 0.6 - 6, 300 * 0.6 - 5), (0.78, 0.68, 0.55), opacity=0.7, soft_px=3.0)


def _outline(item: Float) -> Points:
    x, y, wide, high, tilt, _, _, kind = item
    a = np.linspace(0, 2 * np.pi, 120)
    power = {"egg": 1.0, "ball": 1.0, "stick": 0.45}[kind]
    px, py = np.cos(a), np.sin(a)
    px = np.sign(px) * np.abs(px) ** (power if kind == "stick" else 1.0)
    if kind == "stick":
        py = np.sign(py) * np.abs(py) ** 0.62
    if kind == "egg":
        px = px * (1 + 0.13 * py)
    c, s = np.cos(tilt), np.sin(tilt)
    return np.stack([x + wide * px * c - high * py * s, y + wide * px * s + high * py * c], 1)


def _float(canvas: Plane, item: Float, seed: int) -> None:
    x, y, wide, high, tilt, first, second, kind = item
    c, s = np.cos(tilt), np.sin(tilt)
    main, other = np.array(first, np.float32), np.array(second, np.float32)

    def skin(px: Plane, py: Plane) -> Plane:
        u = ((px - np.float32(x)) * c + (py - np.float32(y)) * s) / np.float32(wide)
        v = (-(px - np.float32(x)) * s + (py - np.float32(y)) * c) / np.float32(high)
        flat = {"egg": 1.0, "ball": 1.0, "stick": 0.55}[kind]
        nx, ny = np.clip(u, -1, 1), np.clip(v, -1, 1) * (np.abs(v) ** (3.0 if kind == "stick" else 0.0)) * flat
        nz = np.sqrt(np.clip(1 - nx * nx - ny * ny, 0.0, 1))
        lit = np.clip(-0.50 * nx - 0.55 * ny + 0.67 * nz, 0, 1)
        shine = np.clip(-0.28 * nx - 0.31 * ny + 0.91 * nz, 0, 1)
        worn = sampled(tile(seed, 1.5), u * 150 + seed * 77, v * 150 + 300)
        fine = sampled(tile(seed + 1, 1.0), px * 1.0 + 0 * py, py * 1.0 + 0 * px)
        paint = _banded(main, other, as_plane(v + 0.012 * worn), kind)
        scuff = smooth(1.25, 1.7, worn + 0.25 * fine)[..., None]
        paint = paint * (1 + 0.05 * worn + 0.018 * fine)[..., None]
        paint = paint + (np.array([0.70, 0.67, 0.60], np.float32) * 0.9 - paint) * scuff * 0.75
        bounce = 0.16 * np.clip(0.55 * nx + 0.45 * ny, 0, 1)
        body = paint * (0.20 + 0.92 * lit**0.9 + bounce)[..., None]
        gloss = 0.42 * shine**46 * (1 - 0.7 * scuff[..., 0]) * (1 + 0.2 * fine) + 0.05 * shine**8
        return as_plane(body + (0.96 - body) * np.clip(gloss, 0, 1)[..., None])

    fill(canvas, _outline(item), skin)


def _banded(main: Plane, other: Plane, v: Plane, kind: str) -> Plane:
    if kind == "ball":
        seam = np.exp(-((v / 0.018) ** 2))
        return as_plane(main * (1 - 0.35 * seam[..., None]))
    if kind == "egg":
        share = smooth(0.18, 0.20, v) * smooth(0.56, 0.54, v)
    else:
        share = smooth(-0.30, -0.29, v) * smooth(0.06, 0.05, v) + smooth(0.46, 0.47, v)
    return as_plane(main + (other - main) * share[..., None])


def _shadow(canvas: Plane, shape: Points, soft: float, depth: float) -> None:
    dim = plane(SHAPE[:2])
    fill(dim, shape, 1.0, soft_px=soft)
    top, low = max(0, int(shape[:, 1].min()) - 60), int(shape[:, 1].max()) + 60
    left, right = max(0, int(shape[:, 0].min()) - 60), int(shape[:, 0].max()) + 60
    box = (slice(top, low), slice(left, right))
    canvas[box] *= 1 - dim[box][..., None] * np.array([1.0, 0.95, 0.86], np.float32) * np.float32(depth)


def _line(canvas: Plane, a: Points, b: Points, wide: float, tint: RGB, seed: int) -> None:
    along = b - a
    normal = np.array([-along[1], along[0]]) / np.hypot(*along) * wide / 2
    rope = laid_rope(int(np.hypot(*along)), int(wide), 0.80, seed)
    hang_wall(canvas, np.stack([a + normal, b + normal, b - normal, a - normal]), colour(rope, tint))


def _hanging(canvas: Plane, item: Float, seed: int) -> None:
    x, y, _, high, tilt, *_ = item
    eye = np.array([x + high * np.sin(tilt), y - high * np.cos(tilt)])
    peg = np.array([float(x), 306.0])
    tint = ((1.02, 0.94, 0.76), (0.62, 0.80, 0.86), (1.05, 0.98, 0.90))[seed % 3]
    _shadow(
        canvas,
        np.concatenate(
            [[peg + SUN * 0.5 + (-8, 0)], [peg + SUN * 0.5 + (8, 0)], [eye + SUN + (8, 0)], [eye + SUN + (-8, 0)]]
        ),
        3.0,
        0.45,
    )
    _shadow(canvas, _outline(item) + SUN * (1.0, 1.0), 9.0, 0.58)
    _line(canvas, peg, eye + np.array([0, 6]), 19.0, tint, 1130 + seed)
    a = np.linspace(0, 2 * np.pi, 40)
    stroke(canvas, np.stack([eye[0] + 17 * np.cos(a), eye[1] - 6 + 20 * np.sin(a)], 1), 12.0, (0.20, 0.19, 0.18))
    _float(canvas, item, seed)


def _swag(canvas: Plane) -> None:
    """A long line looped from peg to peg under the floats."""
    for k, (a, b) in enumerate(((478, 1290), (1290, 1745), (245, 850))):
        path = sag((a, 330), (b, 330), 700 + 60 * k, 70)
        _shadow(canvas, np.concatenate([path + SUN * 0.7 + (0, -8), (path + SUN * 0.7 + (0, 8))[::-1]]), 3.0, 0.35)
        stroke(canvas, path, 15.0, (0.46, 0.40, 0.30))
        stroke(canvas, path - (2, 3), 7.0, (0.76, 0.68, 0.52), opacity=0.85, soft_px=1.6)
        lengths = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(path, axis=0).T))])
        for s in np.arange(0, lengths[-1], 11.0):
            tick = np.array([5.0, 6.0])
            at = np.array([np.interp(s, lengths, path[:, 0]), np.interp(s, lengths, path[:, 1])])
            stroke(canvas, np.stack([at - tick, at + tick]), 2.0, (0.30, 0.25, 0.18), opacity=0.5)


def buoys() -> NDArray[np.uint16]:
    """Ten painted floats on a peg rail, in sun."""
    canvas = _wall()
    _rail(canvas)
    _swag(canvas)
    for k, item in enumerate(FLOATS):
        _hanging(canvas, item, k)
    return encode(grain(blur(canvas, 0.6), 1151, 0.005, 0.7), 0.22)
