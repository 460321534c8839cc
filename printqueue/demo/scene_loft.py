"""Net loft: a dim room under the roof, nets on the beams, one window; a grainy film scan."""

import numpy as np
from numpy.typing import NDArray

from printqueue.demo.camera import Camera
from printqueue.demo.canvas import (
    Plane,
    as_plane,
    blur,
    enlarge,
    generator,
    glow,
    grain,
    plane,
    ramp,
    screen,
    smooth,
    tone_curve,
    toned,
)
from printqueue.demo.cordage import bent_rope
from printqueue.demo.marks import Points, Sheaf, fill, hang_wall, outline, sag, stroke
from printqueue.demo.noise import field
from printqueue.demo.textures import planks

SHAPE = (2000, 3000)
CAMERA = Camera(3000, 2000, 2050.0, 1010.0, 1.55, 1380.0)
LEFT, RIGHT, TOP, BACK, NEAR = -3.1, 3.3, 2.95, 8.4, 2.0
WINDOW = (0.55, 1.95, 0.95, 2.25)  # on the back wall: left, right, sill, head, metres


def _face(points: list[tuple[float, float, float]]) -> Points:
    return CAMERA.see(points)


def _room(canvas: Plane) -> None:
    floor = planks((1500, 1300), 1001, plank_px=62, tone=0.30, spread=0.03, gap=0.16)
    hang_wall(canvas, _face([(LEFT, 0, BACK), (RIGHT, 0, BACK), (RIGHT, 0, NEAR), (LEFT, 0, NEAR)]), floor)
    for x, seed in ((LEFT, 1003), (RIGHT, 1005)):
        wall = planks((520, 1500), seed, plank_px=44, tone=0.23, spread=0.03, gap=0.11)
        hang_wall(canvas, _face([(x, TOP, NEAR), (x, TOP, BACK), (x, 0, BACK), (x, 0, NEAR)]), wall)
    back = planks((700, 1640), 1007, plank_px=46, tone=0.20, spread=0.025, gap=0.10)
    hang_wall(canvas, _face([(LEFT, TOP, BACK), (RIGHT, TOP, BACK), (RIGHT, 0, BACK), (LEFT, 0, BACK)]), back)
    roof = planks((1400, 1300), 1009, plank_px=70, tone=0.15, spread=0.02, gap=0.09)
    hang_wall(canvas, _face([(LEFT, TOP, NEAR), (RIGHT, TOP, NEAR), (RIGHT, TOP, BACK), (LEFT, TOP, BACK)]), roof)


def _light() -> Plane:
    """How the window lights the room: floods the back, falls along the floor, leaves the corners."""
    middle = _face([(1.25, 1.5, BACK)])[0]
    at = (float(middle[0]) / 3000, float(middle[1]) / 2000)
    light = 0.34 + 1.05 * glow(SHAPE, at, (0.16, 0.22)) + 0.60 * glow(SHAPE, at, (0.36, 0.48))
    patch = plane(SHAPE)
    spill = _face([(0.45, 0, 7.0), (1.9, 0, 7.0), (1.55, 0, 4.4), (-0.35, 0, 4.4)])
    fill(patch, spill, 1.0)
    bars = _face([(1.14, 0, 7.0), (1.22, 0, 7.0), (0.66, 0, 4.4), (0.55, 0, 4.4)])
    fill(patch, bars, 0.0)
    light += 1.25 * blur(patch, 9.0) + 0.35 * blur(patch, 60.0)
    return as_plane(light + 0.25 * glow(SHAPE, (0.5, 1.02), (0.5, 0.25)))


