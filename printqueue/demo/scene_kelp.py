"""Kelp on wet rock, printed warm: a close view straight down."""

import cv2
import numpy as np
from numpy.typing import NDArray

from printqueue.demo.canvas import Plane, as_plane, blur, enlarge, generator, grain, mix, smooth, tone_curve, toned
from printqueue.demo.marks import Box, Points, Sheaf, box_of, coverage, fill, lay, ribbon, shifted
from printqueue.demo.noise import field, tile
from printqueue.demo.scenery import sampled

SHAPE = (2000, 3000)
LIGHT = np.array([-0.52, -0.62, 0.59], np.float32)


def _lit(height: Plane, steep: float) -> tuple[Plane, Plane]:
    """Light on a surface from the upper left: (diffuse 0..1, wet gleam 0..1)."""
    dx, dy = cv2.Sobel(height, cv2.CV_32F, 1, 0, scale=steep / 8), cv2.Sobel(height, cv2.CV_32F, 0, 1, scale=steep / 8)
    long = 1 / np.sqrt(dx * dx + dy * dy + 1)
    facing = (-dx * LIGHT[0] - dy * LIGHT[1] + LIGHT[2]) * long
    half = np.array([LIGHT[0], LIGHT[1], LIGHT[2] + 1], np.float32)
    half /= np.sqrt((half * half).sum())
    gleam = np.clip((-dx * half[0] - dy * half[1] + half[2]) * long, 0, 1)
    return as_plane(np.clip(facing, 0, 1)), as_plane(gleam**38)


def _rock() -> Plane:
    """Dark wet rock: swells and clefts, fine grain, a crust of barnacles here and there."""
    broad = enlarge(field((500, 750), 701, (2.0, 2.0), 1.75), SHAPE)
    ridge = enlarge(1 - np.abs(field((500, 750), 703, (1.5, 2.5), 1.5)), SHAPE)
    fine = field(SHAPE, 705, (2.0, 2.0), 1.35)
    diffuse, gleam = _lit(broad * 30 + ridge * 16 + fine * 1.5, 1.0)
    cleft = smooth(-0.35, 0.35, ridge)
    tone = (0.10 + 0.46 * diffuse * diffuse) * (0.45 + 0.55 * cleft) + 0.34 * gleam * smooth(-0.9, 0.9, broad)
    return as_plane(tone + 0.010 * fine)


def _barnacles(canvas: Plane) -> None:
    gen = generator(707)
    where = field((200, 300), 709, (3.0, 3.0), 1.75)
    where = (where - where.mean()) / where.std()
    shade, shells = Sheaf(SHAPE), Sheaf(SHAPE)
    for x, y, s in gen.uniform(0, 1, (5200, 3)):
        if where[int(y * 199), int(x * 299)] + 0.5 * s < 1.15:
            continue
        r, a = 6.0 + 11.0 * s**2, np.linspace(0, 2 * np.pi, 14)
        wave = 1 + 0.06 * np.sin(3 * a + 97 * s) + 0.05 * np.sin(5 * a + 31 * s) + 0.10 * np.sin(2 * a + 55 * s)
        at = np.array([x * 3000, y * 2000])
        ring = np.stack([np.cos(a) * wave, np.sin(a) * wave], 1) * r
        shade.patch(ring * 1.2 + at + (4, 5), 0.03)
        shells.patch(ring + at, 0.26 + 0.16 * s * gen.uniform())
        shells.patch(ring * 0.74 + at - (0.10 * r, 0.12 * r), 0.42 + 0.16 * gen.uniform())
        shells.patch(ring * 0.40 + at, 0.07)
    shade.lay_on(canvas, 0.55)
    shells.lay_on(canvas, 0.92)


