"""What the coast is made of: air, sky, water that mirrors, timber posts, rope, boats."""

from collections.abc import Callable, Sequence

import cv2
import numpy as np

from printqueue.demo.camera import Camera
from printqueue.demo.canvas import Floats, Plane, Shape, as_plane, blur, enlarge, mix, smooth
from printqueue.demo.marks import Points, fill, outline, ribbon
from printqueue.demo.noise import field, tile

Air = Callable[[float], float]
"""How much of a thing `z` metres away still comes through the air, 0..1."""


def air(reach_m: float) -> Air:
    """Even fog: contrast falls to 1/e in `reach_m` metres."""
    return lambda z_m: float(np.exp(-z_m / reach_m))


def clouds(
    shape: Shape,
    horizon: float,
    seed: int,
    *,
    depth: float = 0.10,
    scale: float = 260.0,
    beta: float = 1.75,
    drift: float = 0.0,
    stretch: float = 1.0,
) -> Plane:
    """A flat layer of cloud seen from below, deviation about 1; it crowds towards the horizon.

    `horizon` is its row as a share of the height; rows under it repeat the horizon's. Clouds are soft: make
    the sky small and enlarge it.
    """
    y = (np.arange(shape[0], dtype=np.float32)[:, None] + 0.5) / shape[0]
    x = ((np.arange(shape[1], dtype=np.float32)[None, :] + 0.5) / shape[1] - 0.5) * (shape[1] / shape[0])
    away = 1 / (np.maximum(horizon - y, 0) + depth)
    u, v = x * away * scale / stretch + drift * away * scale, np.broadcast_to(away * scale, shape)
    return sampled(tile(seed, beta), as_plane(u + 512 + seed * 37), as_plane(v + seed * 91))


def sampled(texture: Plane, u: Floats, v: Floats) -> Plane:
    """A repeating tile read at texel positions (u across, v down), linear between them."""
    n = np.float32(texture.shape[0])
    u, v = np.broadcast_arrays(u, v)
    return as_plane(cv2.remap(texture, as_plane(u % n), as_plane(v % n), cv2.INTER_LINEAR, borderMode=cv2.BORDER_WRAP))


def mirror_sky(sky: Plane, horizon_px: float) -> Plane:
    """The sky turned over about the horizon, for the camera that looks into the water."""
    rows = np.clip(2 * horizon_px - np.arange(sky.shape[0]), 0, horizon_px).astype(np.intp)
    return as_plane(sky[rows])