def _window(canvas: Plane) -> None:
    a, b, low, high = WINDOW
    frame = _face(
        [
            (a - 0.09, high + 0.09, BACK),
            (b + 0.09, high + 0.09, BACK),
            (b + 0.09, low - 0.09, BACK),
            (a - 0.09, low - 0.09, BACK),
        ]
    )
    fill(canvas, frame, 0.30)
    view = ramp((260, 280), [(0, 0.93), (0.55, 0.90), (0.62, 0.80), (0.64, 0.83), (1, 0.78)])
    view += (
        0.05
        * enlarge(field((65, 70), 1011, (3.0, 4.0), 1.8), (260, 280))
        * ramp((260, 280), [(0, 1), (0.6, 0.3), (1, 0.1)])
    )
    fill(view, outline([(0, 168), (70, 150), (130, 160), (190, 157), (190, 170), (0, 176)]), 0.66, soft_px=1.0)
    stroke(view, outline([(212, 90), (212, 166)]), 2.0, 0.5)
    pane = _face([(a, high, BACK), (b, high, BACK), (b, low, BACK), (a, low, BACK)])
    hang_wall(canvas, pane, np.clip(view, 0, 0.95))
    for k in (1, 2):
        y = low + (high - low) * k / 3
        stroke(canvas, _face([(a, y, BACK), (b, y, BACK)]), 7.0, 0.22)
    stroke(canvas, _face([((a + b) / 2, low, BACK), ((a + b) / 2, high, BACK)]), 11.0, 0.20)
    sill = _face(
        [
            (a - 0.15, low - 0.05, BACK - 0.2),
            (b + 0.15, low - 0.05, BACK - 0.2),
            (b + 0.15, low - 0.11, BACK - 0.2),
            (a - 0.15, low - 0.11, BACK - 0.2),
        ]
    )
    fill(canvas, sill, 0.55)
    for x, wide, tall in ((0.75, 0.06, 0.24), (0.93, 0.05, 0.17), (1.66, 0.08, 0.15)):
        jar = _face(
            [
                (x - wide, low - 0.05, BACK - 0.1),
                (x - wide, low - 0.05 + tall, BACK - 0.1),
                (x + wide, low - 0.05 + tall, BACK - 0.1),
                (x + wide, low - 0.05, BACK - 0.1),
            ]
        )
        fill(canvas, jar, 0.16, soft_px=0.8)


def _beams(canvas: Plane) -> None:
    for z in (7.2, 5.5, 4.0):
        wood = planks((44, 1500), 1020 + int(z), plank_px=1500, tone=0.13, spread=0.0, gap=0.0)
        front = [(LEFT, TOP - 0.12, z), (RIGHT, TOP - 0.12, z), (RIGHT, TOP - 0.40, z), (LEFT, TOP - 0.40, z)]
        hang_wall(canvas, _face(front), wood * (0.75 + 0.05 * z))
        under = [
            (LEFT, TOP - 0.40, z),
            (RIGHT, TOP - 0.40, z),
            (RIGHT, TOP - 0.40, z + 0.24),
            (LEFT, TOP - 0.40, z + 0.24),
        ]
        fill(canvas, _face(under), 0.06 + 0.020 * z)


def _post(canvas: Plane, x: float, z: float) -> None:
    post = [(x - 0.10, TOP, z), (x + 0.10, TOP, z), (x + 0.10, 0, z), (x - 0.10, 0, z)]
    wood = planks((900, 84), 1031 + int(z), plank_px=84, tone=0.19, spread=0.0, gap=0.03)
    rim = ramp(
        (900, 84), [(0, 0.7), (0.75, 1.0), (1, 1.55)] if x < 0 else [(0, 1.7), (0.25, 0.9), (1, 0.6)], across=True
    )
    hang_wall(canvas, _face(post), wood * rim)


