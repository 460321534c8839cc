"""Breakwater: a storm sea climbs over the wall."""

import numpy as np
from numpy.typing import NDArray

from printqueue.demo.camera import Camera, land_grid, relief
from printqueue.demo.canvas import (
    Plane,
    as_plane,
    blur,
    enlarge,
    generator,
    glow,
    grain,
    mix,
    ramp,
    smooth,
    tone_curve,
    toned,
)
from printqueue.demo.marks import fill, hang_wall, stroke
from printqueue.demo.noise import field, tile, waves
from printqueue.demo.scenery import clouds, sampled
from printqueue.demo.textures import blocks

SHAPE = (2000, 3000)
SKY = (SHAPE[0] // 4, SHAPE[1] // 4)
CAMERA = Camera(3000, 2000, 2900.0, 880.0, 4.4)


def _sky() -> Plane:
    low = clouds(SKY, 0.44, 201, depth=0.10, scale=64.0, beta=1.75, stretch=1.5)
    torn = clouds(SKY, 0.44, 202, depth=0.22, scale=150.0, beta=1.5, stretch=1.8)
    mass = smooth(-1.6, 1.9, low + 0.35 * torn)
    light = ramp(SKY, [(0, 0.20), (0.22, 0.34), (0.40, 0.58), (0.44, 0.62), (1, 0.6)])
    break_ = glow(SKY, (0.70, 0.33), (0.30, 0.15)) + 0.5 * glow(SKY, (0.60, 0.42), (0.6, 0.06))
    return enlarge(light * (0.62 + 0.62 * mass) + 0.22 * break_ * (0.35 + mass), SHAPE)


def _sea() -> tuple[Plane, Plane, int]:
    """The storm sea: (tone, cover, first row). Waves at half size, their ripples at full size."""
    half = Camera(1500, 1000, 1450.0, CAMERA.horizon_px / 2, CAMERA.height_m)
    first = int(half.horizon_px) - 40
    x, away = land_grid(half, np.geomspace(3.6, 900.0, 620))
    swell, chop = waves(211, 160.0, 34.0, 5.0, 1.25), waves(212, 23.0, 5.5, 2.0, 1.05)
    big = sampled(swell, x * (1024 / 160.0) + 300, away * (1024 / 160.0) + 180)
    fine = sampled(chop, x * (1024 / 23.0), away * (1024 / 23.0))
    far = np.clip(34.0 / away, 0.10, 1)[..., None]
    lean = big * np.float32(0.23) + fine * (0.17 * far)
    height = lean[..., 0] + 0.06 * np.clip(lean[..., 0], 0, 3) ** 2
    seen = relief(half, x, away, as_plane(height), first)
    foam = blur(_foam(x, away, height, lean[..., 2]), 0.8)
    shade = _lit_water(away, height, lean[..., 2], lean[..., 1])
    shade = mix(shade, 0.80 - 0.25 * np.clip(away / 300, 0, 1), foam)
    rows = (SHAPE[0] - 2 * first, SHAPE[1])
    return _flecked(enlarge(seen.show(shade), rows)), enlarge(seen.cover, rows), 2 * first


def _lit_water(away: Plane, height: Plane, lean: Plane, cross: Plane) -> Plane:
    grazing = np.clip(4.4 / np.hypot(away, 4.4) + lean * 0.8, 0.015, 1)
    left = 1 - grazing
    share = 0.02 + 0.98 * left * left * left * left
    sky = 0.36 + 0.34 * np.clip(1 - grazing * 1.7, 0, 1) + 0.18 * cross
    body = 0.15 + 0.05 * np.clip(height, -1, 2)
    haze = 1 - np.exp(-away / 380.0)
    return mix(mix(as_plane(body), as_plane(sky), as_plane(share)), 0.60, as_plane(haze))


def _foam(x: Plane, away: Plane, height: Plane, lean: Plane) -> Plane:
    near = np.clip(30 / away, 0, 1)
    lace = sampled(tile(213, 1.3), x * 46 + away * 9, away * 24) * near + sampled(tile(213, 1.5), x * 8, away * 6)
    crest = smooth(0.55, 1.5, as_plane(height + 0.22 * lace - 0.6 * lean))
    return as_plane(np.clip(0.85 * crest, 0, 1) * np.clip(90 / away, 0.15, 1))


def _flecked(tone: Plane) -> Plane:
    ripples = CAMERA.ground(waves(216, 3.2, 0.5, 1.0, 0.9), 3.2, int(CAMERA.horizon_px) + 4)
    part = tone[-len(ripples) :]
    part -= ripples[..., 2] * np.float32(0.022) * (0.5 + part)
    start = int(CAMERA.horizon_px) + 90
    net = np.abs(CAMERA.ground(tile(214, 1.25), 26.0, start))
    patch = CAMERA.ground(tile(215, 1.5), 90.0, start, (31.0, 12.0))
    part = tone[-len(net) :]
    lace = smooth(0.34, 0.02, net) * smooth(0.0, 1.6, patch + (part - 0.25))
    part += (0.74 - part) * lace * np.float32(0.62)
    return tone


def _wall(canvas: Plane) -> None:
    texture = blocks((420, 3200), 221, course_px=52, tone=0.30, spread=0.05, joint=0.12)
    texture *= ramp((420, 3200), [(0, 1.25), (0.1, 1.0), (0.55, 0.85), (0.8, 0.5), (1, 0.42)])
    ends = [(-17.5, 24.0), (10.4, 58.0)]
    (x0, z0), (x1, z1) = ends
    face = CAMERA.see([(x0, 4.3, z0), (x1, 4.3, z1), (x1, -1.5, z1), (x0, -1.5, z0)])
    hang_wall(canvas, face, mix(texture, 0.55, ramp((420, 3200), [(0, 0.02), (1, 0.22)], across=True)))
    parapet = CAMERA.see([(x0, 4.3, z0), (x1, 4.3, z1), (x1 - 0.6, 4.95, z1 + 1.0), (x0 - 1.4, 5.0, z0 + 1.0)])
    fill(canvas, parapet, lambda x, y: 0.36 + 0.10 * (x + 0 * y) / 3000)
    end = CAMERA.see([(x1, 4.95, z1), (x1 + 3.6, 4.95, z1 + 2.5), (x1 + 3.9, -1.5, z1 + 2.5), (x1, -1.5, z1)])
    hang_wall(canvas, end, blocks((420, 300), 222, course_px=52, tone=0.50, spread=0.05, joint=0.1))
    _beacon(canvas, x1 + 0.4, z1 + 0.5)


def _beacon(canvas: Plane, x: float, z: float) -> None:
    def side(px: Plane, py: Plane) -> Plane:
        middle, scale = float(CAMERA.see([(x, 0, z)])[0, 0]), CAMERA.px_per_m(z)
        u = np.clip((px - np.float32(middle)) / np.float32(1.1 * scale), -1, 1)
        bands = 0.30 * smooth(-0.04, 0.04, as_plane(np.sin((py - 500) / 40.0)))
        return as_plane((0.33 + 0.36 * smooth(-0.6, 1.0, as_plane(u))) * (1 - bands) + 0 * py)

    body = [(x - 1.05, 4.9, z), (x - 0.7, 10.6, z), (x + 0.7, 10.6, z), (x + 1.05, 4.9, z)]
    fill(canvas, CAMERA.see(body), side)
    gallery = [(x - 1.0, 10.6, z), (x - 1.0, 10.85, z), (x + 1.0, 10.85, z), (x + 1.0, 10.6, z)]
    fill(canvas, CAMERA.see(gallery), 0.28)
    fill(canvas, CAMERA.see([(x - 0.5, 10.85, z), (x - 0.5, 12.0, z), (x + 0.5, 12.0, z), (x + 0.5, 10.85, z)]), 0.52)
    fill(canvas, CAMERA.see([(x - 0.62, 12.0, z), (x, 12.8, z), (x + 0.62, 12.0, z)]), 0.24)
    for bar in (-0.5, -0.17, 0.17, 0.5):
        stroke(canvas, CAMERA.see([(x + bar, 10.85, z), (x + bar, 12.0, z)]), 2.5, 0.25)


def _burst(canvas: Plane, centre: tuple[float, float], size: float, seed: int, strength: float) -> None:
    """A wave thrown up by the wall: jets of spray on their paths through the air, and mist blown from them."""
    gen = generator(seed)
    jets, drops = 150, 1800
    clump = gen.normal(0, 1, 22)[gen.integers(0, 22, jets)]
    angle = 0.24 * clump + gen.normal(0.10, 0.10, jets)
    speed = gen.gamma(9.0, 1 / 9.0, jets) * 1.75 * np.exp(-0.35 * clump**2)
    start = 0.55 * clump + gen.normal(0, 0.12, jets)
    age = gen.beta(1.3, 1.5, (jets, drops)) * gen.uniform(0.55, 1.0, (jets, 1))
    loose = 0.02 + 0.11 * age
    across = start[:, None] * 0.5 + speed[:, None] * np.sin(angle)[:, None] * age + 0.30 * age**2
    up = speed[:, None] * np.cos(angle)[:, None] * age - 0.85 * age**2
    across += gen.standard_normal((jets, drops)) * loose
    up += gen.standard_normal((jets, drops)) * loose * 0.9
    h, w = SHAPE[0] // 2, SHAPE[1] // 2
    col, row = ((centre[0] + size * across) / 2).astype(int), ((centre[1] - size * up) / 2).astype(int)
    keep = (col >= 0) & (col < w) & (row >= 0) & (row < h)
    spots = np.bincount((row[keep] * w + col[keep]).ravel(), minlength=h * w).reshape(h, w).astype(np.float32)
    _spray(canvas, spots * np.float32(strength * (size / 640) ** 2), seed)


def _spray(canvas: Plane, spots: Plane, seed: int) -> None:
    fine, soft, mist = blur(spots, 0.9), blur(spots, 4.0), blur(spots, 42.0)
    noise = field(spots.shape, seed + 3, (2.0, 2.0), 1.5)
    thick = 0.30 * fine + 0.55 * soft * (1 + 0.35 * noise) + 0.8 * mist * (1 + 0.3 * noise)
    cover = enlarge(1 - np.exp(-np.clip(thick, 0, 9)), SHAPE)
    wide = blur(spots, 26.0)
    lean = np.roll(wide, 30, 1) - np.roll(wide, -30, 1)
    lit = 0.56 + 0.30 * np.clip(0.6 * soft + 0.15 * fine, 0, 1) - 0.16 * np.clip(lean, -0.5, 0.5) + 0.07 * noise
    lit = np.clip(lit, 0.40, 0.95)
    canvas += (enlarge(as_plane(lit), SHAPE) - canvas) * np.clip(cover, 0, 1)


def breakwater() -> NDArray[np.uint16]:
    """A winter sea breaks over the harbour wall; cold black-and-white."""
    canvas = _sky()
    tone, cover, first = _sea()
    canvas[first:] = mix(canvas[first:], tone, cover)
    front = canvas.copy()
    _wall(canvas)
    _burst(canvas, (1240.0, 930.0), 730.0, 231, 0.55)
    _burst(canvas, (420.0, 980.0), 330.0, 235, 0.8)
    base = ramp(SHAPE, [(0, 0), (0.462, 0.0), (0.478, 1.0), (1, 1)])
    ragged = field((500, 750), 241, (2.0, 3.0), 1.3)
    slope = np.linspace(0.066, -0.012, SHAPE[1], dtype=np.float32)[None, :]
    rows = np.linspace(0, 1, SHAPE[0], dtype=np.float32)[:, None]
    hide = smooth(0.452, 0.470, rows - slope + 0.010 * enlarge(ragged, SHAPE)) * base
    canvas = mix(canvas, front, hide)
    canvas = tone_curve(canvas, [(0, 0.0), (0.25, 0.19), (0.5, 0.50), (0.75, 0.82), (1, 0.97)])
    canvas = grain(blur(canvas, 0.6), 243, 0.012, 0.8)
    return toned(canvas, [(0, (0.0, 0.0, 0.008)), (0.4, (-0.006, 0.0, 0.010)), (1, (0.004, 0.0, -0.008))])
