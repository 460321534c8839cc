"""Fog harbour: a ruined jetty walks out into bright fog."""

from collections.abc import Callable
from functools import partial

import numpy as np

from printqueue.demo.camera import Camera
from printqueue.demo.canvas import Pixels, Plane, blur, enlarge, generator, glow, grain, mix, ramp, toned
from printqueue.demo.marks import fill, sag, stroke
from printqueue.demo.noise import field, waves
from printqueue.demo.scenery import Boat, Post, Veil, air, mirror_sky, reflected

SHAPE = (2000, 3000)
CAMERA = Camera(3000, 2000, 3300.0, 860.0, 2.6, 1500.0)
FOG = 0.80
SEEN = air(19.0)
BENTS_M = np.geomspace(9.0, 95, 17)  # distances of the jetty's pairs of posts
WOOD, WEED_M = (0.16, 0.44), 0.42
LONE = (3.05, 17.5)  # the post the skiff is tied to


def _middle_m(z: float) -> float:
    """The x of the jetty's middle at distance z."""
    return -2.35 + 0.062 * (z - 8.5)


def _posts() -> list[Post]:
    """The jetty's posts, some of them missing, and three that stand alone."""
    gen = generator(1101)
    found = []
    for k, z in enumerate(BENTS_M):
        for side in (-0.95, 0.95):
            if gen.uniform() > 0.12 or k < 2:
                top, radius = 1.5 + gen.uniform(-0.55, 0.5), 0.115 + gen.uniform(0, 0.035)
                lean, seed = gen.normal(0, 0.02), int(gen.integers(1000))
                found.append(Post(_middle_m(z) + side, z + side * 0.4, top, radius, WOOD, WEED_M, lean, seed))
    alone = ((*LONE, 1.15, 0.13, 0.07, 5), (6.6, 40.0, 1.9, 0.15, -0.02, 6), (8.2, 41.0, 1.7, 0.15, 0.02, 7))
    return found + [Post(x, z, top, radius, WOOD, WEED_M, lean, seed) for x, z, top, radius, lean, seed in alone]


def _furnish(canvas: Plane, cam: Camera) -> None:
    """Draw everything in the water, farthest first."""
    jobs: list[tuple[float, Callable[[], None]]] = [
        (30.0, partial(_skiff, canvas, cam)),
        (62.0, partial(_sloop, canvas, cam, (-9.5, 62.0))),
    ]
    jobs += [(p.z, partial(p.draw, canvas, cam, Veil(FOG, 1.12 * SEEN(p.z) ** 0.9))) for p in _posts()]
    jobs += [(z - 0.3, partial(_beam, canvas, cam, float(z))) for z in BENTS_M[[2, 5, 6, 9]]]
    for _, job in sorted(jobs, key=lambda job: -job[0]):
        job()


def _beam(canvas: Plane, cam: Camera, z: float) -> None:
    """A cross beam that has slipped."""
    middle, veil, fall = _middle_m(z), Veil(FOG, SEEN(z) ** 0.9), 0.28 * np.sin(z * 7.0)
    ends = cam.see(
        [(middle - 1.25, 1.02 + fall, z - 0.5), (middle, 0.97, z - 0.1), (middle + 1.2, 1.0 - fall, z + 0.3)]
    )
    thick = cam.px_per_m(z) * 0.10
    stroke(canvas, ends, thick, veil.over(0.24))
    stroke(canvas, ends - (0, thick * 0.38), thick * 0.22, veil.over(0.50), opacity=0.8, soft_px=0.8)


def _skiff(canvas: Plane, cam: Camera) -> None:
    """A skiff and its painter."""
    skiff = Boat(6.3, 30.0, 4.6, (0.30, 0.62, 0.16), turn=0.25)
    skiff.draw(canvas, cam, Veil(FOG, SEEN(skiff.z) * 1.9))
    ends = cam.see([(skiff.x - skiff.length_m * 0.48, 0.62, skiff.z - 0.5), (LONE[0], 0.75, LONE[1])])
    stroke(canvas, sag(ends[0], ends[1], 46.0 * cam.upside), 2.0, Veil(FOG, 0.42).over(0.3), opacity=0.9)


def _sloop(canvas: Plane, cam: Camera, at: tuple[float, float]) -> None:
    """A sloop at anchor, just a shape in the fog."""
    x, z = at
    tone = Veil(FOG, SEEN(z) * 4.2).over(0.25)
    t = np.linspace(-1, 1, 31)
    sheer = np.stack([x + 4.9 * t, 0.95 + 0.22 * (t - 0.25) ** 2 + 0.12 * t, z + 0 * t], 1)
    keel = np.stack([x + 3.7 * t[::-1], 0 * t, z + 0 * t], 1)
    fill(canvas, cam.see([*sheer, *keel]), tone, soft_px=1.4)
    cabin = [(x - 1.6, 1.0, z), (x - 1.3, 1.55, z), (x + 1.2, 1.6, z), (x + 1.9, 1.0, z)]
    fill(canvas, cam.see(cabin), tone + 0.01, soft_px=1.4)
    sail = cam.see([(x + 0.5, 2.1, z), (x - 1.6, 2.0, z), (x - 3.9, 2.15, z)])
    stroke(canvas, sail, np.array([4.0, 11.0, 5.0]), tone, soft_px=1.4)
    stroke(canvas, cam.see([(x + 0.6, 0.9, z), (x + 0.6, 11.0, z)]), 3.2, tone, opacity=0.9, soft_px=1.0)
    for foot in (-4.5, 4.7):
        stay = cam.see([(x + foot, 1.0, z), (x + 0.6, 10.8, z)])
        stroke(canvas, stay, 1.1, tone, opacity=0.5, soft_px=0.8)


def fog_harbour() -> Pixels:
    """Bright fog over still water; a broken jetty and a moored skiff, almost colourless."""
    drifts = blur(field((SHAPE[0] // 4, SHAPE[1] // 4), 1103, (6.0, 14.0), 2.2), 8.0)
    sky = ramp(SHAPE, [(0, 0.745), (0.2, 0.775), (0.43, 0.815), (1, 0.80)])
    sky += 0.075 * glow(SHAPE, (0.66, 0.20), (0.42, 0.42)) + enlarge(drifts, SHAPE) * np.float32(0.011)
    mirror = mirror_sky(sky, CAMERA.horizon_px)
    _furnish(mirror, CAMERA.mirrored())
    first = int(CAMERA.horizon_px) + 3
    slopes = CAMERA.ground(waves(1105, 9.0, 1.1, 2.0, heading=1.35), 9.0, first)
    water = reflected(blur(mirror, 0.6, 5.0), CAMERA, first, slopes, strength=0.011)
    depth = ramp(water.shape[:2], [(0, 0.0), (0.25, 0.03), (1, 0.17)])
    water = mix(water, 0.62, depth) - slopes[..., 2] * np.float32(0.010) * (depth * 6)
    canvas = sky.copy()
    canvas[first:] = mix(canvas[first:], water, ramp(water.shape[:2], [(0, 0.0), (0.16, 0.9), (1, 1.0)]))
    _furnish(canvas, CAMERA)
    canvas = grain(blur(canvas, 0.65), 1106, 0.006, 0.7)
    warm, cold, pale = (0.012, 0.0, -0.012), (-0.004, 0.0, 0.010), (-0.004, 0.001, 0.004)
    return toned(canvas, [(0, warm), (0.45, cold), (0.8, pale), (1, (0.006, 0.0, -0.010))])