def reflected(
    mirror: Plane, cam: Camera, first_row: int, slopes: Plane, strength: float, *, taps: Sequence[float] = (0.45, 1.0)
) -> Plane:
    """The mirrored world as ripples show it, rows `first_row` to the foot.

    A facet that leans by a slope turns the reflected ray by twice that; `slopes` is (rows, W, 3) from
    `noise.waves`, `strength` its deviation as a slope. Each tap adds one look with a share of the lean.
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
    return as_plane(sum(seen) / np.float32(len(seen))) if len(seen) > 1 else as_plane(seen[0])


def post(
    canvas: Plane,
    cam: Camera,
    at: tuple[float, float],
    top_m: float,
    radius_m: float,
    *,
    tones: tuple[float, float],
    weed_m: float,
    haze: float,
    through: float,
    lean: float = 0.0,
    seed: int = 0,
    light: float = 0.6,
) -> None:
    """A round timber post standing in water at `at` (x, z).

    `tones` are its shaded and lit side, weed darkens it below `weed_m`, `through` (0..1) of it comes
    through air of tone `haze`; `light` says from which side the light comes (−1 left, 1 right).
    """
    x, z = at
    foot, head = cam.see([(x, -0.3 * cam.upside, z), (x + lean * top_m, top_m, z)])
    path = np.linspace(foot, head, 24)
    scale = cam.px_per_m(z)
    along = np.linspace(0, 1, 24)
    worn = 1.0 + 0.03 * np.sin(7 * along + seed) + 0.025 * np.sin(19 * along + 2 * seed) - 0.10 * along**6
    wide = radius_m * scale * 2 * worn

    def wood(px: Plane, py: Plane) -> Plane:
        t = (py - np.float32(foot[1])) / np.float32(head[1] - foot[1])
        axis = np.float32(foot[0]) + t * np.float32(head[0] - foot[0])
        u = np.clip((px - axis) / np.float32(radius_m * scale), -1, 1)
        side = smooth(-1.0, 1.1, u * light + 0.25 * np.sqrt(1 - u * u))
        up = t * np.float32(top_m)
        grain_ = sampled(tile(31, 1.1), np.arcsin(u) * 60 + seed * 97, up * 14 + 0 * u)
        rough = sampled(tile(32, 1.4), np.arcsin(u) * 40 + seed * 53, up * 160 + 0 * u)
        tone = mix(tones[0], tones[1], side) * (1 + 0.11 * grain_ + 0.07 * rough)
        patch = sampled(tile(33, 1.2), np.arcsin(u) * 45 + seed * 31, up * 130 + 0 * u)
        weed = smooth(weed_m + 0.16, weed_m - 0.10, up + 0.09 * patch + 0.05 * rough)
        tone = tone * (1 - 0.72 * weed) + weed * (0.03 + 0.02 * rough)
        tone = tone + 0.10 * smooth(0.9, 1.6, patch) * smooth(weed_m + 0.1, weed_m - 0.2, up)
        return as_plane(haze + (np.clip(tone, 0.02, 1) - haze) * through)

    fill(canvas, ribbon(path, wide), wood)
    if cam.upside > 0:
        _post_top(
            canvas,
            head,
            float(wide[-1]) / 2,
            (cam.height_m - top_m) / z,
            seed,
            (haze + (tones[0] * 0.5 - haze) * through, haze + (tones[1] * 1.25 - haze) * through),
        )


def _post_top(canvas: Plane, head: Points, half_px: float, tilt: float, seed: int, tones: tuple[float, float]) -> None:
    a = np.linspace(0, 2 * np.pi, 40, endpoint=False)
    rough = 1 + 0.02 * np.sin(3 * a + seed) + 0.02 * np.sin(7 * a + 3 * seed)
    high = half_px * (abs(tilt) + 0.05)
    ragged = half_px * 0.045 * (np.sin(5 * a + seed) + np.sin(2 * a + 3 * seed) + np.sin(9 * a)) * (np.sin(a) < 0.3)
    rim = np.stack([head[0] + half_px * np.cos(a) * rough, head[1] + high * np.sin(a) * rough + ragged], 1)
    fill(canvas, rim, tones[1])
    fill(canvas, head + (rim - head) * (0.80, 0.72), (tones[0] + tones[1]) / 2, opacity=0.55, soft_px=0.8)
    crack = head + np.array([(-0.5, 0.2), (0.1, -0.1), (0.55, 0.25)]) * (half_px, high)
    fill(canvas, ribbon(crack, max(1.0, half_px * 0.07)), tones[0], opacity=0.8)


def rope(
    canvas: Plane, path: Points, width_px: float, tone: tuple[float, float], *, haze: float = 0.0, through: float = 1.0
) -> None:
    """A laid rope along `path`: lit from above, its strands showing when it is thick enough."""
    shade, lit = (haze + (t - haze) * through for t in tone)
    fill(canvas, ribbon(path, width_px), shade)
    up = path - np.array([0, width_px * 0.18])
    fill(canvas, ribbon(up, width_px * 0.5), lit, opacity=0.8, soft_px=max(0.4, width_px * 0.10))
    if width_px < 7:
        return
    lengths = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(path, axis=0).T))])
    for s in np.arange(0, lengths[-1], width_px * 0.55):
        x, y = np.interp(s, lengths, path[:, 0]), np.interp(s, lengths, path[:, 1])
        ahead = (np.interp(s + 1, lengths, path[:, 0]) - x, np.interp(s + 1, lengths, path[:, 1]) - y)
        tangent = np.array(ahead) / max(np.hypot(*ahead), 1e-6)
        normal = np.array([-tangent[1], tangent[0]])
        a, b = (np.array([x, y]) + normal * width_px * k + tangent * width_px * k * 0.7 for k in (0.46, -0.46))
        fill(canvas, ribbon(np.stack([a, (a + b) / 2, b]), width_px * 0.16), shade * 0.55, opacity=0.7, soft_px=0.5)


def boat(
    canvas: Plane,
    cam: Camera,
    at: tuple[float, float],
    length_m: float,
    *,
    tones: tuple[float, float, float],
    haze: float,
    through: float,
    turn: float = 0.3,
    freeboard_m: float = 0.5,
) -> None:
    """A small open boat afloat: dark inside, lit rail, planked side. `turn` is its heading (radians from sideways)."""
    t = np.linspace(-1, 1, 41)
    beam = length_m * 0.19 * np.sqrt(np.clip(1 - np.abs(t) ** 2.6, 0, 1))
    sheer = freeboard_m * (1 + 0.55 * t**2 + 0.18 * t)
    keel = 0.08 + 0.0 * t
    c, s = np.cos(turn), np.sin(turn)

    def edge(side: float, up: Plane, pinch: float = 1.0) -> Points:
        along, out = t * length_m / 2 * pinch, beam * side
        return cam.see(np.stack([at[0] + along * c - out * s, up, at[1] + along * s + out * c], 1))

    hull, rim, dark = (haze + (tone - haze) * through for tone in tones)
    near, far = edge(-1, as_plane(sheer)), edge(1, as_plane(sheer))
    water = edge(-0.72, as_plane(keel * 0), 0.93)
    fill(canvas, outline([*far, *water[::-1]]), hull * 0.9)
    fill(canvas, outline([*near, *water[::-1]]), hull)
    for k in (0.3, 0.62):
        plank = near * (1 - k) + water * k
        fill(canvas, ribbon(plank, max(0.8, cam.px_per_m(at[1]) * 0.02)), hull * 0.8, opacity=0.7)
    fill(canvas, outline([*near, *far[::-1]]), dark)
    for path, share in ((far, 0.75), (near, 1.0)):
        fill(canvas, ribbon(path, max(1.2, cam.px_per_m(at[1]) * 0.055)), mix(hull, rim, share).item())
    for k in (-0.35, 0.2, 0.55):
        i = int((k + 1) * 20)
        fill(canvas, ribbon(np.stack([near[i], far[i]]), max(1.2, cam.px_per_m(at[1]) * 0.10)), rim * 0.8, opacity=0.9)


def haze_field(shape: Shape, seed: int, strength: float, cell: tuple[float, float] = (6.0, 14.0)) -> Plane:
    """Slow drifts of fog, mean 0, deviation about `strength`."""
    small = field((shape[0] // 4, shape[1] // 4), seed, cell, 2.2)
    return enlarge(blur(small, 8.0), shape) * np.float32(strength)
