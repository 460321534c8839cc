"""Flat textures to hang on walls: masonry, weatherboards, slates."""

from itertools import pairwise

import cv2
import numpy as np

from printqueue.demo.canvas import Plane, Shape, as_plane, blur, generator
from printqueue.demo.noise import field


def blocks(shape: Shape, seed: int, *, course_px: int, tone: float, spread: float, joint: float) -> Plane:
    """Coursed masonry: blocks of many lengths, each with its own tone, worn faces, dark joints `joint` deep."""
    gen = generator(seed)
    wall = np.empty(shape, np.float32)
    joints = np.zeros(shape, np.uint8)
    top = 0
    while top < shape[0]:
        high = int(course_px * gen.uniform(0.8, 1.2))
        left = -int(gen.uniform(0, course_px * 2))
        while left < shape[1]:
            wide = int(course_px * gen.uniform(1.1, 2.8))
            block = (slice(top, top + high), slice(max(left, 0), max(left + wide, 0)))
            wall[block] = tone + gen.normal(0, spread)
            cv2.rectangle(joints, (left, top), (left + wide, top + high), 255, max(2, course_px // 16), cv2.LINE_AA)
            left += wide
        top += high
    dark = as_plane(cv2.GaussianBlur(joints, (0, 0), max(0.8, course_px / 40))) / 255
    worn = field(shape, seed + 1, 1.0, 1.1)
    stain = field(shape, seed + 2, (4.0, 4.0), 1.7)
    lit = np.roll(dark, course_px // 14, 0) - dark
    return as_plane(wall * (1 + 0.10 * worn + 0.12 * stain) - joint * dark * (1 + 0.4 * worn) + 0.5 * joint * lit)


def boards(shape: Shape, seed: int, *, board_px: int, tone: float, spread: float, shadow: float) -> Plane:
    """Overlapping weatherboards lying level: a lit lower edge, a shadow under it, grain along the wood."""
    gen = generator(seed)
    rows = np.arange(shape[0])
    which, within = rows // board_px, (rows % board_px) / board_px
    own = gen.normal(0, spread, shape[0] // board_px + 2)[which]
    profile = tone + own + 0.16 * tone * within - shadow * np.exp(-((within / 0.09) ** 2)) * (which > 0)
    grain_ = field(shape, seed + 1, (1.0, 14.0), 1.0)
    stain = field(shape, seed + 2, (6.0, 6.0), 1.8)
    wall = profile[:, None] * (1 + 0.09 * grain_ + 0.10 * stain)
    for board in range(which[-1] + 1):
        for at in np.sort(gen.uniform(0, shape[1], max(1, shape[1] // (board_px * 22)))):
            wall[board * board_px : (board + 1) * board_px, int(at) : int(at) + max(2, board_px // 14)] *= 0.6
    return as_plane(wall)


def planks(shape: Shape, seed: int, *, plank_px: int, tone: float, spread: float, gap: float) -> Plane:
    """Upright planks side by side: dark gaps, long grain, knots, nail rust."""
    gen = generator(seed)
    cols = np.arange(shape[1])
    which, within = cols // plank_px, (cols % plank_px) / plank_px
    own = gen.normal(0, spread, shape[1] // plank_px + 2)[which]
    edge = np.minimum(within, 1 - within)
    profile = tone + own - gap * np.exp(-((edge / 0.018) ** 2)) + 0.10 * tone * np.clip(0.12 - within, 0, 1) / 0.12
    grain_ = field((shape[1], shape[0]), seed + 1, (1.0, 18.0), 1.0).T
    stain = field(shape, seed + 2, (9.0, 5.0), 1.8)
    return as_plane(profile[None, :] * (1 + 0.10 * grain_ + 0.12 * stain))


def slates(shape: Shape, seed: int, *, course_px: int, tone: float) -> Plane:
    """A slated roof: staggered slates, each its own tone, thin shadow at every lower edge."""
    gen = generator(seed)
    roof = np.empty(shape, np.float32)
    wide = int(course_px * 0.8)
    for k, top in enumerate(range(0, shape[0], course_px)):
        shift = (k % 2) * wide // 2
        cols = (np.arange(shape[1]) + shift) // wide
        own = gen.normal(0, 0.12, shape[1] // wide + 3)[cols]
        seam = ((np.arange(shape[1]) + shift) % wide) < max(1, wide // 12)
        roof[top : top + course_px] = (tone * (1 + own) * (1 - 0.35 * seam))[None, :]
        roof[top : top + max(1, course_px // 7)] *= 0.55
    return as_plane(blur(roof, 0.6) * (1 + 0.10 * field(shape, seed + 1, (3.0, 3.0), 1.5)))


def setts(seed: int, *, courses: int, size: int = 1024) -> tuple[Plane, Plane]:
    """Paving setts in bond on a seamless tile: (worn dome 0..1, each stone's own tone 0..1)."""
    gen = generator(seed)
    open_ = np.full((size, size), 255, np.uint8)
    tone = np.empty((size, size), np.float32)
    rows = np.linspace(0, size, courses + 1).astype(int)
    for top, foot in pairwise(rows):
        count = int(gen.integers(13, 17))
        cuts = (np.arange(count) + gen.uniform(-0.22, 0.22, count) + gen.uniform()) * size / count
        for left, right in zip(cuts, [*cuts[1:], cuts[0] + size], strict=True):
            where = np.arange(int(left), int(right)) % size
            tone[top:foot, where] = gen.uniform()
            open_[top:foot, int(left) % size] = 0
        open_[top] = 0
    bend = tuple(as_plane(field((size, size), seed + k, 1.0, 1.75)) * 3.0 for k in (1, 2))
    y, x = np.mgrid[0:size, 0:size]
    rows_, cols = (y + bend[0]).astype(int) % size, (x + bend[1]).astype(int) % size
    depth = as_plane(cv2.distanceTransform(np.tile(open_, (3, 3))[:, size // 2 : -size // 2], cv2.DIST_L2, 5))
    depth = depth[size : 2 * size, size // 2 : size // 2 + size]
    share = np.clip(depth / (0.40 * size / courses), 0, 1)
    return as_plane(np.sqrt(np.clip(1 - (1 - share) ** 2.2, 0, 1)))[rows_, cols], tone[rows_, cols]
