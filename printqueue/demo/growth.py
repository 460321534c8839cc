"""What grows on the coast: bare trees and reeds."""

from dataclasses import dataclass

import numpy as np

from printqueue.demo.canvas import Plane, generator
from printqueue.demo.marks import Points, Sheaf


def bare_tree(canvas: Plane, ends: Points, seed: int, tone: float) -> None:
    """A leafless, wind-bent tree; `ends` are the (x, y) of foot and top, in px."""
    gen, sheaf = generator(seed), Sheaf(canvas.shape)

    def limb(at: Points, along: Points, thick: float, left: int) -> None:
        bend = gen.normal(0, 0.10, 2) * np.hypot(*along)
        end = at + along
        sheaf.thread(np.array([at, at + along * 0.5 + bend, end]), max(1, round(thick * 0.85)), tone)
        if left == 0 or thick < 0.35:
            return
        for _ in range(3 if left > 4 else 2):
            turn = gen.normal(0.12, 0.48)
            c, s, shorter = np.cos(turn), np.sin(turn), gen.uniform(0.62, 0.86)
            onward = np.array([along[0] * c - along[1] * s, along[0] * s + along[1] * c]) * shorter
            limb(end, onward, thick * 0.64, left - 1)

    up = ends[1] - ends[0]
    limb(ends[0], up * 0.36, float(np.hypot(*up)) * 0.036, 7)
    sheaf.lay_on(canvas)


def reeds(canvas: Plane, seed: int) -> None:
    """Tall reeds with feathered heads along the bottom of a wide frame, dense at the sides, sparse in the middle."""
    gen = generator(seed)
    h, w = canvas.shape[:2]
    for layer, (count, tall, tone) in enumerate(((430, 0.42, 0.27), (330, 0.52, 0.185), (210, 0.63, 0.105))):
        sheaf = Sheaf(canvas.shape)
        u = np.where(
            gen.uniform(size=count) < 0.62, gen.beta(1.1, 4.6, count) * 0.60, 1 - gen.beta(1.1, 5.2, count) * 0.44
        )
        clump = np.sin(u * 37 + layer) + 0.6 * np.sin(u * 91 + 2 * layer)
        u = u[clump + gen.normal(0, 0.7, count) > -0.55]
        edge = np.clip(np.minimum(u / 0.42, (1 - u) / 0.34), 0, 1)
        high = tall * h * (1.0 - 0.66 * edge) * gen.normal(0.92, 0.14, len(u))
        for x, y in zip(u * w, high, strict=True):
            _Reed(sheaf, gen, layer, tone * gen.uniform(0.75, 1.25)).draw(h, float(x), float(y))
        sheaf.lay_on(canvas)


@dataclass(frozen=True, slots=True)
class _Reed:
    sheaf: Sheaf
    gen: np.random.Generator
    layer: int  # 0 is the farthest
    tone: float

    def draw(self, foot: int, x: float, high: float) -> None:
        """Draw it, reaching `high` px above row `foot`."""
        gen = self.gen
        bend = gen.normal(0.10, 0.06) * high
        t = np.linspace(0, 1, 12)
        path = np.stack([x + bend * t**2.2, foot + 20 - (high + 20) * t], 1)
        thick = 2.0 + 1.5 * self.layer
        self.sheaf.blade(path, thick * (1 - 0.55 * t), self.tone)
        for k in range(int(gen.integers(2, 6))):
            self._leaf(path[int(gen.integers(2, 10))], k, thick)
        if gen.uniform() < 0.72:
            self._feather(path[-1], bend)

    def _leaf(self, at: Points, k: int, thick: float) -> None:
        """A long narrow leaf: most stay close to the stem, some hang over, a few are broken."""
        gen = self.gen
        way = 1.0 if gen.uniform() < 0.72 else -1.0
        long = gen.uniform(70, 210) * (0.55 + thick / 6)
        out, rise, droop = gen.uniform(0.18, 0.75), gen.uniform(0.5, 1.0), gen.gamma(1.6, 0.28)
        t = np.linspace(0, 1, 10)
        leaf = np.stack([at[0] + way * long * (out * t + 0.15 * t**2), at[1] - long * (rise * t - droop * t**2.4)], 1)
        if gen.uniform() < 0.14:
            leaf[5:] = leaf[5] + (leaf[5:] - leaf[5]) * (0.35, 0.0) + np.outer(t[5:] - t[5], (0.0, long * 0.8))
        slim = np.sin(np.pi * (0.05 + 0.95 * t)) ** 0.6
        self.sheaf.blade(
            leaf, thick * gen.uniform(1.0, 1.7) * slim, self.tone * gen.uniform(0.85, 1.3) * (1 + 0.04 * k)
        )

    def _feather(self, at: Points, bend: float) -> None:
        """The seed head: an uneven plume of fine threads hanging to leeward."""
        gen = self.gen
        size, n = (24.0 + 19.0 * self.layer) * gen.uniform(0.75, 1.25), 22 + 8 * self.layer
        lee = 1.0 if bend >= 0 else -1.0
        t = np.linspace(0, 1, 4)
        for s in gen.uniform(0, 1, n):
            start = at + np.array([0.05 * bend + lee * 5 * s, size * (2.0 * s - 1.15)])
            long = size * gen.uniform(0.35, 1.0) * (1.1 - 0.7 * abs(s - 0.55))
            away = lee * gen.uniform(-0.15, 0.75)
            thread = np.stack(
                [start[0] + long * t * away, start[1] + long * (-gen.uniform(0.1, 0.75) * t + 0.7 * t * t)], 1
            )
            self.sheaf.thread(thread, 1 + self.layer // 2, self.tone * gen.uniform(0.95, 1.9))
