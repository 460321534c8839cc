"""Lighthouse: a headland in late light, the sea under it."""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from printqueue.demo.camera import Camera, Relief, land_grid, relief
from printqueue.demo.canvas import Plane, as_plane, blur, encode, enlarge, glow, grain, ramp, smooth
from printqueue.demo.marks import Paint, fill, stroke
from printqueue.demo.noise import tile, waves
from printqueue.demo.scenery import clouds, mirror_sky, reflected, sampled

SHAPE = (2000, 3000)
SKY = (SHAPE[0] // 4, SHAPE[1] // 4)
CAMERA = Camera(3000, 2000, 3300.0, 1300.0, 11.0, 1330.0)
TOWER = (17.0, 150.0)
SUN_SLOPE = 0.80
LAND_END = 1660  # first row that is sea in every column
RGB = tuple[float, float, float]


def _sky() -> Plane:
    """Blue above, pale and warm below, heaped cloud lit from the left."""
    heap = clouds(SKY, 0.645, 901, depth=0.30, scale=150.0, beta=1.5, stretch=1.25)
    wisp = clouds(SKY, 0.645, 902, depth=0.12, scale=90.0, beta=1.75, stretch=3.0)
    lit = as_plane(np.gradient(blur(heap, 2.0), axis=1) * -14)
    thick = smooth(0.25, 1.7, heap + 0.25 * wisp) * ramp(
        SKY, [(0, 0.75), (0.35, 1.0), (0.55, 0.8), (0.645, 0.25), (1, 0)]
    )
    share = ramp(SKY, [(0, 0.0), (0.35, 0.40), (0.58, 0.85), (0.645, 1.0), (1, 1)])
    blue, low = np.array([0.315, 0.445, 0.575], np.float32), np.array([0.86, 0.825, 0.765], np.float32)
    sky = blue + (low - blue) * share[..., None]
    sky += 0.06 * glow(SKY, (0.05, 0.5), (0.5, 0.35))[..., None] * np.array([1.0, 0.72, 0.35], np.float32)
    body = np.clip(0.80 - 0.10 * heap - 0.10 * np.clip(lit, -1.2, 1.6), 0.50, 0.95)[..., None]
    cloud = body * np.array([1.02, 0.985, 0.955], np.float32)
    sky += (cloud - sky) * (0.86 * thick)[..., None]
    sky += (0.90 - sky) * (0.20 * smooth(0.5, 1.8, wisp) * smooth(0.66, 0.4, ramp(SKY, [(0, 0), (1, 1)])))[..., None]
    return enlarge(as_plane(sky), SHAPE)


def _height(x: Plane, z: Plane) -> Plane:
    """The headland in metres above the sea; far below it outside the coast."""
    rough = sampled(tile(911, 1.75), x * 4.0, z * 4.0)
    fine = sampled(tile(912, 1.5), x * 14.0, z * 14.0)
    left = x + 24 - 0.02 * (z - 150) + 5.5 * np.sin(z / 17 + 1) + 4.5 * rough
    front = z - 106 - 0.10 * np.abs(x - 20) + 5.5 * rough + 3.5 * np.sin(x / 8.0 + 0.6 * rough)
    inland = as_plane(np.minimum(left, front) + 0.9 * fine)
    bench = inland + 1.6 * np.sin(inland * 1.15)
    step = 13.5 * smooth(-1.0, 12.0, as_plane(bench)) + 6.0 * smooth(4.0, 40.0, inland)
    down = 1 - 0.75 * smooth(55.0, 160.0, x - 0.30 * (z - 150))
    skerry = (
        3.2 * smooth(0.7, 2.2, sampled(tile(913, 1.75), x * 9.0 + 90, z * 9.0) + 0.10 * fine) * smooth(-24, -5, inland)
    )
    shelf = 1.9 * smooth(-9.0, 0.0, inland)
    return as_plane(step * down + (0.30 * rough + 0.16 * fine) * smooth(-2, 2, inland) - 2.3 + skerry + shelf)


def _land(first: int) -> tuple[Relief, Plane, Plane]:
    """The headland as seen: (relief, colour, height of what is seen)."""
    z = np.concatenate([np.linspace(84, 172, 620), np.geomspace(173, 420, 90)])
    x, away = land_grid(CAMERA, z)
    y = _height(x, away)
    dx = np.gradient(y, axis=1) / np.maximum(np.gradient(x, axis=1), 1e-4)
    dz = np.gradient(y, axis=0) / np.gradient(z)[:, None]
    facing = np.clip((-dx * -0.64 - dz * -0.56 + 0.52) / np.sqrt(dx * dx + dz * dz + 1), 0, 1.3)
    climb = y + x * np.float32(SUN_SLOPE)
    hidden = smooth(0.15, 1.2, np.maximum.accumulate(climb, axis=1) - climb)
    light = as_plane(facing * (1 - hidden))
    steep = smooth(0.75, 1.6, np.hypot(dx, dz))
    seen = relief(replace(CAMERA, height=LAND_END), x, away, y, first)
    shown = seen.show(as_plane(np.stack([light, steep, y, x], -1)))
    far = seen.show(as_plane(away))
    return seen, _coloured(shown, far), shown[..., 2]


def _coloured(shown: Plane, z: Plane) -> Plane:
    light, steep, y, x = (shown[..., k] for k in range(4))
    grain_ = sampled(tile(921, 1.0), x * 26 + 0 * y, y * 26 + z * 9)
    patch = sampled(tile(922, 1.5), x * 7 + 0 * y, z * 7 + y * 9)
    beds = np.sin((y + 0.16 * x) * 3.6 + 1.7 * patch) + 0.6 * grain_
    rock = (0.270 + 0.035 * patch + 0.040 * beds)[..., None] * np.array([1.10, 0.99, 0.86], np.float32)
    turf = (0.200 + 0.026 * patch + 0.026 * grain_)[..., None] * np.array([1.02, 1.0, 0.64], np.float32)
    dry = smooth(0.2, 1.5, patch)[..., None] * np.array([0.060, 0.042, 0.014], np.float32)
    surface = turf + dry + (rock - turf - dry) * np.clip(steep + 0.25 * smooth(6.0, 2.0, y), 0, 1)[..., None]
    surface *= (1 - 0.58 * smooth(1.9, 0.5, y + 0.3 * grain_))[..., None]
    lit = light[..., None] * np.array([1.95, 1.70, 1.34], np.float32) + np.array([0.58, 0.66, 0.78], np.float32)
    haze = (1 - np.exp(-(z - 80) / 900))[..., None]
    colour = surface * lit
    return as_plane(colour + (np.array([0.74, 0.75, 0.75], np.float32) - colour) * haze)


def _sea(sky: Plane, first: int) -> Plane:
    """A moderate sea: reflected sky, green body, foam where the land begins."""
    slopes = CAMERA.ground(waves(931, 42.0, 7.0, 2.0, 1.15), 42.0, first)
    chop = CAMERA.ground(waves(932, 7.0, 0.9, 1.6, 1.0), 7.0, first)
    lean = slopes * np.float32(0.55) + chop * np.float32(0.45)
    mirror = mirror_sky(blur(sky[::2, ::2], 3.0), CAMERA.horizon_px / 2)
    half = Camera(1500, 1000, CAMERA.focal_px / 2, CAMERA.horizon_px / 2, CAMERA.height_m, CAMERA.middle_px / 2)
    seen = enlarge(reflected(mirror, half, first // 2, lean[::2, ::2], 0.055), lean.shape[:2])
    z = CAMERA.distances_m(first)[:, None]
    grazing = np.clip(CAMERA.height_m / np.hypot(z, CAMERA.height_m) + lean[..., 2] * 0.14, 0.0, 1)
    left = 1 - grazing
    share = (0.04 + 0.80 * left * left * left * left)[..., None]
    body = np.array([0.105, 0.205, 0.235], np.float32) * (1 + 0.25 * slopes[..., :1] * 0.1)
    water = body + (seen * np.array([0.80, 0.86, 0.92], np.float32) - body) * share
    crest = smooth(1.7, 2.6, as_plane(slopes[..., 0] * 0.30 + 1.1 * lean[..., 2])) * smooth(700, 90, z)
    return as_plane(water + (0.86 - water) * (0.7 * crest)[..., None])


def _surf(water: Plane, first: int) -> None:
    """White water along the coast, from how near the land comes to the surface."""
    z = CAMERA.distances_m(first)[:, None]
    across = (np.arange(SHAPE[1], dtype=np.float32)[None, :] - CAMERA.middle_px) / CAMERA.focal_px
    rows = int(np.searchsorted(-z[:, 0], -78.0))
    near = z[:rows:2]
    x = as_plane(near * across[:, ::2])
    depth = enlarge(_height(x, np.broadcast_to(near, x.shape)), (rows, SHAPE[1]))
    lace = CAMERA.ground(tile(941, 1.25), 30.0, first)[:rows]
    broad = CAMERA.ground(tile(942, 1.75), 80.0, first, (9.0, 4.0))[:rows]
    foam = smooth(-1.75, -0.75, depth + 0.42 * lace + 0.34 * broad)
    veil = smooth(-2.6, -1.3, depth + 0.5 * broad) * smooth(0.30, 0.05, np.abs(lace))
    cover = np.clip(foam * 0.92 + 0.5 * veil, 0, 0.95)[..., None]
    white = (0.80 + 0.05 * lace)[..., None] * np.array([1.0, 0.985, 0.955], np.float32)
    water[:rows] += (white - water[:rows]) * cover


def _column(x: float, z: float, radius: float, tone: tuple[RGB, RGB]) -> Paint:
    """Paint for a round white tower lit from the left."""
    middle, scale = float(CAMERA.see([(x, 0, z)])[0, 0]), CAMERA.px_per_m(z) * radius
    shade, lit = (np.array(c, np.float32) for c in tone)

    def paint(px: Plane, py: Plane) -> Plane:
        u = np.clip((px - np.float32(middle)) / np.float32(scale), -1, 1)
        turn = np.clip(0.80 * -u + 0.60 * np.sqrt(1 - u * u), 0, 1) ** 0.8
        bounce = 0.10 * smooth(0.55, 1.0, u)
        worn = 0.018 * sampled(tile(951, 1.25), px * 0.9, py * 0.35)
        return as_plane((shade + (lit - shade) * turn[..., None] + bounce[..., None]) * (1 + worn)[..., None])

    return paint


def _tower(canvas: Plane) -> None:
    (x, z), foot = TOWER, 15.6
    white, red = ((0.44, 0.47, 0.53), (0.965, 0.935, 0.875)), ((0.22, 0.12, 0.12), (0.60, 0.255, 0.19))

    def drum(low: float, high: float, r_low: float, r_high: float, paint: Paint) -> None:
        t = np.linspace(0, np.pi, 17)
        sag = 0.10
        base = np.stack([x - r_low * np.cos(t), low - sag * r_low * np.sin(t) * 0.5, z + 0 * t], 1)
        top = np.stack([x + r_high * np.cos(t), high + sag * r_high * np.sin(t) * 0.8, z + 0 * t], 1)
        fill(canvas, CAMERA.see(np.concatenate([base, top])), paint)

    def at(y: float) -> float:
        return 2.75 - 1.05 * (y - foot) / 19.5

    for low, high, tone in ((0, 7.2, white), (7.2, 12.4, red), (12.4, 19.5, white)):
        drum(foot + low, foot + high, at(foot + low), at(foot + high), _column(x, z, at(foot + high) + 0.3, tone))
    _openings(canvas, x, z, foot)
    drum(foot + 19.4, foot + 20.2, 2.1, 2.45, _column(x, z, 2.4, white))
    drum(foot + 20.2, foot + 20.6, 2.55, 2.55, _column(x, z, 2.5, ((0.20, 0.21, 0.24), (0.50, 0.48, 0.45))))
    drum(foot + 20.6, foot + 21.6, 1.45, 1.45, _column(x, z, 1.5, white))
    _lantern(canvas, x, z, foot + 21.6)


def _openings(canvas: Plane, x: float, z: float, foot: float) -> None:
    for high, shift, tall in ((4.4, -0.9, 0.95), (9.4, -0.6, 0.9), (14.6, -0.7, 0.85), (0.0, -0.2, 2.1)):
        wide = 0.34 if high else 0.62
        frame = [
            (x + shift - wide - 0.1, foot + high - 0.1, z),
            (x + shift - wide - 0.1, foot + high + tall + 0.12, z),
            (x + shift + wide + 0.1, foot + high + tall + 0.12, z),
            (x + shift + wide + 0.1, foot + high - 0.1, z),
        ]
        fill(canvas, CAMERA.see(frame), (0.70, 0.67, 0.62))
        hole = [
            (x + shift - wide, foot + high, z),
            (x + shift - wide, foot + high + tall, z),
            (x + shift + wide, foot + high + tall, z),
            (x + shift + wide, foot + high, z),
        ]
        fill(canvas, CAMERA.see(hole), (0.13, 0.14, 0.16))


def _lantern(canvas: Plane, x: float, z: float, y: float) -> None:
    glass = [(x - 1.15, y, z), (x - 1.15, y + 2.3, z), (x + 1.15, y + 2.3, z), (x + 1.15, y, z)]
    fill(
        canvas,
        CAMERA.see(glass),
        lambda px, py: as_plane(np.stack([0.50 + 0 * px + 0 * py, 0.56 + 0 * px + 0 * py, 0.60 + 0 * px + 0 * py], -1)),
    )
    lens = [(x - 0.5, y + 0.4, z), (x - 0.35, y + 1.9, z), (x + 0.35, y + 1.9, z), (x + 0.5, y + 0.4, z)]
    fill(canvas, CAMERA.see(lens), (0.90, 0.86, 0.72), soft_px=1.2)
    for k in np.linspace(-1.15, 1.15, 6):
        stroke(canvas, CAMERA.see([(x + k, y, z), (x + k, y + 2.3, z)]), 2.2, (0.20, 0.20, 0.21))
    stroke(canvas, CAMERA.see([(x - 1.15, y + 1.15, z), (x + 1.15, y + 1.15, z)]), 2.0, (0.22, 0.22, 0.23))
    t = np.linspace(np.pi, 0, 19)
    dome = np.stack([x + 1.35 * np.cos(t), y + 2.3 + 1.15 * np.sin(t), z + 0 * t], 1)
    fill(canvas, CAMERA.see(dome), _column(x, z, 1.35, ((0.14, 0.15, 0.17), (0.42, 0.38, 0.34))))
    stroke(canvas, CAMERA.see([(x, y + 3.4, z), (x, y + 4.6, z)]), 2.4, (0.20, 0.2, 0.2))
    for bar in np.linspace(-2.5, 2.5, 11):
        stroke(canvas, CAMERA.see([(x + bar, y - 1.0, z), (x + bar, y + 0.1, z)]), 1.7, (0.24, 0.25, 0.27))
    for rail in (0.1, -0.45):
        stroke(canvas, CAMERA.see([(x - 2.5, y + rail, z), (x + 2.5, y + rail, z)]), 1.8, (0.24, 0.25, 0.27))


def _cottage(canvas: Plane) -> None:
    x, z, y = 25.0, 152.0, 15.3
    wall, gable = (0.60, 0.585, 0.575), (0.93, 0.895, 0.83)
    end = [(x, y, z), (x, y + 3.2, z), (x + 2.6, y + 5.6, z + 1), (x + 5.0, y + 3.2, z + 2), (x + 5.0, y, z + 2)]
    side = [(x + 5.0, y, z + 2), (x + 5.0, y + 3.2, z + 2), (x + 18, y + 3.0, z + 6), (x + 18, y - 0.6, z + 6)]
    roof = [
        (x + 2.5, y + 5.75, z + 1),
        (x + 15.5, y + 5.4, z + 5),
        (x + 18.3, y + 2.9, z + 6),
        (x + 5.2, y + 3.0, z + 2),
    ]
    fill(canvas, CAMERA.see(side), wall)
    fill(canvas, CAMERA.see(end), gable)
    fill(canvas, CAMERA.see(roof), (0.335, 0.335, 0.36))
    for a in (7.2, 10.4, 13.6, 16.2):
        pane = [
            (x + a, y + 1.0, z + 3),
            (x + a, y + 2.2, z + 3),
            (x + a + 0.9, y + 2.2, z + 3.2),
            (x + a + 0.9, y + 1.0, z + 3.2),
        ]
        fill(canvas, CAMERA.see(pane), (0.16, 0.17, 0.20))
    fill(
        canvas,
        CAMERA.see([(x + 2.0, y + 1.2, z), (x + 2.0, y + 2.4, z), (x + 3.0, y + 2.4, z), (x + 3.0, y + 1.2, z)]),
        (0.20, 0.20, 0.22),
    )
    for a, b in ((3.4, 1.2), (14.6, 4.8)):
        stack = [
            (x + a, y + 5.0, z + b),
            (x + a, y + 7.0, z + b),
            (x + a + 1.1, y + 7.0, z + b),
            (x + a + 1.1, y + 5.0, z + b),
        ]
        fill(canvas, CAMERA.see(stack), (0.66, 0.62, 0.57))


def lighthouse() -> NDArray[np.uint16]:
    """The light on its headland late in the afternoon."""
    canvas = _sky()
    first = (int(CAMERA.horizon_px) + 2) // 2 * 2
    water = _sea(canvas, first)
    _surf(water, first)
    canvas[first:] += (water - canvas[first:]) * ramp(water.shape[:2], [(0, 0.5), (0.012, 1), (1, 1)])[..., None]
    top = 1050
    seen, land, high = _land(top)
    cover = seen.cover * smooth(-0.12, 0.06, high) * (seen.step > 0.5)
    canvas[top:LAND_END] += (land - canvas[top:LAND_END]) * cover[..., None]
    _cottage(canvas)
    _tower(canvas)
    canvas = grain(blur(canvas, 0.6), 961, 0.006, 0.7)
    return encode(canvas, 0.30)
