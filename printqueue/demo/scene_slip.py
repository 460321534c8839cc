"""Slipway, low tide: shingle, wet stone, a dinghy and its rope."""

from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from printqueue.demo.camera import Camera, Relief, land_grid, relief
from printqueue.demo.canvas import (
    Plane,
    as_plane,
    blur,
    encode,
    enlarge,
    glow,
    grain,
    mix,
    plane,
    ramp,
    smooth,
    tone_curve,
)
from printqueue.demo.cordage import bent_rope
from printqueue.demo.hulls import Dinghy, bow, draw
from printqueue.demo.marks import fill, hang_wall, stroke
from printqueue.demo.noise import field, pebbles, tile, waves
from printqueue.demo.scenery import clouds, mirror_sky, reflected, sampled
from printqueue.demo.textures import blocks, setts

SHAPE = (2000, 3000)
SKY = (SHAPE[0] // 4, SHAPE[1] // 4)
CAMERA = Camera(3000, 2000, 2100.0, 610.0, 1.55, 1640.0)
PEBBLE_M = 2.7
SHORE_M = 19.0
HAZE = 0.74
BOAT = Dinghy((2.35, 0.10, 7.3), 3.9, 5.92, 0.20, 0.60, 0.30, 0.74)


def _sky() -> Plane:
    drift = clouds(SKY, 0.305, 801, depth=0.11, scale=70.0, beta=1.75, stretch=2.2)
    light = ramp(SKY, [(0, 0.60), (0.18, 0.70), (0.305, 0.80), (1, HAZE)])
    light += 0.07 * glow(SKY, (0.30, 0.24), (0.40, 0.18))
    return enlarge(light - 0.055 * smooth(-0.4, 1.8, drift) + 0.03 * smooth(0.2, -1.6, drift), SHAPE)


def _stones() -> Plane:
    """Shingle on a tile: (height, light on it, own tone, warm or cool)."""
    laid = pebbles(811, 1150, size=1536, wobble=4.0)
    dome, own = laid[..., 0], laid[..., 1]
    pitted = np.tile(tile(812, 1.0), (2, 2))[:1536, :1536]
    shape = cv2.GaussianBlur(dome * 46 * (0.55 + 0.45 * own) + pitted * 0.7, (0, 0), 1.0, borderType=cv2.BORDER_REFLECT)
    dx, dy = cv2.Sobel(shape, cv2.CV_32F, 1, 0, scale=1 / 8), cv2.Sobel(shape, cv2.CV_32F, 0, 1, scale=1 / 8)
    facing = (0.62 * dx + 0.30 * dy + 0.72) / np.sqrt(dx * dx + dy * dy + 1)
    tone = 0.28 + 0.34 * own**1.6 + 0.26 * smooth(0.93, 0.97, own)
    light = (0.22 + 0.86 * np.clip(facing, 0.0, 1.2)) * (0.26 + 0.74 * smooth(0.0, 0.62, dome))
    veins = smooth(0.10, 0.0, np.abs(np.tile(tile(813, 1.5), (2, 2))[:1536, :1536])) * (own % 0.11 > 0.08)
    warm = ((own * 17.3) % 1.0 - 0.45) * smooth(0.0, 0.3, dome)
    return as_plane(np.stack([dome * (0.5 + 0.5 * own), light, tone * (1 + 0.05 * pitted) + 0.16 * veins, warm], -1))


def _shingle() -> tuple[Relief, Plane, Plane]:
    """The shingle as seen: (relief, tone, warmth)."""
    rows = np.concatenate([np.linspace(1560, 110, 980), np.linspace(108, 40, 60)])
    x, z = land_grid(CAMERA, CAMERA.focal_px * CAMERA.height_m / rows)
    per_m = np.float32(1536 / PEBBLE_M)
    swell = sampled(tile(821, 1.75), x * 60, z * 60)
    away = np.clip(np.abs(x + 0.10) - 1.75, 0, 3.5)
    bank = 0.10 * smooth(0.0, 1.2, away) + 0.045 * away + 0.05 * swell * smooth(0.2, 1.5, away)
    u, v = (x * per_m) % 1536, (z * per_m) % 1536
    laid = as_plane(cv2.remap(_stones(), as_plane(u), as_plane(v), cv2.INTER_LINEAR, borderMode=cv2.BORDER_WRAP))
    height = as_plane(bank + 0.060 * laid[..., 0] - 0.075 * smooth(0.55, 0.0, away))
    seen = relief(CAMERA, x, z, height, int(CAMERA.horizon_px) - 10)
    wet = smooth(8.0, 17.0, z + swell * 1.6)
    tone = laid[..., 1] * laid[..., 2] * (1.16 - 0.42 * wet) + 0.12 * wet * np.clip(laid[..., 1] - 0.75, 0, 1)
    weed = smooth(0.5, 1.5, sampled(tile(823, 1.5), x * 110, z * 70) + 0.12 * (z - 9)) * smooth(
        0.3, 0.8, laid[..., 0] + 0.3
    )
    tone = tone * (1 - 0.55 * weed)
    shown = seen.show(as_plane(np.stack([tone, laid[..., 3] * 0.8 + weed * 0.5, height], -1)))
    return seen, shown[..., :2], shown[..., 2]


def _slip(first: int, sky: Plane) -> tuple[Plane, Plane]:
    """The stone slip itself: (tone, warmth)."""
    dome, own = setts(831, courses=11)
    lean = np.roll(dome, 5, 1) - np.roll(dome, -5, 1)
    rough = tile(833, 1.0)
    lit = as_plane(
        np.stack([0.40 + 0.12 * own + 0.030 * rough - 0.22 * smooth(0.5, 0.0, dome) - 0.10 * lean, dome], -1)
    )
    laid = CAMERA.ground(lit, 4.6, first, (0.4, 0.3))
    z = CAMERA.distances_m(first)[:, None]
    stain = CAMERA.ground(tile(835, 1.75), 14.0, first)
    grit = CAMERA.ground(tile(837, 0.75), 1.1, first)
    weed = smooth(0.2, 1.4, stain + 0.16 * (z - 6.5))
    tone = (laid[..., 0] * (1 + 0.10 * stain) + 0.030 * grit) * (1.05 - 0.50 * weed)
    mirror = mirror_sky(sky, CAMERA.horizon_px)[first:]
    wet = smooth(0.15, 0.85, laid[..., 1] * 0.0 + 0.55 * smooth(4.0, 14.0, z) + 0.35 * stain)
    sheen = mirror * (0.30 + 0.45 * smooth(3.0, 15.0, z))
    return mix(as_plane(tone), as_plane(tone * 0.45 + sheen * 0.62), wet * 0.75), as_plane(
        0.10 + 0.55 * weed - 0.25 * wet
    )


def _sea(canvas: Plane, first: int) -> Plane:
    slopes = CAMERA.ground(waves(841, 9.0, 1.2, 2.0, 1.35), 9.0, first)
    mirror = mirror_sky(canvas, CAMERA.horizon_px)
    _harbour_wall(mirror, CAMERA.mirrored())
    seen = reflected(blur(mirror, 1.0, 4.0), CAMERA, first, slopes, 0.012)
    return as_plane(mix(seen, 0.42, 0.16) - slopes[..., 2] * np.float32(0.014))


def _far_shore(canvas: Plane) -> None:
    x = np.linspace(-420, 300, 500)
    top = 16 + 20 * np.exp(-(((x + 60) / 120) ** 2)) + 5 * field((1, 500), 851, (1.0, 6.0), 1.5)[0]
    fill(
        canvas,
        np.concatenate(
            [CAMERA.see(np.stack([x, top * 0.55, 620 + 0 * x], 1)), CAMERA.see([(300, -1, 620), (-420, -1, 620)])]
        ),
        0.66,
        soft_px=1.5,
    )
    fill(
        canvas,
        np.concatenate(
            [
                CAMERA.see(np.stack([x * 0.4 - 120, top * 0.32 - 1.5, 300 + 0 * x], 1)),
                CAMERA.see([(0, -1, 300), (-288, -1, 300)]),
            ]
        ),
        0.57,
        soft_px=1.2,
    )
    for k, tall in ((34.0, 8.0), (41.0, 9.5)):
        stroke(canvas, CAMERA.see([(k, 0, 240), (k, tall, 240)]), 2.2, 0.50, soft_px=0.7)
        fill(
            canvas,
            CAMERA.see([(k - 3, 0, 240), (k - 3.4, 1.2, 240), (k + 3.6, 1.3, 240), (k + 3, 0, 240)]),
            0.48,
            soft_px=0.8,
        )


def _harbour_wall(canvas: Plane, cam: Camera) -> None:
    size = (330, 2600)
    wall = blocks(size, 861, course_px=46, tone=0.46, spread=0.05, joint=0.16)
    weed = smooth(0.40, 0.62, ramp(size, [(0, 0), (1, 1)]) + 0.05 * field(size, 863, (2.0, 3.0), 1.5))
    wall = wall * (1 - 0.62 * weed) * ramp(size, [(0, 1.1), (0.1, 1.0), (1, 0.8)])
    near, far = (-6.6, 5.6), (-4.6, 34.0)
    haze = ramp(size, [(0, 0.05), (1, 0.45)], across=True)
    face = cam.see([(near[0], 2.75, near[1]), (far[0], 2.75, far[1]), (far[0], -0.1, far[1]), (near[0], -0.1, near[1])])
    hang_wall(canvas, face, mix(wall, 0.62, haze))
    top = cam.see([(near[0], 2.75, near[1]), (far[0], 2.75, far[1]), (far[0], 2.98, far[1]), (near[0], 2.98, near[1])])
    fill(canvas, top, 0.63)
    for z in (9.0, 14.0, 21.0):
        x = near[0] + (far[0] - near[0]) * (z - near[1]) / (far[1] - near[1])
        scale = cam.px_per_m(z)
        for wide, low, high, tone in ((0.26, 2.9, 3.4, 0.19), (0.09, 2.9, 3.4, 0.30), (0.40, 3.33, 3.50, 0.23)):
            stroke(canvas, cam.see([(x - 0.3, low, z), (x - 0.3, high, z)]), wide * scale, tone, soft_px=1.2)


def _rope_on_ground(canvas: Plane) -> None:
    knots = np.array(
        [
            bow(BOAT),
            (0.98, 0.10, 5.05),
            (0.85, 0.035, 4.6),
            (0.25, 0.035, 4.1),
            (-0.55, 0.035, 3.75),
            (-0.75, 0.035, 3.25),
            (-0.25, 0.035, 2.9),
            (0.45, 0.035, 2.62),
            (0.50, 0.035, 2.30),
            (-0.20, 0.035, 2.05),
            (-0.95, 0.035, 1.85),
            (-1.75, 0.035, 1.70),
        ]
    )
    t = np.linspace(0, len(knots) - 1, 180)
    dense = np.stack([np.interp(t, np.arange(len(knots)), knots[:, k]) for k in range(3)], 1)
    kernel = np.hanning(27) / np.hanning(27).sum()
    padded = np.pad(dense, ((13, 13), (0, 0)), mode="edge")
    path = np.stack([np.convolve(padded[:, k], kernel, "valid") for k in range(3)], 1)
    path = path[np.concatenate([[True], np.abs(np.diff(path, axis=0)).sum(1) > 1e-6])]
    bent_rope(canvas, CAMERA.see(path), 0.036 * CAMERA.focal_px / path[:, 2], 0.80, 871, shadow=(7.0, 6.0))


@lru_cache(maxsize=1)
def slipway_large() -> NDArray[np.uint16]:
    """Slipway at low tide: shingle, wet setts, a dinghy waiting."""
    canvas = _sky()
    _far_shore(canvas)
    warmth = plane(SHAPE, 0.0)
    first = int(CAMERA.horizon_px) + 2
    z = CAMERA.distances_m(first)[:, None]
    edge = CAMERA.ground(tile(881, 1.75), 22.0, first)
    shore = z + 1.3 * edge
    sea = _sea(canvas, first) + 0.16 * np.exp(-(((shore - SHORE_M - 0.3) / 0.22) ** 2))
    slip, slip_warm = _slip(first, canvas)
    canvas[first:] = mix(slip, as_plane(sea), smooth(SHORE_M - 0.15, SHORE_M + 0.15, shore))
    warmth[first:] = slip_warm * smooth(SHORE_M + 0.5, SHORE_M - 2, shore)
    _harbour_wall(canvas, CAMERA)
    seen, stones, high = _shingle()
    rows = slice(seen.first_row, None)
    here = enlarge(shore[::2, ::2], (len(shore) + first - seen.first_row, SHAPE[1]))
    cover = seen.cover * smooth(-0.001, 0.004, high) * smooth(SHORE_M - 0.6, SHORE_M - 2.2, here)
    canvas[rows] = mix(canvas[rows], stones[..., 0], cover)
    warmth[rows] = mix(warmth[rows], stones[..., 1], cover)
    shade = CAMERA.see([(1.2, 0.12, 5.6), (2.4, 0.12, 5.3), (3.9, 0.2, 8.6), (2.4, 0.12, 9.2)])
    fill(canvas, shade, 0.08, opacity=0.6, soft_px=16.0)
    before = canvas.copy()
    draw(canvas, CAMERA, BOAT)
    _rope_on_ground(canvas)
    warmth *= 1 - blur(as_plane(np.abs(canvas - before) > 0.002), 1.0)
    return _printed(canvas, warmth)


def _printed(canvas: Plane, warmth: Plane) -> NDArray[np.uint16]:
    canvas = tone_curve(canvas, [(0, 0.015), (0.2, 0.185), (0.5, 0.52), (0.8, 0.86), (1, 0.99)])
    canvas = grain(blur(canvas, 0.55), 891, 0.006, 0.7)
    hue = blur(warmth, 1.2) * smooth(0.0, 0.25, canvas)
    sky = 0.035 * ramp((SHAPE[0], 1), [(0, -0.6), (0.2, 0.2), (0.30, 1.0), (0.36, 0.4), (0.5, 0), (1, 0)])
    pixels = np.empty((*SHAPE, 3), np.uint16)
    for channel, (base, by_hue, by_sky) in enumerate(((0.995, 0.12, 1.0), (1.0, 0.016, 0.0), (1.018, -0.18, -1.2))):
        share = hue * np.float32(by_hue) + (sky * by_sky + base).astype(np.float32)
        pixels[..., channel] = encode(np.minimum(canvas * share, np.float32(0.985)))
    pixels.flags.writeable = False
    return pixels


def slipway_small() -> NDArray[np.uint16]:
    """The same picture as somebody exported it for the screen: 1344 x 896 px."""
    return np.asarray(cv2.resize(slipway_large(), (1344, 896), interpolation=cv2.INTER_AREA), np.uint16)
