"""Lit windows: the tidal mill at nightfall, with its lamps and their reflections."""

from dataclasses import dataclass

import numpy as np

from printqueue.demo.camera import Camera
from printqueue.demo.canvas import (
    Pixels,
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
    smooth,
    tone_curve,
)
from printqueue.demo.growth import bare_tree
from printqueue.demo.marks import Paint, fill, hang_wall, sag, stroke
from printqueue.demo.noise import field, waves
from printqueue.demo.scenery import Boat, Veil, clouds, mirror_sky, reflected
from printqueue.demo.textures import blocks, boards, slates

SHAPE = (2000, 3000)
SKY = (SHAPE[0] // 4, SHAPE[1] // 4)
CAMERA = Camera(3000, 2000, 2750.0, 1170.0, 2.3, 1560.0)
PX_PER_M = 96  # of the walls' textures
Corner = tuple[float, float]
LEFT, FRONT, RIGHT = (-11.6, 37.0), (5.6, 31.5), (12.2, 41.5)  # the mill's corners, (x, z) in metres
MIDDLE = ((FRONT[0] + RIGHT[0]) / 2, (FRONT[1] + RIGHT[1]) / 2)  # under the gable's peak
BACK = (MIDDLE[0] + LEFT[0] - FRONT[0], MIDDLE[1] + LEFT[1] - FRONT[1])  # under the far end of the ridge
EAVES_M, RIDGE_M, STONE_M = 9.2, 13.4, 2.7
WINDOW_PX = (128, 92)
Lamps = tuple[tuple[float, ...], ...]  # how bright each window on each floor is; 0: nobody there
FRONT_LAMPS: Lamps = ((0.8, 0.75, 0, 0, 0.9, 0, 0.5), (0.55, 0, 1, 0.92, 0, 0.7, 0.6), (0, 0.95, 0.8, 0, 1, 0, 0.86))
END_LAMPS: Lamps = ((0, 0.6), (0.8, 0), (0, 0.95))
HOIST = (-2.6, 33.2)  # the sack hoist's housing, (x, z)


@dataclass(frozen=True, slots=True)
class Night:
    """What the last daylight shows, and what the lamps add."""

    tone: Plane
    lamp: Plane


def _over(corner: Corner, y: float) -> tuple[float, float, float]:
    """The point `y` metres above a corner of the mill."""
    return corner[0], y, corner[1]


def _metres(a: Corner, b: Corner) -> float:
    return float(np.hypot(b[0] - a[0], b[1] - a[1]))


def _room(shape: Shape, light: float, seed: int) -> Plane:
    """A lit room seen through its window: a lamp high up, sometimes a curtain, sometimes a jar on the sill."""
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


def _window(wall: Night, at: tuple[int, int], light: float, seed: int) -> None:
    """Draw a framed window of six panes, its upper left corner `at` (row, column)."""
    (y, x), (h, w) = at, WINDOW_PX
    wall.tone[y - 7 : y + h + 7, x - 7 : x + w + 7] = 0.30
    wall.tone[y + h + 7 : y + h + 13, x - 12 : x + w + 12] = 0.36
    wall.tone[y : y + h, x : x + w] = 0.055
    if light > 0:
        wall.lamp[y : y + h, x : x + w] = _room((h, w), light, seed)
    for part, bar in ((wall.tone, 0.22), (wall.lamp, 0.06 if light > 0 else 0.0)):
        for row in (y + h // 3, y + h * 2 // 3):
            part[row - 3 : row + 3, x : x + w] = bar
        part[y : y + h, x + w // 2 - 3 : x + w // 2 + 4] = bar


def _wall(width_m: float, lamps: Lamps, seed: int) -> Night:
    """One wall of the mill with its windows: boards on a stone base, dark at the tide mark and under the eaves."""
    h, w = int(EAVES_M * PX_PER_M), int(width_m * PX_PER_M)
    tone = boards((h, w), seed, board_px=22, tone=0.27, spread=0.016, shadow=0.09)
    foot = int(STONE_M * PX_PER_M)
    tone[-foot:] = blocks((foot, w), seed + 4, course_px=36, tone=0.24, spread=0.035, joint=0.10)
    tone[-int(1.3 * PX_PER_M) :] *= np.float32(0.55)
    tone[: int(0.4 * PX_PER_M)] *= np.float32(0.55)
    wall = Night(tone, plane((h, w)))
    for row, floor in enumerate(lamps):
        for col, light in enumerate(floor):
            at = (int((0.75 + row * 2.0) * PX_PER_M), int((col + 0.5) * w / len(floor) - WINDOW_PX[1] / 2))
            _window(wall, at, light, seed + 17 * row + col)
    return wall


def _arches(wall: Night) -> None:
    """Draw the three arches where the tide runs in, with a lantern behind the middle one."""
    h, w = wall.tone.shape
    a = np.linspace(np.pi, 2 * np.pi, 25)
    for k, x in enumerate(np.linspace(0.2, 0.8, 3) * w):
        top = np.stack([x + 105 * np.cos(a), h - 120 + 85 * np.sin(a)], 1)
        arch = np.concatenate([top, [(x + 105, h + 5), (x - 105, h + 5)]])
        fill(wall.tone, arch, 0.03)
        stroke(wall.tone, top, 15.0, 0.31)
        if k == 1:
            fill(wall.lamp, arch, _shine(0.5, (float(x), h - 60.0), (75, 80)))


def _shine(strength: float, at: Corner, reach: Corner) -> Paint:
    """The light that a lamp `at` (x, y) casts on what is behind it."""
    return lambda px, py: as_plane(
        strength * np.exp(-(((px - at[0]) / reach[0]) ** 2) - ((py - at[1]) / reach[1]) ** 2)
    )


def _mill(night: Night, cam: Camera) -> None:
    front, end = _wall(_metres(LEFT, FRONT), FRONT_LAMPS, 301), _wall(_metres(FRONT, RIGHT), END_LAMPS, 331)
    _arches(front)
    _roof(night.tone, cam)
    for a, b, wall, dim in ((LEFT, FRONT, front, 1.0), (FRONT, RIGHT, end, 0.62)):
        face = cam.see([_over(a, EAVES_M), _over(b, EAVES_M), _over(b, -0.05), _over(a, -0.05)])
        hang_wall(night.tone, face, wall.tone * np.float32(dim))
        hang_wall(night.lamp, face, wall.lamp)
    barge = [(FRONT[0], EAVES_M - 0.05, FRONT[1] - 0.2), _over(MIDDLE, RIDGE_M + 0.1), _over(RIGHT, EAVES_M)]
    stroke(night.tone, cam.see(barge), 9.0, 0.10)
    stroke(night.tone, cam.see(_eaves()), 7.0, 0.09)
    _hoist(night, cam)


def _eaves() -> list[tuple[float, float, float]]:
    """The edge of the roof above the front."""
    y = EAVES_M - 0.15
    return [(LEFT[0] - 0.3, y, LEFT[1] - 0.3), (FRONT[0] + 0.3, y, FRONT[1] - 0.3)]


def _roof(tone: Plane, cam: Camera) -> None:
    """Draw the chimneys, the boarded gable and the slates."""
    stack = blocks((220, 96), 343, course_px=18, tone=0.16, spread=0.02, joint=0.05)
    for x, z in ((-7.4, 41.5), (7.8, 37.0)):
        hang_wall(tone, cam.panel((x - 0.48, x + 0.48), (RIDGE_M - 0.5, RIDGE_M + 1.7), z), stack)
        fill(tone, cam.panel((x - 0.6, x + 0.6), (RIDGE_M + 1.7, RIDGE_M + 1.95), z), 0.17)
    high, wide = int((RIDGE_M - EAVES_M) * PX_PER_M), int(_metres(FRONT, RIGHT) * PX_PER_M)
    cover = plane((high, wide))
    fill(cover, np.array([(0, high), (wide / 2, 0), (wide, high)]), 1.0)
    planked = boards((high, wide), 345, board_px=22, tone=0.156, spread=0.012, shadow=0.06)
    frame = [_over(FRONT, RIDGE_M), _over(RIGHT, RIDGE_M), _over(RIGHT, EAVES_M), _over(FRONT, EAVES_M)]
    hang_wall(tone, cam.see(frame), planked, cover)
    slope = cam.see([_over(BACK, RIDGE_M), _over(MIDDLE, RIDGE_M), *reversed(_eaves())])
    hang_wall(tone, slope, slates((620, 1700), 341, course_px=20, tone=0.235))


def _hoist(night: Night, cam: Camera) -> None:
    """Draw the sack hoist's gabled housing, with its lantern, above the middle of the front."""
    x, z = HOIST
    low, high, peak = EAVES_M - 2.3, EAVES_M + 1.3, EAVES_M + 2.5
    wall = boards((480, 260), 347, board_px=16, tone=0.235, spread=0.014, shadow=0.07)
    hang_wall(night.tone, cam.panel((x - 1.3, x + 1.3), (low, high), z - 0.1), wall[120:])
    gable = plane((120, 260))
    fill(gable, np.array([(0, 120), (130, 0), (260, 120)]), 1.0)
    hang_wall(night.tone, cam.panel((x - 1.3, x + 1.3), (high, peak), z - 0.1), wall[:120], gable)
    cheek = [(x + 1.3, high, z - 0.2), (x + 1.3, low, z - 0.2), (x + 1.3, high, z + 1.8)]
    fill(night.tone, cam.see(cheek), 0.12)
    barge = cam.see([(x - 1.6, high - 0.3, z), (x, peak + 0.1, z), (x + 1.6, high - 0.3, z)])
    stroke(night.tone, barge, 12.0, 0.08)
    door, lantern = cam.panel((x - 0.55, x + 0.55), (low + 0.8, high - 0.8), z), cam.see([(x, high - 0.35, z - 0.3)])[0]
    fill(night.tone, cam.panel((x - 0.64, x + 0.64), (low + 0.71, high - 0.71), z), 0.30)
    fill(night.tone, door, 0.05)
    fill(night.lamp, door, _shine(0.30, (lantern[0], lantern[1]), (60, 120)))
    a = np.linspace(0, 2 * np.pi, 20)
    fill(night.lamp, lantern + np.stack([9 * np.cos(a), 12 * np.sin(a)], 1), 1.05, soft_px=1.0)
    for part, rope in ((night.tone, 0.05), (night.lamp, 0.0)):
        stroke(part, cam.see([(x, high - 0.4, z - 0.3), (x, 3.0, z - 0.3)]), 2.4, rope)


def _shore(tone: Plane, cam: Camera) -> None:
    """Draw the dyke behind with its trees, a plank bridge to the mill, a punt."""
    x = np.linspace(-75, 75, 1500)
    rough = np.interp(x, np.linspace(-75, 75, 3000), field((1, 3000), 351, (1.0, 24.0), 1.4)[0] * 0.10)
    dyke = np.stack([x, 1.55 + rough - 0.0004 * x**2, 92 + 0 * x], 1)
    fill(tone, np.concatenate([cam.see(dyke), cam.see([(75, 0.0, 92), (-75, 0.0, 92)])]), 0.075)
    for foot, head, seed in (((-26.0, 1.5, 90), (-26.0, 11.5, 90), 361), ((-31.0, 1.4, 91), (-31.4, 8.0, 91), 362)):
        bare_tree(tone, cam.see([foot, head]), seed, 0.07)
    near, far = (LEFT[0], 37.2), (-40.0, 62.0)
    fill(tone, cam.see([_over(near, 1.9), _over(far, 1.9), _over(far, 1.65), _over(near, 1.65)]), 0.085)
    for px, pz in np.linspace((-11.8, 37.2), far, 13):
        stroke(tone, cam.see([(px, -0.2, pz), (px, 2.9, pz)]), max(1.6, 0.13 * cam.px_per_m(pz)), 0.07)
    stroke(tone, cam.see([_over(near, 2.85), _over(far, 2.85)]), 3.0, 0.08)
    punt = Boat(9.6, 24.5, 4.4, (0.12, 0.26, 0.06), turn=0.2, freeboard_m=0.42)
    punt.draw(tone, cam, Veil(0.0, 1.0))
    ends = cam.see([(7.5, 0.55, 24.2), (5.9, 1.5, 31.4)])
    stroke(tone, sag(ends[0], ends[1], 14.0 * cam.upside), 1.6, 0.10)


def _night_sky() -> Plane:
    """The last light low on the left, and a few stars."""
    drift = clouds(SKY, 0.585, 371, depth=0.16, scale=80.0, stretch=2.0)
    small = ramp(SKY, [(0, 0.155), (0.3, 0.215), (0.52, 0.30), (0.585, 0.36), (1, 0.30)])
    sky = enlarge(small + 0.17 * glow(SKY, (0.06, 0.56), (0.40, 0.20)) + 0.030 * drift, SHAPE)
    a = np.linspace(0, 2 * np.pi, 8)
    for x, y, s in generator(373).uniform(0, 1, (110, 3)):
        star = (x * 2990, y**1.2 * 850) + (0.7 + 1.1 * s**4) * np.stack([np.cos(a), np.sin(a)], 1)
        fill(sky, star, 0.55, opacity=0.25 + 0.6 * s**3)
    return sky


def lit_windows() -> Pixels:
    """The mill after sunset: almost everything dark, the windows lit."""
    sky, first = _night_sky(), int(CAMERA.horizon_px) + 2
    mirror, upside = Night(mirror_sky(sky, CAMERA.horizon_px), plane(SHAPE)), CAMERA.mirrored()
    _shore(mirror.tone, upside)
    _mill(mirror, upside)
    slopes = CAMERA.ground(waves(381, 11.0, 1.3, 2.0, heading=1.4), 11.0, first)
    taps = (0.3, 0.7, 1.1)
    water = reflected(blur(mirror.tone, 0.8, 4.0), CAMERA, first, slopes, strength=0.013, taps=taps)
    shine = reflected(blur(mirror.lamp, 1.0, 9.0), CAMERA, first, slopes, strength=0.016, taps=taps)
    night = Night(sky, plane(SHAPE))
    deep = ramp(water.shape, [(0, 0.06), (0.3, 0.28), (1, 0.62)])
    night.tone[first:] = mix(water * 0.90, 0.10, deep) + slopes[..., 2] * np.float32(0.008)
    night.lamp[first:] = shine * (1 - 0.55 * deep) * 0.84
    _shore(night.tone, CAMERA)
    _mill(night, CAMERA)
    return _printed(night)


def _printed(night: Night) -> Pixels:
    """Cold daylight and warm lamps, each lamp with its halo."""
    halo = 0.10 * blur(night.lamp, 16.0) + 0.16 * blur(night.lamp, 60.0) + 0.16 * blur(night.lamp, 190.0)
    tone = tone_curve(night.tone, [(0, 0.012), (0.1, 0.093), (0.3, 0.298), (1, 1)])
    tone = grain(blur(tone, 0.62), 391, 0.006, 0.7)
    lamp, lift = np.clip(blur(night.lamp, 0.7), 0, 1.05), halo * (0.25 + 1.2 * tone)
    warm = (lamp * 1.03, lamp * np.sqrt(np.sqrt(lamp)) * 0.90, lamp * lamp * 0.70)
    out = np.empty((*SHAPE, 3), np.uint16)
    for channel, (cold, spill) in enumerate(((0.76, 1.0), (0.95, 0.68), (1.26, 0.34))):
        seen, light = tone * np.float32(cold) + lift * np.float32(spill), np.minimum(warm[channel], np.float32(0.985))
        out[..., channel] = encode(seen + light * (1 - seen))  # light adds up, but never beyond white
    return out
