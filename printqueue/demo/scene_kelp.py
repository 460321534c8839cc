"""Kelp on wet rock, toned warm: a close-up straight down."""

import cv2
import numpy as np
from numpy.typing import NDArray

from printqueue.demo.canvas import (
    Pixels,
    Plane,
    as_plane,
    blur,
    enlarge,
    generator,
    grain,
    mix,
    smooth,
    tone_curve,
    toned,
)
from printqueue.demo.marks import Box, Points, Sheaf, box_of, coverage, fill, lay, ribbon
from printqueue.demo.noise import field, tile
from printqueue.demo.scenery import sampled

SHAPE = (2000, 3000)
QUARTER, EIGHTH = (500, 750), (250, 375)
LIGHT = np.array([-0.52, -0.62, 0.59], np.float32)
HALFWAY = LIGHT + np.array([0, 0, 1], np.float32)  # between light and eye: surfaces facing it gleam
HALFWAY /= np.sqrt((HALFWAY * HALFWAY).sum())
STRAP_PX = (220, 2000)
LANES = (8, 1, 14, 5, 11, 3, 0, 16, 9, 6, 13, 2, 10, 15, 4, 12, 7)  # the fronds from left to right, bottom one first
STIPES = (5, 11)  # fronds with a bare stalk underneath
Widths = NDArray[np.float64]


def _lit(height: Plane) -> tuple[Plane, Plane]:
    """Light on a surface from the upper left: (diffuse 0..1, wet gleam 0..1)."""
    dx, dy = (cv2.Sobel(height, cv2.CV_32F, *axis, scale=1 / 8) for axis in ((1, 0), (0, 1)))
    long = 1 / np.sqrt(dx * dx + dy * dy + 1)
    facing = (-dx * LIGHT[0] - dy * LIGHT[1] + LIGHT[2]) * long
    gleam = np.clip((-dx * HALFWAY[0] - dy * HALFWAY[1] + HALFWAY[2]) * long, 0, 1)
    return as_plane(np.clip(facing, 0, 1)), as_plane(gleam**38)


def _rock() -> Plane:
    """Dark wet rock: swells and clefts, fine grain."""
    broad = enlarge(field(QUARTER, 701, (2.0, 2.0), 1.75), SHAPE)
    ridge = enlarge(1 - np.abs(field(QUARTER, 703, (1.5, 2.5), 1.5)), SHAPE)
    fine = field(SHAPE, 705, (2.0, 2.0), 1.35)
    diffuse, gleam = _lit(broad * 30 + ridge * 16 + fine * 1.5)
    cleft = smooth(-0.35, 0.35, ridge)
    tone = (0.10 + 0.46 * diffuse * diffuse) * (0.45 + 0.55 * cleft) + 0.34 * gleam * smooth(-0.9, 0.9, broad)
    return as_plane(tone + 0.010 * fine)


def _barnacles(canvas: Plane) -> None:
    """Patches of barnacles: small grooved cones, lit from the upper left, each with an opening."""
    where = field(EIGHTH, 709, (3.75, 3.75), 1.75)
    where = (where - where.mean()) / where.std()
    shade, shells = Sheaf(SHAPE), Sheaf(SHAPE)
    for x, y, s in generator(707).uniform(0, 1, (5200, 3)):
        if where[int(y * 249), int(x * 374)] + 0.5 * s > 1.15:
            _barnacle(shade, shells, np.array([x * SHAPE[1], y * SHAPE[0]]), s)
    shade.lay_on(canvas, 0.55)
    shells.lay_on(canvas, 0.92)


def _barnacle(shade: Sheaf, shells: Sheaf, at: Points, s: float) -> None:
    """One barnacle; `s` (0..1) sets its size and outline."""
    a, r = np.linspace(0, 2 * np.pi, 19), 6.0 + 11.0 * s**2
    wave = 1 + 0.07 * np.sin(3 * a + 97 * s) + 0.06 * np.sin(5 * a + 31 * s) + 0.10 * np.sin(2 * a + 55 * s)
    ring = np.stack([np.cos(a) * wave, np.sin(a) * wave], 1) * r
    peak = at - (0.10 * r, 0.12 * r)
    shade.patch(ring * 1.25 + at + (4, 5), 0.03)
    shells.patch(ring + at, 0.17)
    shells.patch(ring * 0.84 + at - (0.14 * r, 0.17 * r), 0.38 + 0.12 * (s * 23 % 1))
    shells.patch(ring * 0.56 + peak - (0.10 * r, 0.12 * r), 0.66)
    for k in (1, 4, 7, 10, 13, 16):
        shells.thread(np.stack([ring[k] * 0.95 + at, ring[k] * 0.6 + peak]), 1, 0.16)
    shells.patch(ring * 0.36 + peak, 0.06)