def _strap(seed: int, long: int = 2000, wide: int = 220) -> tuple[Plane, Plane]:
    """A strap of kelp laid flat, (wide, long): its tone and how much it gleams."""
    t = np.linspace(-1, 1, wide, dtype=np.float32)[:, None]
    s = np.arange(long, dtype=np.float32)[None, :]
    ruffle = sampled(tile(seed, 1.75), s * 0.55 + 0 * t, t * 40 + 100)
    crinkle = sampled(tile(seed + 1, 1.75), s * 1.15 + 30 * np.abs(t), t * 85 + 200)
    fold = np.sin(s / 38.0 + 5.0 * sampled(tile(seed + 2, 2.0), s * 0.2, 0 * t))
    margin = smooth(0.45, 0.98, np.abs(t) + 0 * s)
    middle = np.exp(-((t / 0.20) ** 2))
    height = (
        34 * np.sqrt(np.clip(1.05 - t * t, 0, 1))
        + 13 * margin * fold * np.sign(t)
        + 12 * ruffle
        + 3.4 * crinkle * (1 - 0.5 * margin)
    )
    blister = np.sin(s / 15.0 + 2.6 * crinkle + np.sign(t) * 1.3) * np.sin(np.pi * np.clip(np.abs(t) * 1.35, 0, 1))
    height = height - 11 * middle + 6.5 * blister * (1 - margin)
    diffuse, gleam = _lit(as_plane(height), 1.0)
    pores = sampled(tile(seed + 3, 1.0), s * 1.0 + 0 * t, t * 110)
    tone = (0.075 + 0.50 * diffuse**1.6) * (1 + 0.05 * pores) * (1 - 0.20 * middle)
    rim = smooth(0.90, 0.985, np.abs(t) + 0.03 * ruffle)
    return as_plane(tone * (1 - 0.25 * rim) + 0.10 * rim), as_plane(gleam * (1 - 0.4 * rim))


def _course(gen: np.random.Generator, start: tuple[float, float], heading: float, long: float) -> Points:
    n = 90
    turn = np.cumsum(gen.normal(0, 0.030, n)) + 0.50 * np.sin(np.linspace(0, gen.uniform(2, 7), n) + gen.uniform(0, 6))
    angle = heading + turn
    step = long / n
    return np.stack([start[0] + np.cumsum(np.cos(angle)) * step, start[1] + np.cumsum(np.sin(angle)) * step], 1)


def _along(path: Points, half: NDArray[np.float64], box: Box) -> tuple[Plane, Plane]:
    """For each px of a box: how far along the path, px, and how far to its right, −1..1 (at quarter size, enlarged)."""
    top, bottom, left, right = box
    small = ((bottom - top) // 4 + 1, (right - left) // 4 + 1)
    dense = np.stack(
        [np.interp(np.linspace(0, len(path) - 1, 1200), np.arange(len(path)), path[:, k]) for k in (0, 1)], 1
    )
    lengths = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(dense, axis=0).T))])
    at = np.rint((dense - (left, top)) / 4).astype(int)
    inside = (at >= 0).all(1) & (at[:, 0] < small[1]) & (at[:, 1] < small[0])
    bare = np.full(small, 255, np.uint8)
    owner = np.zeros(small, np.int32)
    bare[at[inside, 1], at[inside, 0]] = 0
    owner[at[inside, 1], at[inside, 0]] = np.flatnonzero(inside)
    _, labels = cv2.distanceTransformWithLabels(bare, cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL)
    of_label = np.zeros(int(labels.max()) + 1, np.int32)
    of_label[labels[bare == 0]] = owner[bare == 0]
    nearest = of_label[labels]
    tangent = np.gradient(dense, axis=0)
    tangent /= np.maximum(np.hypot(*tangent.T), 1e-9)[:, None]
    y, x = np.mgrid[0 : small[0], 0 : small[1]] * 4.0 + 2.0
    off_x, off_y = x + left - dense[nearest, 0], y + top - dense[nearest, 1]
    tx, ty = tangent[nearest, 0], tangent[nearest, 1]
    s, d = lengths[nearest] + off_x * tx + off_y * ty, off_y * tx - off_x * ty
    d = d / np.maximum(np.interp(s, lengths, np.interp(np.linspace(0, 1, 1200), np.linspace(0, 1, len(half)), half)), 3)
    full = (small[0] * 4, small[1] * 4)
    part = (slice(0, bottom - top), slice(0, right - left))
    return enlarge(blur(as_plane(s), 1.5), full)[part], enlarge(blur(as_plane(d), 1.0), full)[part]


