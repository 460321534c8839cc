"""Open boats in the round: planked outside, ribs and thwarts inside, at any turn and heel."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from printqueue.demo.camera import Camera
from printqueue.demo.canvas import Plane
from printqueue.demo.marks import fill, stroke

Grid = NDArray[np.float64]
Facet = tuple[float, Grid, float, float | None]  # distance, corners, tone, tone of its lower edge


@dataclass(frozen=True, slots=True)
class Dinghy:
    """A clinker dinghy. Lengths in metres, angles in radians; `at` is (x, y, z) of its middle at the keel."""

    at: tuple[float, float, float]
    length_m: float = 3.6
    turn: float = 0.4
    heel: float = 0.0
    outside: float = 0.55
    inside: float = 0.30
    rail: float = 0.62
    strakes: int = 7


def _surface(boat: Dinghy, along: int) -> Grid:
    """Hull points, (sides 2, strakes + 1, along, 3): from rail to keel."""
    u = np.linspace(-1, 1, along)
    v = np.linspace(0, 1, boat.strakes + 1)[:, None]
    full = np.clip(1 - np.abs(u) ** (2.4 + 1.2 * (u < 0)), 0.0, 1) ** np.where(u < 0, 0.42, 0.75)
    full = np.maximum(full, np.where(u < -0.8, 0.55, 0.012))
    beam = 0.205 * boat.length_m * full * (1 - v**2.6) ** 0.75
    sheer = 0.155 * boat.length_m * (1 + 0.42 * np.clip(u, 0, 1) ** 2 + 0.16 * u**2)
    up = sheer * (1 - v) + 0.05 * v * np.clip(u, 0, 1) ** 3 * boat.length_m
    long = u * boat.length_m / 2 * (1 - 0.10 * v * (u > 0) * u)
    sides = [np.stack([beam * side, up, np.broadcast_to(long, up.shape)], -1) for side in (-1.0, 1.0)]
    return _placed(np.stack(sides), boat)


def _placed(points: Grid, boat: Dinghy) -> Grid:
    c, s = np.cos(boat.heel), np.sin(boat.heel)
    x, y, z = points[..., 0] * c - points[..., 1] * s, points[..., 0] * s + points[..., 1] * c, points[..., 2]
    c, s = np.cos(boat.turn), np.sin(boat.turn)
    return np.stack([x * c + z * s + boat.at[0], y + boat.at[1], -x * s + z * c + boat.at[2]], -1)


def draw(
    canvas: Plane, cam: Camera, boat: Dinghy, *, sun: tuple[float, float, float] = (-0.55, 0.70, -0.45), along: int = 44
) -> None:
    """Draw the boat; `sun` points towards the light."""
    hull = _surface(boat, along)
    light = np.asarray(sun) / np.linalg.norm(sun)
    eye = np.array([0.0, cam.height_m, 0.0])
    quads = [
        _quad(hull[side], k, i, side, boat, light, eye)
        for side in (0, 1)
        for k in range(boat.strakes)
        for i in range(along - 1)
    ]
    quads += _thwarts(hull, boat, eye)
    for _, corners, tone, edge in sorted(quads, key=lambda q: -q[0]):
        seen = cam.see(corners)
        fill(canvas, seen + (seen - seen.mean(0)) * 0.02, tone)
        if edge is not None:
            stroke(canvas, seen[[3, 2]], max(1.0, cam.px_per_m(float(corners[:, 2].mean())) * 0.011), edge)
    _fittings(canvas, cam, boat, hull)


def _quad(side: Grid, k: int, i: int, which: int, boat: Dinghy, light: Grid, eye: Grid) -> Facet:
    corners = np.stack([side[k, i], side[k, i + 1], side[k + 1, i + 1], side[k + 1, i]])
    normal = np.cross(corners[1] - corners[0], corners[3] - corners[0]) * (1 if which == 1 else -1)
    normal /= max(float(np.linalg.norm(normal)), 1e-9)
    centre = corners.mean(0)
    outside = float(normal @ (eye - centre)) > 0
    lit = float(np.clip((normal if outside else -normal) @ light, 0, 1))
    own = (1 + 0.03 * np.sin(9.0 * k + which) + 0.015 * np.sin(2.1 * i + k)) * (1.22 if k == 0 else 1.04 - 0.05 * k)
    tone = (boat.outside if outside else boat.inside) * (0.42 + 0.72 * lit) * own
    far = float(np.linalg.norm(centre - eye)) + (0.0 if outside else 0.6)
    return far, corners, tone, tone * 0.5 if k > 0 or outside else None


def bow(boat: Dinghy) -> tuple[float, float, float]:
    """Where the stem head is, for a painter to be made fast: (x, y, z) in metres."""
    head = _surface(boat, 9)[:, 0, -1].mean(0)
    return float(head[0]), float(head[1]), float(head[2])


def _thwarts(hull: Grid, boat: Dinghy, eye: Grid) -> list[Facet]:
    n = hull.shape[2]
    found: list[Facet] = []
    for share in (0.10, 0.42, 0.68):
        i = int(share * (n - 1))
        wide = 4 if share < 0.2 else 2
        seat = np.stack([hull[0, 2, i], hull[1, 2, i], hull[1, 2, i + wide], hull[0, 2, i + wide]])
        seat = seat.mean(0) + (seat - seat.mean(0)) * 0.93
        found.append((float(np.linalg.norm(seat.mean(0) - eye)) + 0.25, seat, boat.rail * 0.72, boat.rail * 0.35))
    return found


def _fittings(canvas: Plane, cam: Camera, boat: Dinghy, hull: Grid) -> None:
    wide = 0.045 * cam.px_per_m(boat.at[2])
    for side in (0, 1):
        stroke(canvas, cam.see(hull[side, 0]), wide, boat.rail)
    transom = np.concatenate([hull[0, :, 0], hull[1, ::-1, 0]])
    facing = np.cross(hull[1, 0, 0] - hull[0, 0, 0], hull[0, -1, 0] - hull[0, 0, 0])
    if float(facing @ (np.array([0, cam.height_m, 0]) - hull[0, 0, 0])) > 0:
        fill(canvas, cam.see(transom), boat.outside * 0.62)
        stroke(canvas, cam.see(np.stack([hull[0, 0, 0], hull[1, 0, 0]])), wide * 1.1, boat.rail)
