"""Night quay: wet stones, shuttered stores, moored boats under a dull moon."""

import numpy as np
from numpy.typing import NDArray

from printqueue.demo.camera import Camera
from printqueue.demo.canvas import (
    Plane,
    as_plane,
    blur,
    colour,
    encode,
    enlarge,
    glow,
    grain,
    mix,
    ramp,
    smooth,
    tone_curve,
)
from printqueue.demo.marks import Paint, Points, fill, hang_wall, outline, sag, stroke
from printqueue.demo.noise import tile, waves
from printqueue.demo.scenery import clouds, mirror_sky, reflected
from printqueue.demo.textures import blocks, planks, setts, slates

SHAPE = (2000, 3000)
SKY = (SHAPE[0] // 4, SHAPE[1] // 4)
CAMERA = Camera(3000, 2000, 2000.0, 850.0, 1.75, 1720.0)
WATER_M = -2.6
WALL_X, EDGE_X = -6.2, 1.9


def _sky() -> Plane:
    drift = clouds(SKY, 0.425, 401, depth=0.13, scale=90.0, beta=1.6, stretch=1.5)
    veil = smooth(-1.4, 1.8, drift)
    sky = ramp(SKY, [(0, 0.17), (0.3, 0.25), (0.425, 0.33), (1, 0.30)])
    moon = glow(SKY, (0.70, 0.17), (0.16, 0.19))
    sky = sky * (0.55 + 0.65 * veil) + 0.42 * moon * (0.35 + 0.9 * veil) + 0.10 * glow(SKY, (0.70, 0.17), (0.4, 0.4))
    sky = enlarge(sky, SHAPE)
    veil = enlarge(veil, SHAPE)
    disc = glow(SHAPE, (0.70, 0.17), (0.0115, 0.01725), 6.0)
    return mix(sky, 0.86, 0.9 * disc * (0.55 + 0.45 * veil))


def _stores(canvas: Plane, cam: Camera) -> None:
    """The row of stores on the left, gable after gable, along the quay."""
    z = 3.6
    for k, (deep, high) in enumerate(
        [(9.4, 6.4), (7.5, 5.4), (9.0, 7.2), (7.0, 6.0), (8.0, 6.8), (9.0, 5.6), (9.0, 7.0), (10.0, 6.2)]
    ):
        _store(canvas, cam, z, z + deep, high, k)
        z += deep


def _store(canvas: Plane, cam: Camera, near: float, far: float, high: float, k: int) -> None:
    px = int(max(24, 150 * 8 / (near + 2)))
    size = (int(high * px), int((far - near) * px))
    if k % 2:
        wall = planks(size, 410 + k, plank_px=max(5, px // 6), tone=0.17, spread=0.014, gap=0.07)
    else:
        wall = blocks(size, 420 + k, course_px=max(6, px // 4), tone=0.19, spread=0.022, joint=0.07)
    _openings(wall, px, k)
    wall = wall * ramp(size, [(0, 0.8), (0.12, 1.0), (0.75, 0.85), (1, 0.55)])
    face = [(WALL_X, high, near), (WALL_X, high, far), (WALL_X, 0, far), (WALL_X, 0, near)]
    hang_wall(canvas, cam.see(face), mix(wall, 0.30, float(1 - np.exp(-near / 130))))
    middle = (near + far) / 2
    roof = [
        (WALL_X - 3.6, high + 2.9, near),
        (WALL_X - 3.6, high + 2.9, far),
        (WALL_X + 0.3, high - 0.15, far),
        (WALL_X + 0.3, high - 0.15, near),
    ]
    hang_wall(canvas, cam.see(roof), slates((int(4.6 * px), size[1]), 430 + k, course_px=max(4, px // 5), tone=0.20))
    stroke(
        canvas,
        cam.see([(WALL_X + 0.3, high - 0.15, near), (WALL_X + 0.3, high - 0.15, far)]),
        np.array([900 / near, 900 / far]) * 0.12,
        0.07,
    )
    if k % 3 == 0:
        beam = cam.see([(WALL_X, high - 0.7, middle), (WALL_X + 1.5, high - 0.55, middle)])
        stroke(canvas, beam, max(2.0, cam.px_per_m(middle) * 0.16), 0.07)
        hook = cam.see([(WALL_X + 1.35, high - 0.6, middle), (WALL_X + 1.35, high - 2.4, middle)])
        stroke(canvas, hook, max(1.2, cam.px_per_m(middle) * 0.02), 0.06)


def _openings(wall: Plane, px: int, k: int) -> None:
    h, w = wall.shape
    door_h, door_w = int(2.5 * px), int(2.0 * px)
    x = int(w * (0.32 if k % 2 else 0.50))
    wall[h - door_h :, x : x + door_w] = planks(
        (door_h, door_w), 440 + k, plank_px=max(4, px // 6), tone=0.115, spread=0.008, gap=0.05
    )
    wall[h - door_h - px // 7 : h - door_h, x - px // 7 : x + door_w + px // 7] = 0.25
    for left in (0.72, 0.88) if k == 0 else (0.10, 0.78):
        a, b = int(w * left), int(w * left) + int(0.9 * px)
        top, foot = h - int(2.6 * px), h - int(1.4 * px)
        wall[top - px // 12 : foot + px // 12, a - px // 12 : b + px // 12] = 0.21
        wall[top:foot, a:b] = 0.05
        wall[top:foot, (a + b) // 2 - px // 40 : (a + b) // 2 + px // 40 + 1] = 0.17
        wall[foot + px // 12 : foot + px // 6, a - px // 8 : b + px // 8] = 0.26


def _stones(canvas: Plane, first: int) -> None:
    """The wet setts of the quay, with the sky in them."""
    z = CAMERA.distances_m(first)[:, None]
    laid = CAMERA.ground(_setts(), 4.4, first)
    puddle = smooth(0.35, 1.05, CAMERA.ground(tile(451, 1.75), 26.0, first, (3.0, 1.0)))
    across = (np.arange(SHAPE[1], dtype=np.float32)[None, :] - CAMERA.middle_px) / CAMERA.focal_px * z
    sheen = np.exp(-(((np.arange(SHAPE[1], dtype=np.float32)[None, :] - 2080) / 760) ** 2))
    shine = np.clip(laid[..., 2], 0, 3) * (0.15 + 0.56 * sheen) * (0.5 + 0.5 * smooth(1.5, 12.0, z))
    dark = 0.085 + 0.085 * laid[..., 0] + 0.025 * (laid[..., 1] - 0.5)
    tone = dark + shine * (0.7 + 0.3 * laid[..., 0]) + 0.05 * sheen * smooth(3.0, 30.0, z)
    mirror = mirror_sky(canvas, CAMERA.horizon_px)
    _stores(mirror, CAMERA.mirrored())
    slopes = np.zeros((*z.shape[:1], SHAPE[1], 3), np.float32)
    slopes[..., 2] = (laid[..., 0] - 0.7) * 0.9
    wet = reflected(blur(mirror, 1.0, 6.0), CAMERA, first, slopes, 0.008)
    tone = mix(tone, wet * 0.92, puddle * 0.80 * (1 - 0.55 * smooth(0.8, 0.3, laid[..., 0])))
    quay = smooth(EDGE_X - 0.55, EDGE_X - 0.50, across)
    kerb = 0.19 + 0.05 * CAMERA.ground(tile(453, 1.25), 5.0, first) + 0.05 * sheen
    joints = smooth(0.03, 0.015, np.abs((z + 0.4) % 1.35 - 0.68))
    tone = mix(tone, kerb * (1 - 0.6 * joints), quay)
    land = smooth(EDGE_X + 0.004, EDGE_X - 0.004, across)
    canvas[first:] = mix(canvas[first:], as_plane(tone), land)


def _setts() -> Plane:
    """Worn paving setts on a tile: dome, own tone, and how much each spot faces the low light ahead."""
    dome, tone = setts(455, courses=26)
    lean = as_plane(np.roll(dome, 4, 0) - np.roll(dome, -4, 0))
    rough = tile(456, 1.0)
    return np.stack([dome, tone, np.clip(lean * 2.2 + 0.20 * rough, -1, 3)], axis=-1)


def _water(canvas: Plane, first: int) -> None:
    cam = Camera(3000, 2000, CAMERA.focal_px, CAMERA.horizon_px, CAMERA.height_m - WATER_M, CAMERA.centre_px)
    mirror = mirror_sky(canvas, cam.horizon_px)
    _boats(mirror, cam.mirrored())
    slopes = cam.ground(waves(461, 12.0, 1.6, 2.0, 1.3), 12.0, first)
    seen = reflected(blur(mirror, 0.8, 6.0), cam, first, slopes, 0.014, taps=(0.3, 0.7, 1.1))
    canvas[first:] = mix(seen * 0.85, 0.05, ramp(seen.shape, [(0, 0.05), (0.3, 0.3), (1, 0.6)])) + slopes[
        ..., 2
    ] * np.float32(0.006)
    _boats(canvas, cam)
    edge = CAMERA.see([(EDGE_X, 0, 2.2), (EDGE_X, 0, 120.0), (EDGE_X, WATER_M, 120.0), (EDGE_X, WATER_M, 2.2)])
    fill(canvas, edge, 0.045)


def _boats(canvas: Plane, cam: Camera) -> None:
    for x, z, long, tall in ((8.0, 62.0, 12.0, 13.0), (6.6, 40.0, 11.0, 11.5), (5.4, 23.0, 10.0, 9.5)):
        _trawler(canvas, cam, x, z, long, tall)


def _trawler(canvas: Plane, cam: Camera, x: float, z: float, long: float, tall: float) -> None:
    tone = 0.085 + 0.10 * (1 - np.exp(-z / 70.0))
    t = np.linspace(0, 1, 21)
    sheer = 1.5 + 1.5 * (1 - t) ** 2 + 0.5 * t**3
    port = np.stack([x - 1.7 * np.sqrt(np.clip(1 - (1 - t) ** 3, 0, 1)), sheer, z + long * t], 1)
    starboard = np.stack([x + 1.7 * np.sqrt(np.clip(1 - (1 - t) ** 3, 0, 1)), sheer, z + long * t], 1)
    keel = np.stack([x - 1.3 * np.sqrt(np.clip(1 - (1 - t) ** 2, 0, 1)), 0 * t, z + 0.7 + (long - 1) * t], 1)
    keel_r = keel * (1, 1, 1) + (2 * (x - keel[:, :1])) * (1, 0, 0)
    fill(canvas, cam.see([*starboard, *keel_r[::-1]]), tone * 1.25)
    fill(canvas, cam.see([*port, *keel[::-1]]), tone)
    for side in (port, starboard):
        stroke(canvas, cam.see(side), max(1.5, cam.px_per_m(z) * 0.10), tone * 2.3)
    house = [(x - 1.1, 1.6, z + 6), (x - 1.1, 4.2, z + 6), (x + 1.1, 4.2, z + 6), (x + 1.1, 1.6, z + 6)]
    fill(canvas, cam.see(house), tone * 1.9)
    for k in (-0.75, -0.05, 0.65):
        pane = [
            (x + k - 0.28, 3.0, z + 6),
            (x + k - 0.28, 3.8, z + 6),
            (x + k + 0.28, 3.8, z + 6),
            (x + k + 0.28, 3.0, z + 6),
        ]
        fill(canvas, cam.see(pane), tone * 0.6)
    _rig(canvas, cam, x, z, tall, tone)


def _rig(canvas: Plane, cam: Camera, x: float, z: float, tall: float, tone: float) -> None:
    scale = cam.px_per_m(z)
    stroke(canvas, cam.see([(x, 2.0, z + 4), (x + 0.1, tall, z + 4)]), np.array([0.24, 0.13]) * scale, tone * 0.8)
    stroke(
        canvas, cam.see([(x, 2.8, z + 4), (x + 2.3, tall * 0.78, z + 2)]), np.array([0.15, 0.09]) * scale, tone * 0.8
    )
    for foot in ((x - 1.4, 2.0, z + 6), (x + 1.5, 2.0, z + 6), (x, 3.1, z + 0.4), (x + 2.3, tall * 0.78, z + 2)):
        stroke(
            canvas, cam.see([foot, (x + 0.1, tall * 0.95, z + 4)]), max(1.0, 0.028 * scale), tone * 0.8, opacity=0.85
        )
    stroke(
        canvas,
        cam.see([(x - 0.9, tall * 0.8, z + 4), (x + 1.0, tall * 0.8, z + 4)]),
        max(1.3, 0.06 * scale),
        tone * 0.8,
    )


def _bollards(canvas: Plane) -> None:
    for z in (34.0, 22.0, 14.5, 9.0, 5.2):
        x, scale = EDGE_X - 0.95, CAMERA.px_per_m(z)
        centre = CAMERA.see([(x, 0, z)])[0]
        a = np.linspace(0, np.pi, 15)
        base = outline([(-0.17, 0), (-0.13, -0.42), (0.13, -0.42), (0.17, 0)])
        base = centre + base * scale
        foot = np.stack([centre[0] + 0.17 * scale * np.cos(a), centre[1] + 0.05 * scale * np.sin(a)], 1)
        fill(canvas, np.concatenate([base[:3], foot]), _iron(float(centre[0]), 0.17 * scale))
        cap = np.linspace(0, 2 * np.pi, 30)
        head = np.stack(
            [centre[0] + 0.22 * scale * np.cos(cap), centre[1] - 0.46 * scale - 0.09 * scale * np.sin(cap)], 1
        )
        fill(canvas, head, _iron(float(centre[0]), 0.22 * scale))
    for z, bow in ((14.5, (5.4, 2.9 + WATER_M, 23.2)), (34.0, (6.6, 2.9 + WATER_M, 40.2))):
        head = CAMERA.see([(EDGE_X - 0.85, 0.36, z)])[0]
        stroke(canvas, sag(head, CAMERA.see([bow])[0], 260.0 / z), max(1.6, 0.05 * CAMERA.px_per_m(z)), 0.13)


def _iron(middle: float, half: float) -> Paint:
    def paint(x: Plane, y: Plane) -> Plane:
        u = (x - np.float32(middle)) / np.float32(half) + 0 * y
        return as_plane(0.05 + 0.20 * np.exp(-(((u - 0.55) / 0.28) ** 2)) + 0.03 * (1 - u * u))

    return paint


def night_quay() -> NDArray[np.uint16]:
    """The quay by night: all of it visible, all of it dull; light to spare at the top."""
    canvas, first = _sky(), int(CAMERA.horizon_px) + 3
    far: Points = CAMERA.see(
        [
            (-80, -2, 160),
            (-80, 2.6, 160),
            (-20, 3.4, 160),
            (25, 2.2, 160),
            (70, 4.5, 160),
            (160, 3.0, 160),
            (160, -2, 160),
        ]
    )
    fill(canvas, far, 0.20, soft_px=1.0)
    _water(canvas, first)
    _stones(canvas, first)
    _stores(canvas, CAMERA)
    _bollards(canvas)
    canvas = tone_curve(canvas, [(0, 0.02), (0.1, 0.092), (0.3, 0.25), (0.7, 0.62), (1, 0.9)])
    canvas = grain(blur(canvas, 0.62), 471, 0.008, 0.8)
    return encode(colour(canvas, (0.90, 0.985, 1.14)))
