"""What the coast is made of: air, sky, reflecting water, timber posts, small boats."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from printqueue.demo.camera import Camera
from printqueue.demo.canvas import Floats, Plane, Shape, as_plane, mix, smooth
from printqueue.demo.marks import Points, fill, ribbon
from printqueue.demo.noise import tile


@dataclass(frozen=True, slots=True)
class Veil:
    """The air in front of an object: its own tone, and how much of the object shows through, 0..1."""

    tone: float
    through: float

    def over(self, tone: float) -> float:
        """A tone as seen through this air."""
        return self.tone + (tone - self.tone) * self.through


def air(reach_m: float) -> Callable[[float], float]:
    """Uniform fog: how much shows through from `z` metres away, if contrast falls to 1/e in `reach_m`."""
    return lambda z_m: float(np.exp(-z_m / reach_m))


def clouds(
    shape: Shape, horizon: float, seed: int, *, depth: float, scale: float, beta: float = 1.75, stretch: float = 1.0
) -> Plane:
    """A flat layer of cloud seen from below, deviation about 1, denser towards the horizon.

    `horizon` is its row as a fraction of the height; rows below repeat the horizon's. Clouds are soft: make the sky
    small and enlarge it.
    """
    y = (np.arange(shape[0], dtype=np.float32)[:, None] + 0.5) / shape[0]
    x = ((np.arange(shape[1], dtype=np.float32)[None, :] + 0.5) / shape[1] - 0.5) * (shape[1] / shape[0])
    away = 1 / (np.maximum(horizon - y, 0) + depth)
    u, v = x * away * scale / stretch, np.broadcast_to(away * scale, shape)
    return sampled(tile(seed, beta), as_plane(u + 512 + seed * 37), as_plane(v + seed * 91))


def sampled(texture: Plane, u: Floats, v: Floats) -> Plane:
    """A repeating tile sampled, with linear interpolation, at texel positions (u across, v down)."""
    n = np.float32(texture.shape[0])
    u, v = np.broadcast_arrays(u, v)
    return as_plane(cv2.remap(texture, as_plane(u % n), as_plane(v % n), cv2.INTER_LINEAR, borderMode=cv2.BORDER_WRAP))


def mirror_sky(sky: Plane, horizon_px: float) -> Plane:
    """The sky flipped at the horizon, for the camera that looks into the water."""
    rows = np.clip(2 * horizon_px - np.arange(sky.shape[0]), 0, horizon_px).astype(np.intp)
    return as_plane(sky[rows])


def reflected(
    mirror: Plane, cam: Camera, first_row: int, slopes: Plane, *, strength: float, taps: Sequence[float] = (0.45, 1.0)
) -> Plane:
    """The mirrored world as seen in ripples, from `first_row` to the bottom.

    A facet tilted by a slope turns the reflected ray by twice that; `slopes` is (rows, W, 3) from `noise.waves`,
    `strength` its deviation as a slope. The result is the mean of samples taken at shares (`taps`) of the tilt.
    """
    rows, cols = slopes.shape[:2]
    y = np.arange(first_row, first_row + rows, dtype=np.float32)[:, None]
    x = np.arange(cols, dtype=np.float32)[None, :]
    lean = np.float32(2 * cam.focal_px * strength)
    grazing = np.clip((y - cam.horizon_px) / cam.focal_px, 0.002, 1)
    away, across = slopes[..., 2] * lean, slopes[..., 1] * (lean * grazing)
    seen = []
    for share in taps:
        v = np.clip(y + away * np.float32(share), cam.horizon_px + 1, mirror.shape[0] - 1)
        u = np.clip(x + across * np.float32(share), 0, cols - 1)
        seen.append(cv2.remap(mirror, as_plane(u), as_plane(v), cv2.INTER_LINEAR))
    return as_plane(sum(seen) / np.float32(len(seen)))


@dataclass(frozen=True, slots=True)
class Post:
    """A round timber post in water at (x, z), darkened by weed below `weed_m`."""

    x: float
    z: float
    top_m: float
    radius_m: float
    tones: tuple[float, float]  # shaded side, lit side
    weed_m: float
    lean: float = 0.0
    seed: int = 0
    light: float = 0.6  # where the light comes from: −1 left, 1 right

    def draw(self, canvas: Plane, cam: Camera, veil: Veil) -> None:
        """Draw it in place."""
        foot, head = cam.see(
            [(self.x, -0.3 * cam.upside, self.z), (self.x + self.lean * self.top_m, self.top_m, self.z)]
        )
        half_px = self.radius_m * cam.px_per_m(self.z)
        along = np.linspace(0, 1, 24)
        wavy = 0.03 * np.sin(7 * along + self.seed) + 0.025 * np.sin(19 * along + 2 * self.seed)
        wide = half_px * 2 * (1.0 + wavy - 0.10 * along**6)

        def wood(px: Plane, py: Plane) -> Plane:
            t = (py - np.float32(foot[1])) / np.float32(head[1] - foot[1])
            axis = np.float32(foot[0]) + t * np.float32(head[0] - foot[0])
            u = as_plane(np.clip((px - axis) / np.float32(half_px), -1, 1))
            return mix(veil.tone, np.clip(self._surface(u, t * np.float32(self.top_m)), 0.02, 1), veil.through)

        fill(canvas, ribbon(np.linspace(foot, head, 24), wide), wood)
        if cam.upside > 0:
            half, tilt = float(wide[-1]) / 2, (cam.height_m - self.top_m) / self.z
            self._end(canvas, head, (half, half * (abs(tilt) + 0.05)), veil)

    def _surface(self, u: Plane, up: Plane) -> Plane:
        """Its tone at `u` (−1..1 across) and `up` (metres): rounded, grained, with weed and bare patches."""
        side = smooth(-1.0, 1.1, u * self.light + 0.25 * np.sqrt(1 - u * u))
        round_, level = np.arcsin(u), up + 0 * u
        grain_ = sampled(tile(31, 1.1), round_ * 60 + self.seed * 97, level * 14)
        rough = sampled(tile(32, 1.4), round_ * 40 + self.seed * 53, level * 160)
        patch = sampled(tile(33, 1.2), round_ * 45 + self.seed * 31, level * 130)
        tone = mix(self.tones[0], self.tones[1], side) * (1 + 0.11 * grain_ + 0.07 * rough)
        weed = smooth(self.weed_m + 0.16, self.weed_m - 0.10, up + 0.09 * patch + 0.05 * rough)
        tone = tone * (1 - 0.72 * weed) + weed * (0.03 + 0.02 * rough)
        return as_plane(tone + 0.10 * smooth(0.9, 1.6, patch) * smooth(self.weed_m + 0.1, self.weed_m - 0.2, up))

    def _end(self, canvas: Plane, head: Points, radii_px: tuple[float, float], veil: Veil) -> None:
        """Draw the sawn end, ragged at the back, with a crack."""
        half_px, high = radii_px
        dark, pale = veil.over(self.tones[0] * 0.5), veil.over(self.tones[1] * 1.25)
        a, seed = np.linspace(0, 2 * np.pi, 40, endpoint=False), self.seed
        rough = 1 + 0.02 * np.sin(3 * a + seed) + 0.02 * np.sin(7 * a + 3 * seed)
        ragged = half_px * 0.045 * (np.sin(5 * a + seed) + np.sin(2 * a + 3 * seed) + np.sin(9 * a)) * (np.sin(a) < 0.3)
        rim = np.stack([head[0] + half_px * np.cos(a) * rough, head[1] + high * np.sin(a) * rough + ragged], 1)
        fill(canvas, rim, pale)
        fill(canvas, head + (rim - head) * (0.80, 0.72), (dark + pale) / 2, opacity=0.55, soft_px=0.8)
        crack = head + np.array([(-0.5, 0.2), (0.1, -0.1), (0.55, 0.25)]) * (half_px, high)
        fill(canvas, ribbon(crack, max(1.0, half_px * 0.07)), dark, opacity=0.8)


@dataclass(frozen=True, slots=True)
class Boat:
    """A small open boat afloat at (x, z): dark inside, lit rail, planked sides."""

    x: float
    z: float
    length_m: float
    tones: tuple[float, float, float]  # hull, rail, inside
    turn: float = 0.3  # its heading, radians from sideways
    freeboard_m: float = 0.5

    def _edge(self, cam: Camera, side: float, up: Plane, pinch: float = 1.0) -> Points:
        """A line from stern to bow on the near (−) or far (+) side, `up` metres above the water."""
        t = np.linspace(-1, 1, 41)
        beam = self.length_m * 0.19 * np.sqrt(np.clip(1 - np.abs(t) ** 2.6, 0, 1))
        along, out = t * self.length_m / 2 * pinch, beam * side
        c, s = np.cos(self.turn), np.sin(self.turn)
        return cam.see(np.stack([self.x + along * c - out * s, up, self.z + along * s + out * c], 1))

    def draw(self, canvas: Plane, cam: Camera, veil: Veil) -> None:
        """Draw it in place."""
        hull, rail, inside = (veil.over(tone) for tone in self.tones)
        t = np.linspace(-1, 1, 41)
        sheer = as_plane(self.freeboard_m * (1 + 0.55 * t**2 + 0.18 * t))
        near, far = self._edge(cam, -1, sheer), self._edge(cam, 1, sheer)
        water, scale = self._edge(cam, -0.72, as_plane(0 * t), 0.93), cam.px_per_m(self.z)
        fill(canvas, np.concatenate([far, water[::-1]]), hull * 0.9)
        fill(canvas, np.concatenate([near, water[::-1]]), hull)
        for k in (0.3, 0.62):
            fill(canvas, ribbon(near * (1 - k) + water * k, max(0.8, scale * 0.02)), hull * 0.8, opacity=0.7)
        fill(canvas, np.concatenate([near, far[::-1]]), inside)
        for path, share in ((far, 0.75), (near, 1.0)):
            fill(canvas, ribbon(path, max(1.2, scale * 0.055)), mix(hull, rail, share).item())
        for k in (13, 24, 31):  # thwarts
            thwart = np.stack([near[k], far[k]])
            fill(canvas, ribbon(thwart, max(1.2, scale * 0.10)), rail * 0.8, opacity=0.9)
