"""Salt marsh: creeks and reeds at dusk, a panorama."""

import numpy as np

from printqueue.demo.camera import Camera
from printqueue.demo.canvas import (
    Floats,
    Pixels,
    Plane,
    as_plane,
    blur,
    encode,
    enlarge,
    generator,
    glow,
    grain,
    mix,
    ramp,
    smooth,
)
from printqueue.demo.growth import bare_tree, reeds
from printqueue.demo.marks import Sheaf, fill, stroke
from printqueue.demo.noise import field, tile, waves
from printqueue.demo.scenery import clouds, mirror_sky, reflected

SHAPE = (2000, 6000)
SKY = (SHAPE[0] // 4, SHAPE[1] // 4)
CAMERA = Camera(6000, 2000, 2500.0, 800.0, 3.3, 3300.0)
HAZE = 0.60
MILL = (-190.0, 500.0)  # (x, z) in metres, far away


def _sky() -> Plane:
    """The evening sky in one tone: light low on the right, stretched-out cloud above."""
    high = clouds(SKY, 0.40, 501, depth=0.09, scale=52.0, stretch=3.0)
    low = clouds(SKY, 0.40, 502, depth=0.045, scale=30.0, beta=1.5, stretch=4.5)
    light = ramp(SKY, [(0, 0.36), (0.2, 0.47), (0.33, 0.62), (0.40, 0.67), (1, 0.64)])
    light += 0.15 * glow(SKY, (0.63, 0.385), (0.20, 0.10)) + 0.10 * glow(SKY, (0.60, 0.36), (0.42, 0.20))
    bars = smooth(0.1, 1.9, high) * ramp(SKY, [(0, 0.6), (0.28, 1.0), (0.385, 0.55), (0.40, 0.0), (1, 0.0)])
    thin = smooth(0.4, 1.8, low) * ramp(SKY, [(0, 0.0), (0.16, 0.4), (0.34, 0.9), (0.40, 0.1), (1, 0.0)])
    return enlarge(light * (1 - 0.42 * bars - 0.26 * thin) + 0.07 * smooth(-0.2, -1.6, high), SHAPE)


def _creek_m(z: Plane) -> tuple[Plane, Plane]:
    """Middle and half-width (m) of the main creek at distance z."""
    middle = 1.5 + 5.2 * np.sin(z / 8.5 + 0.3) * smooth(4, 16, z) + 0.30 * (z - 8) * np.sin(z / 60.0 + 0.9)
    return as_plane(middle), as_plane(1.9 + 0.034 * z + 0.8 * np.sin(z / 5.0) * smooth(60, 10, z))


def _bank(x: Plane, z: Plane, rough: Plane) -> Plane:
    """Metres from the nearest creek's edge; negative in the water."""
    middle, half = _creek_m(z)
    main = np.abs(x - middle) - half
    side = np.abs(x + 24 + 0.35 * (z - 30) + 6 * np.sin(z / 11)) - (0.9 + 0.02 * z)
    third = np.abs(x - 30 - 0.5 * (z - 20) - 5 * np.sin(z / 9 + 1)) - (0.8 + 0.025 * z)
    flats = np.where(z > 45, np.abs(np.sin(z / 26 + x / 160) * 40) - 9 + x * 0 + 200 / z, 50.0)
    return as_plane(
        np.minimum(np.minimum(main, side), np.minimum(third, flats)) + rough * np.minimum(1.6, 0.25 + z * 0.02)
    )


def _ground(canvas: Plane, first: int) -> None:
    """Draw water, mud and grass at half size; then the grass again at full size."""
    half = Camera(3000, 1000, CAMERA.focal_px / 2, CAMERA.horizon_px / 2, CAMERA.height_m, CAMERA.middle_px / 2)
    z = half.distances_m(first // 2)[:, None]
    across = (np.arange(half.width, dtype=np.float32)[None, :] + 0.25 - half.middle_px) / half.focal_px
    bank = _bank(as_plane(z * across), z, half.ground(tile(511, 1.5), 42.0, first // 2))
    mirror = mirror_sky(blur(canvas, 1.0, 5.0)[::2, ::2], half.horizon_px)
    slopes = half.ground(waves(513, 8.0, 0.7, 2.0, heading=1.4), 8.0, first // 2)
    water = reflected(mirror, half, first // 2, slopes, strength=0.005, taps=(0.7,)) * np.float32(0.90)
    water -= ramp(water.shape, [(0, 0.0), (1, 0.10)])
    land, green = _land(bank, z, half.ground(tile(515, 1.25), 30.0, first // 2))
    tone = mix(water, mix(land, HAZE, 0.85 * (1 - np.exp(-z / 210.0))), smooth(-0.05, 0.05, bank))
    shadow = smooth(0.0, -0.7, bank) * smooth(-2.4, -0.5, bank)
    tone *= 1 - 0.30 * shadow * smooth(60, 8, z)
    tone = mix(canvas[first::2, ::2], tone, ramp(tone.shape, [(0, 0.4), (0.02, 1), (1, 1)]))
    blades = CAMERA.ground(tile(514, 0.75), 7.0, first)
    blades *= enlarge(green * smooth(260, 20, z) * np.float32(0.055), blades.shape)
    canvas[first:] = enlarge(tone, blades.shape) + blades


def _land(bank: Plane, z: Plane, tufts: Plane) -> tuple[Plane, Plane]:
    """Grass down to the banks, mud below: (tone, proportion of grass)."""
    grass = 0.215 + 0.035 * tufts + 0.030 * smooth(8, 60, z)
    mud = 0.17 + 0.16 * smooth(0.9, 0.05, bank) * 0.7 + 0.03 * tufts
    green = smooth(0.30, 0.95, bank + 0.16 * tufts)
    return mix(mud, grass, green), as_plane(
        green * smooth(-0.05, 0.05, bank) + 0.35 * (1 - green) * smooth(-0.05, 0.05, bank)
    )


def _distance(canvas: Plane) -> None:
    """Draw the far shore and a few trees."""
    for z, high, tone, seed in ((900.0, 9.0, 0.545, 521), (520.0, 6.5, 0.455, 522)):
        x = np.linspace(-1250, 1100, 900) * z / 900
        top = high * (0.35 + 0.65 * smooth(-0.7, 1.8, field((1, 900), seed, (1.0, 9.0), 1.4)[0])) + 1.2
        crown = CAMERA.see(np.stack([x, top, z + 0 * x], 1))
        fill(canvas, np.concatenate([crown, CAMERA.see([(x[-1], -2, z), (x[0], -2, z)])]), tone, soft_px=1.0)
    _far_mill(canvas, *MILL)
    for tx, high, seed in ((-215.0, 17.0, 531), (-222.0, 13.0, 532), (330.0, 15.0, 533)):
        bare_tree(canvas, CAMERA.see([(tx, 0, 490), (tx, high, 490)]), seed, 0.38)


def _far_mill(canvas: Plane, x: float, z: float) -> None:
    """The tidal mill, far away, and its shed."""
    mill = [(x, 0, z), (x, 12, z), (x + 6, 18, z), (x + 17, 18, z), (x + 23, 12, z), (x + 23, 0, z)]
    shed = [(x + 25, 0, z), (x + 25, 7, z), (x + 31, 10, z), (x + 37, 7, z), (x + 37, 0, z)]
    fill(canvas, CAMERA.see(mill), 0.40, soft_px=0.9)
    fill(canvas, CAMERA.see(shed), 0.41, soft_px=0.9)
    stroke(canvas, CAMERA.see([(x + 9, 17, z), (x + 9, 23, z)]), 6.0, 0.40, soft_px=0.8)


def _tussocks(canvas: Plane) -> None:
    """Draw marsh grass, row behind row, bent by the same wind."""
    gen = generator(541)
    for far, near, count, tall_m in (
        (75, 38, 9000, 0.40),
        (38, 20, 9000, 0.42),
        (20, 12, 6500, 0.45),
        (12, 7.6, 4200, 0.50),
    ):
        z = 1 / gen.uniform(1 / far, 1 / near, count)
        x = z * gen.uniform(-3330, 2730, count) / CAMERA.focal_px
        bank = _bank(as_plane(x), as_plane(z), as_plane(gen.normal(0, 0.2, count)))
        clump = np.sin(x * 1.3 + np.sin(z * 0.7) * 2) * np.sin(z * 0.9 + x * 0.3)
        keep = (bank > 0.25) & (clump + gen.normal(0, 0.6, count) > -0.5)
        order = np.argsort(-z[keep])
        _blades(canvas, (x[keep][order], z[keep][order]), tall_m, gen)


def _blades(canvas: Plane, at: tuple[Floats, Floats], tall_m: float, gen: np.random.Generator) -> None:
    """Draw blades of grass at (x, z), farthest first."""
    x, z = at
    tall = tall_m * gen.uniform(0.5, 1.3, len(x))
    lean = gen.normal(0.16, 0.22, len(x)) * tall
    bends = ((0.0, 0.0), (0.35, 0.62), (1.0, 1.0))  # foot, middle, tip: fractions of lean and height
    paths = [CAMERA.see(np.stack([x + lean * over, tall * up, z], 1)) for over, up in bends]
    tones = 0.20 + 0.20 * gen.beta(1.5, 3.5, len(x)) + 0.16 * (1 - np.exp(-z / 120.0))
    sheaf = Sheaf(SHAPE)
    for path, tone, near in zip(np.stack(paths, 1), tones.tolist(), (z < 13).tolist(), strict=True):
        sheaf.thread(path, 2 if near else 1, tone)
    sheaf.lay_on(canvas, 0.8)


def _tint() -> Plane:
    """The evening's colours at low resolution: warm at the lower right, slate above and on the left."""
    small = (200, 600)
    warm = ramp(small, [(0, 0.0), (0.18, 0.12), (0.36, 0.85), (0.42, 1.0), (0.55, 0.55), (1, 0.12)])
    side = glow(small, (0.62, 0.40), (0.45, 0.8))
    rose = glow(small, (0.45, 0.27), (0.6, 0.12))
    share = blur(warm * (0.25 + 0.75 * side), 6.0)
    tint = np.stack(
        [0.90 + 0.20 * share + 0.09 * rose, 0.985 - 0.02 * share - 0.015 * rose, 1.15 - 0.36 * share - 0.02 * rose], -1
    )
    return as_plane(tint)


def salt_marsh() -> Pixels:
    """The creeks of a salt marsh hold the last light, with reeds in front; a wide picture."""
    canvas, first = _sky(), (int(CAMERA.horizon_px) + 2) // 2 * 2
    _distance(canvas)
    _ground(canvas, first)
    _tussocks(canvas)
    reeds(canvas, 551)
    canvas = grain(blur(canvas, 0.6), 553, 0.007, 0.7)
    out = np.empty((*SHAPE, 3), np.uint16)
    tint = _tint()
    for top in range(0, SHAPE[0], 500):  # in bands, since a panorama in colour is large
        part = canvas[top : top + 500]
        wide = enlarge(tint[top // 10 : top // 10 + 50], part.shape)
        deep = smooth(0.42, 0.16, part)[..., None] * np.array([0.026, 0.014, -0.018], np.float32)
        out[top : top + 500] = encode(as_plane(part[..., None] * wide + deep))
    return out