def _strap(seed: int) -> tuple[Plane, Plane]:
    """A strap of kelp laid flat, (across, along): its tone and its gleam."""
    t = np.linspace(-1, 1, STRAP_PX[0], dtype=np.float32)[:, None]
    s = np.arange(STRAP_PX[1], dtype=np.float32)[None, :]
    ruffle = sampled(tile(seed, 1.75), s * 0.55, t * 40 + 100)
    crinkle = sampled(tile(seed + 1, 1.75), s * 1.15 + 30 * np.abs(t), t * 85 + 200)
    fold = np.sin(s / 38.0 + 5.0 * sampled(tile(seed + 2, 2.0), s * 0.2, 0 * t))
    margin, middle = smooth(0.45, 0.98, np.abs(t) + 0 * s), np.exp(-((t / 0.20) ** 2))
    blister = np.sin(s / 15.0 + 2.6 * crinkle + np.sign(t) * 1.3) * np.sin(np.pi * np.clip(np.abs(t) * 1.35, 0, 1))
    height = 34 * np.sqrt(1.05 - t * t) + 13 * margin * fold * np.sign(t) + 12 * ruffle - 11 * middle
    height = height + 3.4 * crinkle * (1 - 0.5 * margin) + 6.5 * blister * (1 - margin)
    diffuse, gleam = _lit(as_plane(height))
    pores = sampled(tile(seed + 3, 1.0), s, t * 110)
    tone = (0.075 + 0.50 * diffuse**1.6) * (1 + 0.05 * pores) * (1 - 0.20 * middle)
    rim = smooth(0.90, 0.985, np.abs(t) + 0.03 * ruffle)
    return as_plane(tone * (1 - 0.25 * rim) + 0.10 * rim), as_plane(gleam * (1 - 0.4 * rim))


def _course(gen: np.random.Generator, start: tuple[float, float], heading: float, long: float) -> Points:
    """A frond's course: a meandering line of 90 points, `long` px in total."""
    wander = np.cumsum(gen.normal(0, 0.030, 90))
    angle = heading + wander + 0.50 * np.sin(np.linspace(0, gen.uniform(2, 7), 90) + gen.uniform(0, 6))
    return start + np.cumsum(np.stack([np.cos(angle), np.sin(angle)], 1), axis=0) * long / 90


