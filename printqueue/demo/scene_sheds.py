"""Boat sheds: five painted fronts and their doubles in a still harbour."""

import cv2
import numpy as np
from numpy.typing import NDArray

from printqueue.demo.camera import Camera
from printqueue.demo.canvas import Plane, as_plane, blur, colour, encode, enlarge, glow, grain, plane, ramp, smooth
from printqueue.demo.marks import fill, hang_wall, outline, sag, shifted, stroke
from printqueue.demo.noise import field, waves
from printqueue.demo.scenery import clouds, mirror_sky, reflected
from printqueue.demo.textures import blocks, boards, planks, slates

SHAPE = (1600, 2400)
SKY = (SHAPE[0] // 4, SHAPE[1] // 4)
CAMERA = Camera(2400, 1600, 2600.0, 905.0, 2.2)
FRONT_M, PX_PER_M, QUAY_M = 26.0, 92, 1.15
RGB = tuple[float, float, float]
SHEDS: tuple[tuple[float, float, float, float, RGB, int], ...] = (  # left edge, width, eaves, ridge (m), colour, seed
    (-10.9, 4.3, 3.0, 5.0, (0.50, 0.215, 0.175), 1201),
    (-6.2, 3.6, 2.7, 4.4, (0.66, 0.65, 0.61), 1203),
    (-2.2, 4.8, 3.6, 5.9, (0.245, 0.36, 0.41), 1205),
    (3.0, 3.7, 2.8, 4.6, (0.70, 0.51, 0.235), 1207),
    (7.1, 4.2, 3.1, 5.1, (0.30, 0.37, 0.27), 1209),
)


def _sky() -> Plane:
    drift = clouds(SKY, 0.565, 1211, depth=0.16, scale=95.0, beta=1.75, stretch=2.0)
    light = ramp(SKY, [(0, 0.60), (0.30, 0.72), (0.53, 0.84), (0.565, 0.86), (1, 0.85)])
    tone = (
        light
        - 0.075 * smooth(-0.6, 1.6, drift)
        + 0.05 * smooth(0.1, -1.8, drift)
        + 0.05 * glow(SKY, (0.78, 0.4), (0.4, 0.3))
    )
    tint = ramp(SKY, [(0, 0.0), (0.565, 1.0), (1, 1.0)])[..., None]
    return enlarge(
        tone[..., None]
        * (np.array([0.955, 1.0, 1.05], np.float32) + tint * np.array([0.065, 0.0, -0.085], np.float32)),
        SHAPE,
    )


def _hills(canvas: Plane, cam: Camera) -> None:
    x = np.linspace(-330, 330, 700)
    for z, high, tone, seed in (
        (700.0, 62.0, (0.66, 0.70, 0.74), 1221),
        (430.0, 27.0, (0.50, 0.55, 0.565), 1223),
        (250.0, 9.5, (0.33, 0.375, 0.35), 1225),
    ):
        top = high * (0.45 + 0.28 * field((1, 700), seed, (1.0, 9.0), 1.75)[0]) + (1.0 if z < 300 else 0.0)
        if z < 300:
            top = top + 1.6 * field((1, 700), seed + 1, (1.0, 1.5), 0.75)[0]
        crest = np.stack([x * z / 700, np.maximum(top, 0.4), z + 0 * x], 1)
        foot = [(x[-1] * z / 700, 0, z), (x[0] * z / 700, 0, z)]
        fill(canvas, np.concatenate([cam.see(crest), cam.see(foot)]), tone, soft_px=1.0)


def _front(width_m: float, eaves: float, ridge: float, paint: RGB, seed: int) -> tuple[Plane, Plane]:
    """One gabled front: (colour, cover)."""
    h, w = int(ridge * PX_PER_M), int(width_m * PX_PER_M)
    if seed % 4 == 1:
        wall = planks((h, w), seed, plank_px=17, tone=1.0, spread=0.045, gap=0.34)
    else:
        wall = boards((h, w), seed, board_px=17, tone=0.93, spread=0.035, shadow=0.34)
    wall *= ramp((h, w), [(0, 1.05), (0.75, 1.0), (0.955, 0.84), (1, 0.62)])
    faded = enlarge(field((h // 4, w // 4), seed + 5, (2.0, 2.0), 1.6), (h, w))
    face = colour(wall, paint)
    bleached = colour(wall, tuple(0.55 * c + 0.26 for c in paint))
    face += (bleached - face) * (0.30 * smooth(-0.3, 1.8, faded))[..., None]
    _doors(face, h, w, seed)
    cover = plane((h, w))
    rise = (ridge - eaves) * PX_PER_M
    fill(cover, outline([(0, h), (0, rise), (w / 2, 0), (w, rise), (w, h)]), 1.0)
    shade = plane((h, w))
    for a, b in (((0, rise), (w / 2, 0)), ((w, rise), (w / 2, 0))):
        stroke(shade, shifted(outline([a, b]), 0, 15), 34.0, 0.50, soft_px=3.0)
    return as_plane(face * (1 - shade)[..., None]), cover


def _doors(face: Plane, h: int, w: int, seed: int) -> None:
    """Double doors with straps, a loft window with a white frame."""
    tall, wide = int(2.15 * PX_PER_M), int(min(2.3, 0.56 * w / PX_PER_M) * PX_PER_M)
    x = (w - wide) // 2 + (seed % 5 - 2) * 14
    leaf = planks((tall, wide), seed + 7, plank_px=14, tone=0.34 + 0.03 * (seed % 3), spread=0.02, gap=0.12)
    tint = ((1.0, 1.0, 1.0), (0.86, 1.02, 1.06), (1.16, 0.98, 0.80))[seed % 3]
    face[h - tall : h, x : x + wide] = colour(leaf, tint)
    white = (0.80, 0.785, 0.745)
    for points in (
        [(x - 9, h), (x - 9, h - tall - 9), (x, h - tall - 9), (x, h)],
        [(x + wide, h), (x + wide, h - tall - 9), (x + wide + 9, h - tall - 9), (x + wide + 9, h)],
        [(x - 9, h - tall - 10), (x + wide + 9, h - tall - 10), (x + wide + 9, h - tall), (x - 9, h - tall)],
    ):
        fill(face, outline(points), white)
    stroke(face, outline([(x + wide / 2, h), (x + wide / 2, h - tall)]), 3.0, (0.10, 0.10, 0.10))
    for y in (h - tall * 0.83, h - tall * 0.2):
        for a, b in ((x + 4, x + wide * 0.42), (x + wide - 4, x + wide * 0.58)):
            stroke(face, outline([(a, y), (b, y)]), 6.0, (0.12, 0.12, 0.125))
    _loft_window(face, w / 2, h - tall - 66.0)


def _loft_window(face: Plane, x: float, y: float) -> None:
    fill(face, outline([(x - 33, y - 36), (x + 33, y - 36), (x + 33, y + 34), (x - 33, y + 34)]), (0.80, 0.785, 0.745))
    fill(face, outline([(x - 26, y - 29), (x + 26, y - 29), (x + 26, y + 27), (x - 26, y + 27)]), (0.17, 0.20, 0.225))
    fill(
        face,
        outline([(x - 26, y - 29), (x + 6, y - 29), (x - 22, y + 27), (x - 26, y + 27)]),
        (0.42, 0.46, 0.49),
        opacity=0.55,
        soft_px=2.0,
    )
    for a, b in (((x, y - 29), (x, y + 27)), ((x - 26, y - 1), (x + 26, y - 1))):
        stroke(face, outline([a, b]), 4.0, (0.74, 0.73, 0.70))


def _shed(canvas: Plane, cam: Camera, shed: tuple[float, float, float, float, RGB, int]) -> None:
    left, width, eaves, ridge, paint, seed = shed
    z, back, base = FRONT_M, FRONT_M + 8.5, QUAY_M
    right, middle = left + width, left + width / 2
    inner, outer = (right, 1) if middle < 0 else (left, -1)
    side = [(inner, base + eaves, z), (inner, base + eaves, back), (inner, base, back), (inner, base, z)]
    flank = boards((int(eaves * 60), 480), seed + 11, board_px=12, tone=0.62, spread=0.02, shadow=0.2)
    hang_wall(canvas, cam.see(side), colour(flank, tuple(c * 0.72 for c in paint)))
    roof = colour(slates((300, 420), seed + 13, course_px=13, tone=0.40), (0.97, 1.0, 1.05))
    slope = [
        (middle, base + ridge + 0.12, z - 0.15),
        (middle, base + ridge + 0.12, back),
        (inner + 0.22 * outer, base + eaves - 0.14, back),
        (inner + 0.22 * outer, base + eaves - 0.14, z - 0.15),
    ]
    hang_wall(canvas, cam.see(slope), roof)
    face, cover = _front(width, eaves, ridge, paint, seed)
    hang_wall(
        canvas,
        cam.see([(left, base + ridge, z), (right, base + ridge, z), (right, base, z), (left, base, z)]),
        face,
        cover,
    )
    verge = cam.see(
        [
            (left - 0.22, base + eaves - 0.14, z - 0.1),
            (middle, base + ridge + 0.14, z - 0.1),
            (right + 0.22, base + eaves - 0.14, z - 0.1),
        ]
    )
    stroke(canvas, verge, 17.0, (0.73, 0.72, 0.69))
    stroke(canvas, verge - (0, 8.0 * cam.upside), 5.0, (0.30, 0.31, 0.33))


def _quay(canvas: Plane, cam: Camera) -> None:
    size = (130, 2600)
    stone = blocks(size, 1241, course_px=44, tone=0.47, spread=0.045, joint=0.14)
    weed = smooth(0.45, 0.75, ramp(size, [(0, 0), (1, 1)]) + 0.10 * field(size, 1243, (2.0, 3.0), 1.4))
    face = (
        colour(stone, (1.03, 1.0, 0.95)) * (1 - weed)[..., None]
        + colour(stone * 0.42, (0.92, 1.0, 0.66)) * weed[..., None]
    )
    z = FRONT_M - 1.5
    hang_wall(canvas, cam.see([(-14, QUAY_M, z), (14, QUAY_M, z), (14, -0.02, z), (-14, -0.02, z)]), as_plane(face))
    deck = cam.see([(-14, QUAY_M, FRONT_M), (14, QUAY_M, FRONT_M), (14, QUAY_M, z), (-14, QUAY_M, z)])
    fill(canvas, deck, (0.55, 0.545, 0.52))
    for x in (-11.9, -6.45, -2.35, 2.8, 6.95, 11.8):
        stroke(canvas, cam.see([(x, QUAY_M, z + 0.2), (x, QUAY_M + 0.62, z + 0.2)]), 19.0, (0.19, 0.195, 0.20))
        stroke(
            canvas,
            cam.see([(x - 0.06, QUAY_M + 0.05, z + 0.2), (x - 0.06, QUAY_M + 0.6, z + 0.2)]),
            4.0,
            (0.44, 0.45, 0.46),
            soft_px=1.0,
        )
    for x in (-9.0, 0.35, 9.4):
        for side in (-0.22, 0.22):
            stroke(
                canvas,
                cam.see([(x + side, QUAY_M + 0.3, z - 0.04), (x + side, -0.1, z - 0.04)]),
                6.0,
                (0.24, 0.235, 0.225),
            )
        for y in np.arange(0.05, QUAY_M + 0.2, 0.22):
            stroke(canvas, cam.see([(x - 0.22, y, z - 0.04), (x + 0.22, y, z - 0.04)]), 5.0, (0.24, 0.235, 0.225))


def _rowing_boat(canvas: Plane, cam: Camera, x: float, z: float, paint: RGB) -> None:
    t = np.linspace(-1, 1, 41)
    beam = 0.72 * np.sqrt(np.clip(1 - np.abs(t) ** 2.8, 0, 1))
    rail = 0.44 * (1 + 0.5 * t**2 + 0.14 * t)
    near = np.stack([x + 2.0 * t, rail, z - beam], 1)
    far = np.stack([x + 2.0 * t, rail * 1.0, z + beam], 1)
    water = np.stack([x + 1.86 * t, 0 * t, z - 0.6 * beam], 1)
    fill(canvas, cam.see(np.concatenate([near, far[::-1]])), tuple(c * 0.42 for c in paint))
    for k in (10, 21, 31):
        stroke(canvas, cam.see(np.stack([near[k] - (0, 0.08, 0), far[k] - (0, 0.08, 0)])), 12.0, (0.62, 0.55, 0.43))
    fill(canvas, cam.see(np.concatenate([near, water[::-1]])), paint)
    for share, tone in ((0.35, 0.80), (0.68, 0.72)):
        stroke(canvas, cam.see(near * (1 - share) + water * share), 3.0, tuple(c * tone for c in paint))
    for path in (far, near):
        stroke(canvas, cam.see(path), 7.0, (0.78, 0.75, 0.68))


def _everything(canvas: Plane, cam: Camera) -> None:
    _hills(canvas, cam)
    for shed in sorted(SHEDS, key=lambda s: -abs(s[0] + s[1] / 2)):
        _shed(canvas, cam, shed)
    _quay(canvas, cam)
    _rowing_boat(canvas, cam, -4.3, 17.5, (0.73, 0.72, 0.68))
    _rowing_boat(canvas, cam, 5.9, 20.0, (0.20, 0.36, 0.44))
    for a, b in (((-6.1, 0.6, 17.5), (-6.45, 1.6, 24.7)), ((7.9, 0.6, 20.0), (6.95, 1.6, 24.7))):
        ends = cam.see([a, b])
        stroke(canvas, sag(ends[0], ends[1], 34.0 * cam.upside), 2.6, (0.52, 0.48, 0.40))


def boat_sheds() -> NDArray[np.uint16]:
    """Five sheds in old paint on a grey, still morning."""
    canvas = _sky()
    mirror = mirror_sky(canvas, CAMERA.horizon_px)
    _everything(mirror, CAMERA.mirrored())
    first = int(CAMERA.horizon_px) + 2
    slopes = CAMERA.ground(waves(1251, 8.0, 1.1, 2.0, 1.4), 8.0, first)
    water = reflected(blur(mirror, 0.7, 3.0), CAMERA, first, slopes, 0.0085, taps=(0.5, 1.0))
    deep = ramp(water.shape[:2], [(0, 0.05), (0.4, 0.22), (1, 0.50)])[..., None]
    water += (np.array([0.17, 0.22, 0.225], np.float32) - water) * deep
    canvas[first:] = water - (slopes[..., 2] * np.float32(0.012))[..., None]
    _everything(canvas, CAMERA)
    canvas = as_plane(cv2.transform(canvas, np.full((3, 3), 0.16 / 3) + 0.84 * np.eye(3)))
    return encode(grain(blur(canvas, 0.6), 1261, 0.006, 0.7), 0.24)
