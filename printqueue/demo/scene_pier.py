"""The pier at three stages of the tide."""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from printqueue.demo.camera import Camera
from printqueue.demo.canvas import Pixels, Plane, blur, encode, enlarge, glow, grain, mix, plane, ramp, smooth
from printqueue.demo.marks import fill, stroke
from printqueue.demo.noise import tile, waves
from printqueue.demo.scenery import Post, Veil, air, clouds, mirror_sky, reflected

SHAPE = (2000, 3000)
SKY = (SHAPE[0] // 4, SHAPE[1] // 4)
EYE_M = 4.6  # like all heights, above low water
DECK_M, HIGH_MARK_M = 5.3, 3.0
HALF_M = 1.7  # half the deck's width
SEEN, HAZE = air(95.0), 0.70
START, ALONG = (-5.2, 11.0), (0.138, 1.0)  # (x, z) of the pier's nearest bent, and the pier's direction
BENTS_M = (0.0, *np.cumsum(np.geomspace(4.6, 6.5, 22)))  # distances of its pairs of piles along the pier
Colour = tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class Tide:
    """How high and how rough the water is, and the light: colours of the upper and lower sky, and brightness."""

    level_m: float
    rough: float
    upper: Colour
    low: Colour
    key: float


LOW = Tide(0.0, 0.006, (0.50, 0.555, 0.62), (0.90, 0.80, 0.72), 1.0)
HALF = Tide(1.5, 0.009, (0.47, 0.53, 0.585), (0.80, 0.795, 0.78), 0.96)
HIGH = Tide(2.9, 0.016, (0.33, 0.405, 0.485), (0.70, 0.715, 0.735), 0.84)


def _on(s_m: float, side_m: float, up_m: float) -> tuple[float, float, float]:
    """The (x, y, z) of a point `s_m` along the pier, `side_m` to the right of its middle and `up_m` high."""
    return START[0] + ALONG[0] * s_m + side_m, up_m, START[1] + ALONG[1] * s_m


def _z(s_m: float) -> float:
    return START[1] + ALONG[1] * s_m


def _veil(s_m: float) -> Veil:
    """The air in front of a point `s_m` along the pier."""
    return Veil(HAZE, SEEN(_z(s_m)))


def _pier(canvas: Plane, cam: Camera, deck: float) -> None:
    """Draw the whole pier, its deck `deck` metres above the water."""
    _pierhead(canvas, cam, deck)
    for s in reversed(BENTS_M):
        _bent(canvas, cam, deck, s)
    _railing(canvas, cam, deck, -1.6)
    _deck(canvas, cam, deck)  # hides the foot of the railing behind it, since the eye is below the deck
    _railing(canvas, cam, deck, 1.6)


def _bent(canvas: Plane, cam: Camera, deck: float, s: float) -> None:
    """Draw two piles, crossed braces between them, and the beam they carry."""
    veil, scale = _veil(s), cam.px_per_m(_z(s))
    weed = HIGH_MARK_M - (DECK_M - deck)
    right, left = (
        Post(*_on(s, side, 0.0)[::2], deck - 0.2, 0.15, (0.13, 0.36), weed, seed=int(s * 13 + 7 * side), light=0.7)
        for side in (1.25, -1.25)
    )
    right.draw(canvas, cam, veil)
    foot = max(deck - 3.0, 0.15)
    for a in (-1.25, 1.25):
        stroke(canvas, cam.see([_on(s, a, foot), _on(s, -a, deck - 0.5)]), scale * 0.11, veil.over(0.17))
    left.draw(canvas, cam, veil)
    cap = cam.see([_on(s, -HALF_M, deck - 0.12), _on(s, HALF_M, deck - 0.12)])
    stroke(canvas, cap, scale * 0.26, veil.over(0.20))


def _deck(canvas: Plane, cam: Camera, up: float) -> None:
    """Draw the deck from below and its near edge, in pieces that each have their own haze."""
    s = np.linspace(BENTS_M[-1], -16, 60)
    for far, near in pairwise(s):
        veil = _veil(far)
        under = [_on(far, -HALF_M, up), _on(far, HALF_M, up), _on(near, HALF_M, up), _on(near, -HALF_M, up)]
        fill(canvas, cam.see(under), veil.over(0.12))
        edge = [(far, up), (near, up), (near, up + 0.28), (far, up + 0.28)]
        fill(canvas, cam.see([_on(s_m, HALF_M, y) for s_m, y in edge]), veil.over(0.43))


def _railing(canvas: Plane, cam: Camera, up: float, side: float) -> None:
    """Draw uprights and two rails on one side."""
    for s in np.arange(BENTS_M[-1], -9, -2.3):
        scale = cam.px_per_m(_z(s))
        ends = cam.see([_on(s, side, up + 0.2), _on(s, side, up + 1.25)])
        stroke(canvas, ends, max(1.5, 0.07 * scale), _veil(s).over(0.2), opacity=min(1, scale * 0.04))
    s = np.linspace(BENTS_M[-1], -9.5, 40)
    widths = np.array([max(1.4, 0.06 * cam.px_per_m(_z(v))) for v in s])
    for rail in (0.75, 1.22):
        path = cam.see([_on(v, side, up + rail) for v in s])
        stroke(canvas, path, widths, lambda x, y: HAZE + (0.22 - HAZE) * smooth(2125, 1125, x + 0 * y) * 0.9)


def _pierhead(canvas: Plane, cam: Camera, up: float) -> None:
    """Draw the hut at the far end and a light on a pile beside it."""
    s = BENTS_M[-1]
    tone = Veil(HAZE, SEEN(_z(s)) * 1.3).over(0.22)
    walls = [(-1.4, 0.0), (-1.4, 2.5), (0.2, 3.6), (1.8, 2.5), (1.8, 0.0)]
    fill(canvas, cam.see([_on(s, side, up + high) for side, high in walls]), tone, soft_px=1.0)
    pole = cam.see([_on(s, 2.4, 0.0), _on(s, 2.4, up + 6.2)])
    stroke(canvas, pole, 3.0, tone, soft_px=0.9)
    fill(canvas, pole[1] + np.array([(-6, 0), (-5, -11), (5, -11), (6, 0)]), tone, soft_px=0.9)


def _sky() -> Plane:
    """A thin veil of cloud, brightest low on the right."""
    veil = smooth(-1.2, 2.2, clouds(SKY, 0.43, 51, depth=0.16, scale=75.0, beta=2.0, stretch=2.6))
    light = ramp(SKY, [(0, 0.46), (0.25, 0.60), (0.43, HAZE + 0.06), (1, HAZE)])
    fade = ramp(SKY, [(0, 1.0), (0.38, 0.55), (0.44, 0.0), (1, 0.0)])
    return enlarge(light + (veil - 0.45) * 0.22 * fade + 0.10 * glow(SKY, (0.74, 0.40), (0.30, 0.16)), SHAPE)


def _water(cam: Camera, first: int, mirror: Plane, rough: float) -> Plane:
    slopes = cam.ground(waves(53, 14.0, 1.9, 3.0, heading=1.3), 14.0, first)
    seen = reflected(blur(mirror, 1.0, 11.0), cam, first, slopes, strength=rough, taps=(0.3, 0.7, 1.1))
    depth = ramp(seen.shape[:2], [(0, 0.04), (0.3, 0.16), (1, 0.46)])
    return mix(seen, 0.30, depth) - slopes[..., 2] * np.float32(0.028) * (0.3 + depth)


def _sand(cam: Camera, first: int, mirror: Plane) -> Plane:
    """Rippled sand, still wet, with pools."""
    beds = cam.ground(tile(41, 1.55), 34.0, first)
    ribs = cam.ground(waves(42, 5.0, 0.16, 24.0, heading=1.25), 5.0, first)
    z = cam.distances_m(first)[:, None]
    wet, calm = smooth(-0.7, 1.5, beds + (z - 15.0) * 0.035), smooth(26.0, 9.0, z)
    still = reflected(mirror, cam, first, ribs * calm[..., None], strength=0.004)
    grit = cam.ground(tile(43, 0.5), 3.2, first)
    dry = 0.36 + ribs[..., 2] * 0.06 * calm + grit * 0.028 * calm + beds * 0.015
    pools = smooth(0.66, 0.76, wet + ribs[..., 0] * 2.0)
    return mix(mix(dry, still * 0.92, 0.16 + 0.55 * wet), still * 0.97, pools)


def _shore(cam: Camera, first: int, sand: Plane, water: Plane) -> Plane:
    """Sand nearby, water beyond, a thin line of foam in between."""
    edge_m = cam.distances_m(first)[:, None] + 2.2 * cam.ground(tile(55, 2.2), 60.0, first)
    edge_m += 0.25 * cam.ground(tile(58, 1.4), 18.0, first)
    broken = 0.5 + 0.5 * smooth(-0.8, 1.0, cam.ground(tile(56, 1.3), 22.0, first))
    foam = broken * np.exp(-(((edge_m - 25.6) / 0.5) ** 2)) * 0.13
    return mix(sand, water, smooth(26.0, 27.0, edge_m)) + foam


def _painted(tide: Tide) -> Pixels:
    cam = Camera(3000, 2000, 2375.0, 862.5, EYE_M - tide.level_m, 1350.0)
    deck, first = DECK_M - tide.level_m, int(cam.horizon_px) + 1
    tone = _sky()
    mirror = mirror_sky(tone, cam.horizon_px)
    _pier(mirror, cam.mirrored(), deck)
    below = _water(cam, first, mirror, tide.rough)
    if tide.level_m == 0:
        below = _shore(cam, first, _sand(cam, first, mirror), below)
    tone[first:] = mix(tone[first:], below, ramp(below.shape, [(0, 0.35), (0.05, 1), (1, 1)]))
    _pier(tone, cam, deck)
    return _printed(tide, grain(blur(tone, 0.6), 57, 0.007, 0.7))


def _printed(tide: Tide, tone: Plane) -> Pixels:
    """Coloured by the light of the hour: one colour above and one at the horizon, equally bright."""
    small = (200, 300)
    share = blur(ramp(small, [(0, 0.0), (0.43, 1.0), (0.6, 0.75), (1, 0.1)]), 8.0)
    grey = [0.3 * c[0] + 0.59 * c[1] + 0.11 * c[2] for c in (tide.upper, tide.low)]
    tint = plane((*small, 3))
    for channel in range(3):
        tint[..., channel] = mix(tide.upper[channel] / grey[0], tide.low[channel] / grey[1], share)
    return encode((tone * np.float32(tide.key))[..., None] * enlarge(tint, tone.shape))


def pier_low() -> Pixels:
    """The pier at low tide: wet sand, pools, the piles bare down to the foot."""
    return _painted(LOW)


def pier_half() -> Pixels:
    """The pier at half tide, in calm water."""
    return _painted(HALF)


def pier_high() -> Pixels:
    """The pier at high tide, towards evening."""
    return _painted(HIGH)