def _frond(
    canvas: Plane, path: Points, half: NDArray[np.float64], strap: tuple[Plane, Plane], seed: int, key: float
) -> None:
    edge = 1 + 0.10 * np.sin(np.linspace(0, 70, len(path)) + seed) * np.sin(np.linspace(0, 23, len(path)) + 2 * seed)
    shape = ribbon(path, 2 * half * edge)
    box = box_of(shape, SHAPE, 40)
    if box is None:
        return
    part = canvas[box[0] : box[1], box[2] : box[3]]
    shade = coverage(shifted(shape, 17, 22), box, 11.0)
    part *= 1 - np.float32(0.72) * shade
    cover = coverage(shape, box)
    s, d = _along(path, half, box)
    v = np.clip(d * np.float32(0.97), -1, 1) * np.float32(109.5) + np.float32(109.5)
    u = (s + seed * 131) % 1990
    tone = cv2.remap(
        np.minimum(strap[0] * np.float32(key) + strap[1] * np.float32(0.62), 0.97),
        as_plane(u),
        as_plane(v),
        cv2.INTER_LINEAR,
    )
    lay(part, cover, as_plane(tone))


def _stipe(canvas: Plane, path: Points, wide: float) -> None:
    """A round stalk, wet: dark edges, one long gleam."""
    fill(canvas, ribbon(shifted(path, 14, 18), wide * 1.1), 0.02, opacity=0.6, soft_px=9.0)
    fill(canvas, ribbon(path, wide), 0.085)
    for shift, share, tone, soft in ((0.04, 0.72, 0.17, 3.0), (0.14, 0.36, 0.27, 3.0), (0.22, 0.10, 0.80, 1.1)):
        fill(canvas, ribbon(path - (wide * shift, wide * shift), wide * share), tone, opacity=0.85, soft_px=soft)


def kelp_toned() -> NDArray[np.uint16]:
    """Straps of kelp left on the rock by the tide; warm black-and-white, split very slightly."""
    canvas = _rock()
    _barnacles(canvas)
    gen = generator(721)
    straps = [_strap(731 + 4 * k) for k in range(3)]
    for k, order in enumerate((8, 1, 14, 5, 11, 3, 0, 16, 9, 6, 13, 2, 10, 15, 4, 12, 7)):
        lane = order / 16
        start = (-330.0 + gen.normal(0, 60), 180.0 + 760 * lane + gen.normal(0, 70))
        path = _course(gen, start, -0.52 + 1.45 * lane + gen.normal(0, 0.10), gen.uniform(2500, 4300))
        s = np.linspace(0, 1, len(path))
        half = gen.uniform(70, 128) * np.clip(np.minimum(s / 0.35, (1 - s) / 0.25), 0.05, 1) ** 0.7
        if k in (5, 11):
            _stipe(canvas, _course(gen, (-200.0, 700.0 + 90 * k - 500), 0.25 * k - 1.6, 4200), 44.0)
        _frond(canvas, path, half, straps[k % 3], k, 0.80 + 0.40 * k / 17)
    canvas = tone_curve(canvas, [(0, 0.03), (0.12, 0.165), (0.4, 0.52), (0.7, 0.84), (1, 0.985)])
    canvas = mix(canvas, canvas * 0.68, 1 - _centre())
    canvas = grain(blur(canvas, 0.6), 741, 0.010, 0.8)
    return toned(
        canvas,
        [
            (0, (0.006, 0.0, 0.002)),
            (0.2, (0.012, 0.001, -0.006)),
            (0.55, (0.030, 0.006, -0.030)),
            (0.85, (0.016, 0.004, -0.022)),
            (1, (0, 0, 0)),
        ],
    )


def _centre() -> Plane:
    y, x = np.linspace(-1, 1, 200, dtype=np.float32)[:, None], np.linspace(-1, 1, 300, dtype=np.float32)[None, :]
    return enlarge(smooth(1.45, 0.45, as_plane(np.sqrt(x * x + y * y))), SHAPE)