def _along(path: Points, half: Widths, box: Box) -> tuple[Plane, Plane]:
    """For each px in a box: distance along the path in px, and to its right, −1..1 (at quarter size, enlarged)."""
    top, bottom, left, right = box
    small = ((bottom - top) // 4 + 1, (right - left) // 4 + 1)
    at = np.linspace(0, len(path) - 1, 1200)
    x, y, wide = (np.interp(at, np.arange(len(path)), values) for values in (*path.T, half))
    lengths = np.concatenate([[0], np.cumsum(np.hypot(np.diff(x), np.diff(y)))])
    nearest = _nearest(np.rint((x - left) / 4).astype(int), np.rint((y - top) / 4).astype(int), small)
    along = np.hypot(np.gradient(x), np.gradient(y))
    tx, ty = (np.gradient(x) / along)[nearest], (np.gradient(y) / along)[nearest]
    rows, cols = np.mgrid[0 : small[0], 0 : small[1]] * 4.0 + 2.0
    off_x, off_y = cols + left - x[nearest], rows + top - y[nearest]
    s = lengths[nearest] + off_x * tx + off_y * ty
    d = (off_y * tx - off_x * ty) / np.maximum(np.interp(s, lengths, wide), 3)
    full, part = (small[0] * 4, small[1] * 4), (slice(0, bottom - top), slice(0, right - left))
    return enlarge(blur(as_plane(s), 1.5), full)[part], enlarge(blur(as_plane(d), 1.0), full)[part]


def _nearest(cols: NDArray[np.int_], rows: NDArray[np.int_], shape: tuple[int, int]) -> NDArray[np.int32]:
    """For each px in a frame, the index of the nearest point."""
    inside = (cols >= 0) & (rows >= 0) & (cols < shape[1]) & (rows < shape[0])
    bare, owner = np.full(shape, 255, np.uint8), np.zeros(shape, np.int32)
    bare[rows[inside], cols[inside]] = 0
    owner[rows[inside], cols[inside]] = np.flatnonzero(inside)
    _, labels = cv2.distanceTransformWithLabels(bare, cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL)
    of_label = np.zeros(int(labels.max()) + 1, np.int32)
    of_label[labels[bare == 0]] = owner[bare == 0]
    return np.asarray(of_label[labels], np.int32)


def _frond(canvas: Plane, path: Points, half: Widths, strap: Plane, *, seed: int) -> None:
    """Draw a strap along a course, over its own shadow."""
    edge = 1 + 0.10 * np.sin(np.linspace(0, 70, len(path)) + seed) * np.sin(np.linspace(0, 23, len(path)) + 2 * seed)
    shape = ribbon(path, 2 * half * edge)
    box = box_of(shape, SHAPE, 40)
    if box is None:
        return
    part = canvas[box[0] : box[1], box[2] : box[3]]
    part *= 1 - np.float32(0.72) * coverage(shape + np.array([17.0, 22.0]), box, 11.0)
    s, d = _along(path, half, box)
    middle = np.float32((STRAP_PX[0] - 1) / 2)
    v = np.clip(d * np.float32(0.97), -1, 1) * middle + middle
    u = (s + seed * 131) % (STRAP_PX[1] - 10)
    lay(part, coverage(shape, box), as_plane(cv2.remap(strap, as_plane(u), as_plane(v), cv2.INTER_LINEAR)))


def _stipe(canvas: Plane, path: Points, wide: float) -> None:
    """Draw a wet round stalk: dark edges, one long gleam."""
    fill(canvas, ribbon(path + np.array([14.0, 18.0]), wide * 1.1), 0.02, opacity=0.6, soft_px=9.0)
    fill(canvas, ribbon(path, wide), 0.085)
    for shift, share, tone, soft in ((0.04, 0.72, 0.17, 3.0), (0.14, 0.36, 0.27, 3.0), (0.22, 0.10, 0.80, 1.1)):
        fill(canvas, ribbon(path - (wide * shift, wide * shift), wide * share), tone, opacity=0.85, soft_px=soft)


def _fronds(canvas: Plane) -> None:
    """Draw seventeen overlapping fronds from the left, upper ones lighter, with two bare stalks among them."""
    gen, straps = generator(721), [_strap(731 + 4 * k) for k in range(3)]
    for k, lane in enumerate(np.array(LANES) / 16):
        start = (-330.0 + gen.normal(0, 60), 180.0 + 760 * lane + gen.normal(0, 70))
        path = _course(gen, start, -0.52 + 1.45 * lane + gen.normal(0, 0.10), gen.uniform(2500, 4300))
        s = np.linspace(0, 1, len(path))
        half = gen.uniform(70, 128) * np.clip(np.minimum(s / 0.35, (1 - s) / 0.25), 0.003, 1) ** 0.7
        if k in STIPES:
            _stipe(canvas, _course(gen, (-200.0, 200.0 + 90 * k), 0.25 * k - 1.6, 4200), 44.0)
        tone, gleam = straps[k % 3]
        _frond(canvas, path, half, np.minimum(tone * np.float32(0.80 + 0.40 * k / 17) + gleam * 0.62, 0.97), seed=k)


def kelp() -> Pixels:
    """Straps of kelp left on the rock by the tide; warm black-and-white, very slightly split-toned."""
    canvas = _rock()
    _barnacles(canvas)
    _fronds(canvas)
    canvas = tone_curve(canvas, [(0, 0.03), (0.12, 0.165), (0.4, 0.52), (0.7, 0.84), (1, 0.985)])
    y, x = np.linspace(-1, 1, 200, dtype=np.float32)[:, None], np.linspace(-1, 1, 300, dtype=np.float32)[None, :]
    corners = 1 - enlarge(smooth(1.45, 0.45, np.sqrt(x * x + y * y)), SHAPE)
    canvas = grain(blur(mix(canvas, canvas * 0.68, corners), 0.6), 741, 0.010, 0.8)
    black, dark, warm = (0.006, 0.0, 0.002), (0.012, 0.001, -0.006), (0.030, 0.006, -0.030)
    return toned(canvas, [(0, black), (0.2, dark), (0.55, warm), (0.85, (0.016, 0.004, -0.022)), (1, (0, 0, 0))])
