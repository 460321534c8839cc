"""Flat textures for walls and roofs: masonry, weatherboards, slates."""

import cv2
import numpy as np

from printqueue.demo.canvas import Plane, Shape, as_plane, blur, generator
from printqueue.demo.noise import field


def blocks(shape: Shape, seed: int, *, course_px: int, tone: float, spread: float, joint: float) -> Plane:
    """Coursed masonry: worn blocks of varying length and tone, and dark joints `joint` deep."""
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
    """Overlapping horizontal weatherboards: a lit lower edge, a shadow beneath, grain along the wood."""
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


def slates(shape: Shape, seed: int, *, course_px: int, tone: float) -> Plane:
    """A slate roof: staggered slates of varying tone, with a thin shadow at each lower edge."""
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
