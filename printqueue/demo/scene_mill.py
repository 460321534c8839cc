"""Lit windows: the tidal mill at nightfall, its lamps and their reflections."""

import numpy as np
from numpy.typing import NDArray

from printqueue.demo.camera import Camera
from printqueue.demo.canvas import (
    Plane,
    Shape,
    as_plane,
    blur,
    encode,
    enlarge,
    generator,
    glow,
    grain,
    mix,
    plane,
    ramp,
    screen,
    smooth,
    tone_curve,
)
from printqueue.demo.growth import bare_tree
from printqueue.demo.marks import Paint, fill, hang_wall, outline, sag, stroke
from printqueue.demo.noise import field, waves
from printqueue.demo.scenery import boat, clouds, mirror_sky, reflected
from printqueue.demo.textures import blocks, boards, slates

SHAPE = (2000, 3000)
SKY = (SHAPE[0] // 4, SHAPE[1] // 4)
CAMERA = Camera(3000, 2000, 2750.0, 1170.0, 2.3, 1560.0)
PX_PER_M = 96
CORNERS = ((-11.6, 37.0), (5.6, 31.5), (12.2, 41.5))
EAVES_M, RIDGE_M, STONE_M = 9.2, 13.4, 2.7
LIT = {
    (0, 1): 0.75,
    (0, 4): 0.9,
    (1, 0): 0.55,
    (1, 2): 1.0,
    (1, 3): 0.92,
    (1, 5): 0.7,
    (2, 1): 0.95,
    (2, 2): 0.8,
    (2, 4): 1.0,
    (0, 0): 0.8,
    (1, 6): 0.6,
    (2, 6): 0.86,
    (0, 6): 0.5,
}
LIT_END = {(1, 0): 0.8, (2, 1): 0.95, (0, 1): 0.6}


def _window(wall: Plane, lamp: Plane, at: tuple[int, int], size: tuple[int, int], light: float, seed: int) -> None:
    (y, x), (h, w) = at, size
    wall[y - 7 : y + h + 7, x - 7 : x + w + 7] = 0.30
    wall[y + h + 7 : y + h + 13, x - 12 : x + w + 12] = 0.36
    wall[y : y + h, x : x + w] = 0.055
    if light > 0:
        lamp[y : y + h, x : x + w] = _room((h, w), light, seed)
    bars_y, bars_x = [y + h * k // 3 for k in (1, 2)], [x + w // 2]
    for part, tone in ((wall, 0.22), (lamp, 0.06 if light > 0 else 0.0)):
        for row in bars_y:
            part[row - 3 : row + 3, x : x + w] = tone
        for col in bars_x:
            part[y : y + h, col - 3 : col + 4] = tone


def _room(shape: Shape, light: float, seed: int) -> Plane:
    gen = generator(seed)
    spot = glow(shape, (gen.uniform(0.25, 0.75), gen.uniform(0.15, 0.4)), (0.5, 0.45))
    tone = 0.94 + 0.40 * spot - 0.24 * ramp(shape, [(0, 0), (0.55, 0.1), (1, 1)])
    if gen.uniform() < 0.6:
        side = ramp(shape, [(0, 1), (0.22, 0.8), (0.36, 0.0), (1, 0)], across=True)
        tone = tone * (1 - 0.45 * (side if gen.uniform() < 0.5 else side[:, ::-1]))
    if gen.uniform() < 0.35:
        jar = glow(shape, (gen.uniform(0.2, 0.8), 1.0), (0.10, 0.20), 2.0)
        tone = tone * (1 - 0.6 * smooth(0.3, 0.6, jar))
    return as_plane(np.clip(tone * (0.5 + 0.5 * light), 0, 1.1))


def _front(width_m: float, columns: int, lit: dict[tuple[int, int], float], seed: int) -> tuple[Plane, Plane]:
    """A wall of the mill with its windows: (tone, lamplight)."""
    h, w = int(EAVES_M * PX_PER_M), int(width_m * PX_PER_M)
    wall = boards((h, w), seed, board_px=22, tone=0.27, spread=0.016, shadow=0.09)
    foot = int(STONE_M * PX_PER_M)
    wall[-foot:] = blocks((foot, w), seed + 4, course_px=36, tone=0.24, spread=0.035, joint=0.10)
    wall[-int(1.3 * PX_PER_M) :] *= np.float32(0.55)
    wall[: int(0.4 * PX_PER_M)] *= np.float32(0.55)
    lamp = np.zeros((h, w), np.float32)
    for row in range(3):
        for col in range(columns):
            x = int((col + 0.5) * w / columns - 46)
            y = int((0.75 + row * 2.0) * PX_PER_M)
            _window(wall, lamp, (y, x), (128, 92), lit.get((row, col), 0.0), seed + 17 * row + col)
    return wall, lamp


def _arches(wall: Plane, lamp: Plane) -> None:
    h, w = wall.shape
    for k, x in enumerate(np.linspace(0.2, 0.8, 3) * w):
        a = np.linspace(np.pi, 2 * np.pi, 25)
        top = np.stack([x + 105 * np.cos(a), h - 120 + 85 * np.sin(a)], 1)
        fill(wall, np.concatenate([top, [(x + 105, h + 5), (x - 105, h + 5)]]), 0.03)
        stroke(wall, top, 15.0, 0.31)
        if k == 1:
            arch = np.concatenate([x + (top - (x, 0)) * 1.0, [(x + 105, h + 5), (x - 105, h + 5)]])
            arch[:25] = top
            fill(lamp, arch, _hearth(float(x), h - 60.0))


def _hearth(x: float, y: float) -> Paint:
    return lambda px, py: as_plane(0.5 * np.exp(-(((px - x) / 75) ** 2) - ((py - y) / 80) ** 2))


def _mill(tone: Plane, lamp: Plane, cam: Camera) -> None:
    (ax, az), (bx, bz), (cx, cz) = CORNERS
    front, light = _front(float(np.hypot(bx - ax, bz - az)), 7, LIT, 301)
    _arches(front, light)
    end, end_light = _front(float(np.hypot(cx - bx, cz - bz)), 2, LIT_END, 331)
    mid = ((bx + cx) / 2, (bz + cz) / 2)
    back = (mid[0] + ax - bx, mid[1] + az - bz)
    roof = cam.see(
        [
            (*_up(back, RIDGE_M),),
            (*_up(mid, RIDGE_M),),
            (bx + 0.3, EAVES_M - 0.15, bz - 0.3),
            (ax - 0.3, EAVES_M - 0.15, az - 0.3),
        ]
    )
    gable = cam.see([(bx, EAVES_M, bz), _up(mid, RIDGE_M), (cx, EAVES_M, cz)])
    high = int((RIDGE_M - EAVES_M) * PX_PER_M)
    wide = int(np.hypot(cx - bx, cz - bz) * PX_PER_M)
    cover = plane((high, wide))
    fill(cover, outline([(0, high), (wide / 2, 0), (wide, high)]), 1.0)
    planked = boards((high, wide), 345, board_px=22, tone=0.165, spread=0.012, shadow=0.06)
    frame = cam.see([(bx, RIDGE_M, bz), (cx, RIDGE_M, cz), (cx, EAVES_M, cz), (bx, EAVES_M, bz)])
    hang_wall(tone, frame, planked, cover)
    fill(tone, gable, 0.1, opacity=0.15)
    hang_wall(tone, roof, slates((620, 1700), 341, course_px=20, tone=0.235))
    for (p, q), wall, lights, dim in (((0, 1), front, light, 1.0), ((1, 2), end, end_light, 0.62)):
        (px, pz), (qx, qz) = CORNERS[p], CORNERS[q]
        face = cam.see([(px, EAVES_M, pz), (qx, EAVES_M, qz), (qx, -0.05, qz), (px, -0.05, pz)])
        hang_wall(tone, face, wall * np.float32(dim))
        hang_wall(lamp, face, lights)
    stroke(tone, cam.see([(bx, EAVES_M - 0.05, bz - 0.2), _up(mid, RIDGE_M + 0.1), (cx, EAVES_M, cz)]), 9.0, 0.10)
    stroke(tone, cam.see([(ax - 0.3, EAVES_M - 0.15, az - 0.3), (bx + 0.3, EAVES_M - 0.15, bz - 0.3)]), 7.0, 0.09)
    _hoist(tone, lamp, cam)
    _chimneys(tone, cam)


def _up(at: tuple[float, float], y: float) -> tuple[float, float, float]:
    return at[0], y, at[1]


def _hoist(tone: Plane, lamp: Plane, cam: Camera) -> None:
    """The sack hoist's gabled housing over the middle of the front."""
    x, z = -2.6, 33.2
    box = [
        (x - 1.3, EAVES_M - 1.9, z),
        (x - 1.3, EAVES_M + 1.3, z),
        (x, EAVES_M + 2.5, z - 0.1),
        (x + 1.3, EAVES_M + 1.3, z - 0.2),
        (x + 1.3, EAVES_M - 1.9, z - 0.2),
    ]
    fill(tone, cam.see(box), 0.21)
    fill(tone, cam.see([*box[3:], box[4], (x + 1.3, EAVES_M + 1.3, z + 1.8)]), 0.12)
    stroke(tone, cam.see([(x - 1.6, EAVES_M + 1.0, z), (x, EAVES_M + 2.6, z), (x + 1.6, EAVES_M + 1.0, z)]), 12.0, 0.08)
    door = cam.see(
        [
            (x - 0.55, EAVES_M - 1.5, z),
            (x - 0.55, EAVES_M + 0.5, z),
            (x + 0.55, EAVES_M + 0.5, z),
            (x + 0.55, EAVES_M - 1.5, z),
        ]
    )
    fill(tone, door, 0.05)
    lantern = cam.see([(x, EAVES_M + 0.95, z - 0.3)])[0]
    a = np.linspace(0, 2 * np.pi, 20)
    fill(lamp, np.stack([lantern[0] + 9 * np.cos(a), lantern[1] + 12 * np.sin(a)], 1), 1.05, soft_px=1.0)
    fill(
        lamp,
        door,
        lambda px, py: as_plane(0.30 * np.exp(-(((px - lantern[0]) / 60) ** 2) - ((py - lantern[1]) / 120) ** 2)),
    )
    stroke(tone, cam.see([(x, EAVES_M + 0.9, z), (x, EAVES_M + 0.9, z - 0.1), (x, 3.0, z - 0.1)]), 2.2, 0.05)


def _chimneys(tone: Plane, cam: Camera) -> None:
    for cx, cz in ((-7.4, 41.5), (7.8, 37.0)):
        stack = [
            (cx - 0.5, RIDGE_M - 1.2, cz),
            (cx - 0.45, RIDGE_M + 1.7, cz),
            (cx + 0.45, RIDGE_M + 1.7, cz),
            (cx + 0.5, RIDGE_M - 1.2, cz),
        ]
        fill(tone, cam.see(stack), 0.11)
        fill(
            tone,
            cam.see(
                [
                    (cx - 0.6, RIDGE_M + 1.7, cz),
                    (cx - 0.6, RIDGE_M + 1.95, cz),
                    (cx + 0.6, RIDGE_M + 1.95, cz),
                    (cx + 0.6, RIDGE_M + 1.7, cz),
                ]
            ),
            0.13,
        )


def _shore(tone: Plane, cam: Camera) -> None:
    """The dyke behind, a tree on it, a plank bridge to the mill, a punt."""
    top = field((1, 3000), 351, (1.0, 24.0), 1.4)[0] * 0.10
    x = np.linspace(-75, 75, 1500)
    dyke = np.stack([x, 1.55 + np.interp(x, np.linspace(-75, 75, 3000), top) - 0.0004 * x**2, 92 + 0 * x], 1)
    fill(tone, np.concatenate([cam.see(dyke), cam.see([(75, 0.0, 92), (-75, 0.0, 92)])]), 0.075)
    bare_tree(tone, cam.see([(-26.0, 1.5, 90)])[0], cam.see([(-26.0, 11.5, 90)])[0], 361, 0.065)
    bare_tree(tone, cam.see([(-31.0, 1.4, 91)])[0], cam.see([(-31.4, 8.0, 91)])[0], 362, 0.07)
    deck = cam.see([(-11.6, 1.9, 37.2), (-40.0, 1.9, 62.0), (-40.0, 1.65, 62.0), (-11.6, 1.65, 37.2)])
    fill(tone, deck, 0.085)
    for t in np.linspace(0, 1, 13):
        px, pz = -11.8 - 28.2 * t, 37.2 + 24.8 * t
        stroke(tone, cam.see([(px, -0.2, pz), (px, 2.9, pz)]), max(1.6, 0.13 * cam.px_per_m(pz)), 0.07)
    stroke(tone, cam.see([(-11.6, 2.85, 37.2), (-40.0, 2.85, 62.0)]), 3.0, 0.08)
    boat(tone, cam, (9.6, 24.5), 4.4, tones=(0.12, 0.26, 0.06), haze=0.2, through=1.0, turn=0.2, freeboard_m=0.42)
    ends = cam.see([(7.5, 0.55, 24.2), (5.9, 1.5, 31.4)])
    stroke(tone, sag(ends[0], ends[1], 14.0 * cam.upside), 1.6, 0.10)


def _night_sky() -> Plane:
    drift = clouds(SKY, 0.585, 371, depth=0.16, scale=80.0, beta=1.75, stretch=2.0)
    sky = ramp(SKY, [(0, 0.155), (0.3, 0.215), (0.52, 0.30), (0.585, 0.36), (1, 0.30)])
    sky += 0.17 * glow(SKY, (0.06, 0.56), (0.40, 0.20)) + 0.030 * drift
    sky = enlarge(sky, SHAPE)
    gen = generator(373)
    for x, y, s in gen.uniform(0, 1, (110, 3)):
        a = np.linspace(0, 2 * np.pi, 8)
        r = 0.7 + 1.1 * s**4
        at = (x * 2990, y**1.2 * 850)
        fill(sky, outline(np.stack([at[0] + r * np.cos(a), at[1] + r * np.sin(a)], 1)), 0.55, opacity=0.25 + 0.6 * s**3)
    return sky


def lit_windows() -> NDArray[np.uint16]:
    """The mill after sunset: nearly everything dark, the windows alight."""
    sky, first = _night_sky(), int(CAMERA.horizon_px) + 2
    mirror, mirror_lamp = mirror_sky(sky, CAMERA.horizon_px), plane(SHAPE)
    upside = CAMERA.mirrored()
    _shore(mirror, upside)
    _mill(mirror, mirror_lamp, upside)
    slopes = CAMERA.ground(waves(381, 11.0, 1.3, 2.0, 1.4), 11.0, first)
    taps = (0.3, 0.7, 1.1)
    water = reflected(blur(mirror, 0.8, 4.0), CAMERA, first, slopes, 0.013, taps=taps)
    shine = reflected(blur(mirror_lamp, 1.0, 9.0), CAMERA, first, slopes, 0.016, taps=taps)
    tone, lamp = sky, plane(SHAPE)
    deep = ramp(water.shape, [(0, 0.06), (0.3, 0.28), (1, 0.62)])
    tone[first:] = mix(water * 0.90, 0.10, deep) + slopes[..., 2] * np.float32(0.008)
    lamp[first:] = shine * (1 - 0.55 * deep) * 0.84
    _shore(tone, CAMERA)
    _mill(tone, lamp, CAMERA)
    return _printed(tone, lamp)


def _printed(tone: Plane, lamp: Plane) -> NDArray[np.uint16]:
    halo = 0.10 * blur(lamp, 16.0) + 0.16 * blur(lamp, 60.0) + 0.16 * blur(lamp, 190.0)
    tone = grain(blur(tone_curve(tone, [(0, 0.012), (0.1, 0.093), (0.3, 0.298), (1, 1)]), 0.62), 391, 0.006, 0.7)
    lamp = np.clip(blur(lamp, 0.7), 0, 1.05)
    lift = halo * (0.25 + 1.2 * tone)
    warm = (lamp * 1.03, lamp * np.sqrt(np.sqrt(lamp)) * 0.90, lamp * lamp * 0.70)
    out = np.empty((*SHAPE, 3), np.uint16)
    for channel, (cold, spill) in enumerate(((0.76, 1.0), (0.95, 0.68), (1.26, 0.34))):
        night = tone * np.float32(cold) + lift * np.float32(spill)
        out[..., channel] = encode(screen(night, np.minimum(warm[channel], np.float32(0.985))))
    return out
