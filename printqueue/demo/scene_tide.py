"""Tide tables: one pier, three heights of the tide."""

import numpy as np
from numpy.typing import NDArray

from printqueue.demo.camera import Camera
from printqueue.demo.canvas import Plane, blur, colour, encode, enlarge, glow, grain, mix, plane, ramp, smooth
from printqueue.demo.marks import fill, outline, shifted, stroke
from printqueue.demo.noise import tile, waves
from printqueue.demo.scenery import air, clouds, mirror_sky, post, reflected

SHAPE = (1600, 2400)
SKY = (SHAPE[0] // 4, SHAPE[1] // 4)
DECK_M = 5.3
HIGH_MARK_M = 3.3
SEEN = air(95.0)
HAZE = 0.70
START, ALONG = (-5.2, 11.0), (0.138, 1.0)
BENTS_M = (0.0, *np.cumsum(np.geomspace(4.6, 6.5, 22)))
MOODS = {  # upper sky, low sky, tint of the shadows
    "low": ((0.50, 0.555, 0.62), (0.90, 0.80, 0.72)),
    "mid": ((0.47, 0.53, 0.585), (0.80, 0.795, 0.78)),
    "high": ((0.33, 0.405, 0.485), (0.70, 0.715, 0.735)),
}


def _camera(level_m: float) -> Camera:
    return Camera(2400, 1600, 1900.0, 690.0, 4.6 - level_m, 1080.0)


def _at(s_m: float, side_m: float = 0.0) -> tuple[float, float]:
    return START[0] + ALONG[0] * s_m + side_m, START[1] + ALONG[1] * s_m


def _pier(canvas: Plane, cam: Camera, level: float) -> None:
    for k in range(len(BENTS_M) - 1, -1, -1):
        _bent(canvas, cam, level, BENTS_M[k])
    _deck(canvas, cam, level)


def _bent(canvas: Plane, cam: Camera, level: float, s: float) -> None:
    through = SEEN(_at(s)[1])
    dark = HAZE + (0.17 - HAZE) * through
    tall = DECK_M - level
    for side in (1.25, -1.25):
        x, z = _at(s, side)
        if side < 0:
            _brace(canvas, cam, s, tall, dark)
        post(
            canvas,
            cam,
            (x, z),
            tall - 0.2,
            0.15,
            tones=(0.13, 0.36),
            weed_m=HIGH_MARK_M - level - 0.3,
            haze=HAZE,
            through=through,
            seed=int(s * 13 + 7 * side),
            light=0.7,
        )
    cap = cam.see([(*_x_up(s, -1.7, tall - 0.12),), (*_x_up(s, 1.7, tall - 0.12),)])
    stroke(canvas, cap, cam.px_per_m(_at(s)[1]) * 0.26, HAZE + (0.20 - HAZE) * through)


def _x_up(s: float, side: float, up: float) -> tuple[float, float, float]:
    x, z = _at(s, side)
    return x, up, z


def _brace(canvas: Plane, cam: Camera, s: float, tall: float, tone: float) -> None:
    wide = cam.px_per_m(_at(s)[1]) * 0.11
    foot = max(tall - 3.0, 0.15)
    for a, b in ((-1.25, 1.25), (1.25, -1.25)):
        stroke(canvas, cam.see([_x_up(s, a, foot), _x_up(s, b, tall - 0.5)]), wide, tone)


def _deck(canvas: Plane, cam: Camera, level: float) -> None:
    s = np.linspace(-16, BENTS_M[-1], 60)
    up = DECK_M - level
    for k in range(len(s) - 1, 0, -1):
        through = SEEN(_at(s[k])[1])
        under = [
            (*_x_up(s[k], -1.7, up),),
            (*_x_up(s[k], 1.7, up),),
            (*_x_up(s[k - 1], 1.7, up),),
            (*_x_up(s[k - 1], -1.7, up),),
        ]
        fill(canvas, cam.see(under), HAZE + (0.12 - HAZE) * through)
        for side, tone in ((1.7, 0.43), (-1.7, 0.25)):
            edge = [
                _x_up(s[k], side, up),
                _x_up(s[k - 1], side, up),
                _x_up(s[k - 1], side, up + 0.28),
                _x_up(s[k], side, up + 0.28),
            ]
            fill(canvas, cam.see(edge), HAZE + (tone - HAZE) * through)
    _railing(canvas, cam, up)


def _railing(canvas: Plane, cam: Camera, up: float) -> None:
    for side in (-1.6, 1.6):
        for s in np.arange(BENTS_M[-1], -9, -2.3):
            through, scale = SEEN(_at(s)[1]), cam.px_per_m(_at(s)[1])
            ends = cam.see([_x_up(s, side, up + 0.2), _x_up(s, side, up + 1.25)])
            stroke(canvas, ends, max(1.2, 0.07 * scale), HAZE + (0.2 - HAZE) * through, opacity=min(1, scale * 0.05))
        for rail in (0.75, 1.22):
            s = np.linspace(BENTS_M[-1], -9.5, 40)
            path = cam.see([_x_up(v, side, up + rail) for v in s])
            widths = np.array([max(1.1, 0.06 * cam.px_per_m(_at(v)[1])) for v in s])
            stroke(canvas, path, widths, lambda x, y: HAZE + (0.22 - HAZE) * smooth(1700, 900, x + 0 * y) * 0.9)
    _pierhead(canvas, cam, up)


def _pierhead(canvas: Plane, cam: Camera, up: float) -> None:
    s, through = BENTS_M[-1], SEEN(_at(BENTS_M[-1])[1]) * 1.3
    tone = HAZE + (0.22 - HAZE) * through
    hut = [
        _x_up(s, -1.4, up),
        _x_up(s, -1.4, up + 2.5),
        _x_up(s, 0.2, up + 3.6),
        _x_up(s, 1.8, up + 2.5),
        _x_up(s, 1.8, up),
    ]
    fill(canvas, cam.see(hut), tone, soft_px=0.8)
    stroke(canvas, cam.see([_x_up(s, 2.4, up), _x_up(s, 2.4, up + 6.2)]), 2.4, tone, soft_px=0.7)
    lamp = cam.see([_x_up(s, 2.4, up + 6.2)])[0]
    fill(
        canvas,
        shifted(outline([(-5, 0), (-4, -9), (4, -9), (5, 0)]), float(lamp[0]), float(lamp[1])),
        tone,
        soft_px=0.7,
    )


def _sky(seed: int) -> Plane:
    drift = clouds(SKY, 0.43, seed, depth=0.16, scale=75.0, beta=1.9, stretch=2.6)
    veil = smooth(-1.2, 2.2, drift)
    light = ramp(SKY, [(0, 0.46), (0.25, 0.60), (0.43, HAZE + 0.06), (1, HAZE)])
    fade = ramp(SKY, [(0, 1.0), (0.38, 0.55), (0.44, 0.0), (1, 0.0)])
    return enlarge(light + (veil - 0.45) * 0.22 * fade + 0.10 * glow(SKY, (0.74, 0.40), (0.30, 0.16)), SHAPE)


def _sand(cam: Camera, first: int, mirror: Plane) -> tuple[Plane, Plane]:
    """Rippled sand with pools: (tone, how wet)."""
    beds = cam.ground(tile(41, 1.55), 34.0, first, (19.0, 3.0))
    ribs = cam.ground(waves(42, 5.0, 0.16, 24.0, 1.25), 5.0, first)
    z = cam.distances_m(first)[:, None]
    wet = smooth(-0.7, 1.5, beds + (z - 15.0) * 0.035)
    calm = smooth(26.0, 9.0, z)
    still = reflected(mirror, cam, first, ribs * calm[..., None], 0.004)
    grit = cam.ground(tile(43, 0.5), 3.2, first)
    dry = 0.36 + ribs[..., 2] * 0.06 * calm + grit * 0.028 * calm + beds * 0.015
    pools = smooth(0.66, 0.76, wet + ribs[..., 0] * 2.0)
    sheen = mix(dry, still * 0.92, 0.16 + 0.55 * wet)
    return mix(sheen, still * 0.97, pools), wet


def _water(cam: Camera, first: int, mirror: Plane, seed: int, rough: float) -> Plane:
    slopes = cam.ground(waves(seed, 14.0, 1.9, 3.0, 1.3), 14.0, first)
    seen = reflected(blur(mirror, 0.8, 9.0), cam, first, slopes, rough, taps=(0.3, 0.7, 1.1))
    depth = ramp(seen.shape[:2], [(0, 0.04), (0.3, 0.16), (1, 0.46)])
    return mix(seen, 0.30, depth) - slopes[..., 2] * np.float32(0.028) * (0.3 + depth)


def _tide(name: str, level: float, rough: float) -> NDArray[np.uint16]:
    cam = _camera(level)
    tone = _sky(51)
    mirror = mirror_sky(tone, cam.horizon_px)
    _pier(mirror, cam.mirrored(), level)
    first = int(cam.horizon_px) + 1
    water = _water(cam, first, mirror, 53, rough)
    if name == "low":
        sand, _ = _sand(cam, first, mirror)
        z = cam.distances_m(first)[:, None]
        ruffle = cam.ground(tile(58, 1.4), 18.0, first)
        lap = cam.ground(tile(55, 2.2), 60.0, first)
        shore = smooth(26.0, 27.0, z + (2.2 * lap + 0.25 * ruffle))
        edge = 0.5 + 0.5 * smooth(-0.8, 1.0, cam.ground(tile(56, 1.3), 22.0, first))
        foam = edge * np.exp(-(((z + (2.2 * lap + 0.25 * ruffle) - 25.6) / 0.5) ** 2)) * 0.13
        water = mix(sand, water, shore) + foam
    tone[first:] = mix(tone[first:], water, ramp(water.shape, [(0, 0.35), (0.05, 1), (1, 1)]))
    _pier(tone, cam, level)
    return _printed(name, grain(blur(tone, 0.62), 57, 0.007, 0.7))


def _printed(name: str, tone: Plane) -> NDArray[np.uint16]:
    upper, low = MOODS[name]
    share = blur(ramp((200, 300), [(0, 0.0), (0.43, 1.0), (0.6, 0.75), (1, 0.1)]), 8.0)
    tint = colour(plane((200, 300), 1.0))
    for channel in range(3):
        grey = [0.3 * c[0] + 0.59 * c[1] + 0.11 * c[2] for c in (upper, low)]
        tint[..., channel] = mix(upper[channel] / grey[0], low[channel] / grey[1], share)
    key = {"low": 1.0, "mid": 0.96, "high": 0.84}[name]
    return encode(colour(tone * np.float32(key)) * enlarge(tint, tone.shape))


def tide_low() -> NDArray[np.uint16]:
    """The pier at low tide: wet sand, pools, the piles bare to their feet."""
    return _tide("low", 0.0, 0.006)


def tide_mid() -> NDArray[np.uint16]:
    """The pier at half tide, quiet water."""
    return _tide("mid", 1.5, 0.009)


def tide_high() -> NDArray[np.uint16]:
    """The pier at high tide towards evening."""
    return _tide("high", 2.9, 0.016)