def _net(
    canvas: Plane,
    ends: tuple[tuple[float, float], tuple[float, float]],
    drop: float,
    z: float,
    seed: int,
    tone: float,
    mesh: int,
) -> None:
    """A net hung in folds from a beam: its meshes follow the folds, the head rope sags between pegs."""
    gen = generator(seed)
    (xa, ya), (xb, yb) = ends
    cols, rows = mesh, int(mesh * 0.62 * drop / max(abs(xb - xa), 0.3))
    u, v = np.meshgrid(np.linspace(0, 1, cols * 2 + 1), np.linspace(0, 1, rows * 2 + 1))
    folds = 3 + int(gen.integers(0, 3))
    phase = gen.uniform(0, 6)
    gather = 0.5 + (u - 0.5) * (1.0 - 0.42 * v**0.7) + 0.035 * np.sin(2 * np.pi * folds * u + phase) * (0.35 + v)
    top = ya + (yb - ya) * u - 0.16 * np.abs(np.sin(np.pi * folds * u)) ** 0.8
    down = top - v * drop * (1 - 0.10 * np.cos(2 * np.pi * folds * u + phase) - 0.22 * (2 * u - 1) ** 2)
    depth = z + 0.05 * np.cos(2 * np.pi * folds * u + phase)
    p = CAMERA.see(np.stack([xa + (xb - xa) * gather, down, depth], -1)).reshape(*u.shape, 2)
    lit = tone * (0.75 + 0.45 * np.sin(2 * np.pi * folds * u + phase + 1.0)) * (1 - 0.35 * v)
    sheaf = Sheaf(SHAPE)
    for k in range(0, cols * 2, 2):
        _zigzag(sheaf, p[:, k : k + 3], lit[:, k], 2)
    sheaf.lay_on(canvas, 0.85)
    _head_rope(canvas, p[0], tone)


def _zigzag(sheaf: Sheaf, strip: NDArray[np.float64], tones: NDArray[np.float64], width: int) -> None:
    """The two crossing yarns of one column of meshes."""
    n = len(strip)
    for start in (0, 2):
        side = np.where(np.arange(n) % 2 == 0, start, 2 - start)
        path = strip[np.arange(n), np.where(np.arange(n) % 4 < 2, side, 2 - side)]
        for a in range(0, n - 8, 8):
            sheaf.thread(path[a : a + 9], width, float(np.clip(tones[a], 0.03, 0.9)))


def _head_rope(canvas: Plane, path: Points, tone: float) -> None:
    stroke(canvas, path, 9.0, tone * 0.55)
    stroke(canvas, path - (1, 2), 4.0, min(0.8, tone * 1.35), opacity=0.8, soft_px=0.8)
    for x, y in path[2::5]:
        a = np.linspace(0, 2 * np.pi, 20)
        fill(canvas, np.stack([x + 15 * np.cos(a), y + 6 + 19 * np.sin(a)], 1), tone * 0.8)
        fill(
            canvas,
            np.stack([x + 3 + 7 * np.cos(a), y + 1 + 9 * np.sin(a)], 1),
            min(0.9, tone * 1.7),
            opacity=0.6,
            soft_px=3.0,
        )


def _shaft(canvas: Plane) -> None:
    """Dust in the light between window and floor."""
    beam = plane(SHAPE)
    fill(
        beam,
        np.concatenate(
            [_face([(0.6, 2.2, BACK), (1.95, 2.2, BACK)]), _face([(1.9, 0, 7.0), (1.55, 0, 4.4), (-0.35, 0, 4.4)])]
        ),
        1.0,
    )
    dust = 1 + 0.20 * enlarge(field((250, 375), 1055, (4.0, 4.0), 1.8), SHAPE)
    canvas += blur(beam, 22.0) * dust * np.float32(0.055)


def _bench(canvas: Plane) -> None:
    """On the floor: a low bench, a coil of rope, a basket, a heap of net."""
    top = [(-0.95, 0.55, 6.5), (0.25, 0.55, 6.5), (0.32, 0.55, 6.1), (-1.0, 0.55, 6.1)]
    for x, z in ((-0.9, 6.4), (0.18, 6.4), (-0.92, 6.14), (0.22, 6.14)):
        stroke(canvas, _face([(x, 0.5, z), (x, 0.0, z)]), 17.0, 0.10)
    fill(canvas, _face(top), 0.52)
    fill(canvas, _face([top[3], top[2], (0.32, 0.48, 6.1), (-1.0, 0.48, 6.1)]), 0.17)
    _coil(canvas, (-0.9, 3.6), 0.36, 5, 0.50, 1051)
    _coil(canvas, (1.75, 4.9), 0.30, 4, 0.42, 1053)


def _coil(canvas: Plane, at: tuple[float, float], radius: float, turns: int, tone: float, seed: int) -> None:
    shade = np.linspace(0, 2 * np.pi, 40)
    fill(
        canvas,
        _face(
            [(at[0] - 0.06 + radius * 1.25 * np.cos(a), 0.0, at[1] - 0.10 + radius * 1.25 * np.sin(a)) for a in shade]
        ),
        0.05,
        opacity=0.65,
        soft_px=9.0,
    )
    for k in range(turns):
        t = np.linspace(0.6 * k, 0.6 * k + 2 * np.pi, 46)
        r = radius * (1 - 0.07 * (k % 2)) * (1 + 0.03 * np.sin(3 * t + k))
        p = np.stack([at[0] + r * np.cos(t), 0.03 + 0.052 * k + 0 * t, at[1] + r * np.sin(t)], 1)
        order = np.argsort(-p[:, 2])
        path = CAMERA.see(p)
        start = int(order[0])
        path = np.roll(path[:-1], -start, axis=0)
        path = np.concatenate([path, path[:1]])
        bent_rope(canvas, path, 0.055 * CAMERA.px_per_m(at[1]), tone * (0.9 + 0.04 * k), seed, shadow=(0.0, 5.0))


def net_loft() -> NDArray[np.uint16]:
    """The loft as a fast film saw it: coarse grain, one bright window, nets in its light."""
    canvas, light = plane(SHAPE, 0.03), _light()
    _room(canvas)
    canvas *= light
    _window(canvas)
    _net(canvas, ((-2.9, 2.25), (-1.0, 2.30)), 1.75, 6.9, 1041, 0.46, 44)
    _net(canvas, ((-0.95, 2.40), (0.45, 2.42)), 1.25, 7.1, 1047, 0.40, 34)
    _beams(canvas)
    _shaft(canvas)
    _bench(canvas)
    _post(canvas, -1.75, 5.3)
    _net(canvas, ((-3.0, 2.50), (-0.75, 2.52)), 2.0, 4.0, 1043, 0.52, 52)
    _net(canvas, ((1.55, 2.52), (3.25, 2.48)), 1.75, 4.8, 1045, 0.44, 40)
    _post(canvas, 2.45, 3.9)
    stroke(canvas, sag(_face([(-0.3, 2.36, 3.8)])[0], _face([(1.9, 2.36, 5.4)])[0], 130.0), 7.0, 0.12)
    haze = blur(np.clip(canvas - 0.55, 0, 1), 26.0) * 0.55 + blur(np.clip(canvas - 0.5, 0, 1), 130.0) * 0.75
    canvas = screen(canvas, haze + 0.05 * glow(SHAPE, (0.56, 0.42), (0.3, 0.35)))
    canvas = tone_curve(canvas, [(0, 0.05), (0.12, 0.14), (0.35, 0.40), (0.7, 0.76), (1, 0.935)])
    return toned(
        _film(blur(canvas, 0.85)),
        [(0, (0.004, 0.0, -0.003)), (0.5, (0.007, 0.002, -0.009)), (1, (0.004, 0.001, -0.006))],
    )


def _film(tone: Plane) -> Plane:
    """Grain as silver leaves it: clumped over about two px, strongest in the middle greys; sigma 5 to 6 of 255."""
    clumps = grain(plane(tone.shape), 1061, 0.018, 1.15)
    clumps = grain(clumps, 1062, 0.013, 0.75)
    return as_plane(tone + clumps * (0.55 + 0.62 * smooth(0.02, 0.30, tone) * smooth(1.05, 0.70, tone)))
