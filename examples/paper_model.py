"""A stated model of an inkjet print on four papers: device RGB in, CIE L*a*b* (D50) out, and back.

Nothing here was measured. The papers' bare white and full black are the ones that the demonstration
papers state; the ink colours are plausible values for an inkjet on such a surface (no source).

Model: every channel lays one ink (R cyan, G magenta, B yellow) with an effective coverage
``a(1 - channel)``; the eight Neugebauer primaries are weighted after Demichel and mixed after Yule and
Nielsen with n = 2, that is in the square root of XYZ. What a driver sends and how far the dot grows on
the sheet cannot be told apart from outside, so one curve per ink stands for both: the one that makes
r = g = b fall evenly in L* from the paper to full black, with a* and b* going straight from the one to
the other. Real drivers are grey balanced in the same way.

Only + - * / and square root are used on whole arrays, never a matrix product or a power: each of these
is rounded correctly by IEEE 754, so the same tables come out on every machine.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Triple = tuple[float, float, float]

D50: Triple = (0.9642, 1.0, 0.8249)  # ICC.1, profile connection space illuminant
_D50: Array = np.array(D50)
_EPSILON = 216 / 24389  # CIE 15: below this the lightness function is a straight line
_KAPPA = 24389 / 27
_L_OFFSET: Array = np.array([16.0, 0.0, 0.0])
_CURVE_STEPS = 128
_START_STEPS = 8  # 9 x 9 x 9 forward colours to start an inversion from
_ITERATIONS = 16


@dataclass(frozen=True, slots=True)
class Paper:
    """One paper: absolute L*a*b* (D50) of bare paper, of each ink and overprint, and of full black."""

    title: str
    matte: bool
    white: Triple
    black: Triple
    cyan: Triple
    magenta: Triple
    yellow: Triple
    red: Triple
    green: Triple
    blue: Triple
    chroma_knee: float  # C*ab at which the perceptual table keeps 71 % of the chroma

    def corners(self) -> Array:
        """(8, 3) L*a*b* of the Neugebauer primaries; index = 4 cyan + 2 magenta + 1 yellow."""
        without_cyan = [self.white, self.yellow, self.magenta, self.red]
        return np.array([*without_cyan, self.cyan, self.green, self.blue, self.black])


PAPERS: dict[str, Paper] = {
    "smooth-rag": Paper(
        title="smooth rag",
        matte=True,
        white=(96.5, 0.4, -1.8),
        black=(17, 0, 0),
        cyan=(58, -35, -46),
        magenta=(52, 70, -5),
        yellow=(90, -4, 84),
        red=(51, 65, 48),
        green=(54, -58, 28),
        blue=(31, 22, -50),
        chroma_knee=110,
    ),
    "textured-rag": Paper(
        title="textured rag",
        matte=True,
        white=(95.5, 0.6, 1.5),
        black=(19, 0.2, 0.3),
        cyan=(58, -33, -42),
        magenta=(52, 66, -4),
        yellow=(89, -4, 81),
        red=(51, 61, 45),
        green=(54, -54, 27),
        blue=(32, 20, -46),
        chroma_knee=105,
    ),
    "baryta": Paper(
        title="baryta",
        matte=False,
        white=(97, 0.2, -1),
        black=(5, 0, 0),
        cyan=(54, -37, -52),
        magenta=(48, 79, -7),
        yellow=(90, -5, 99),
        red=(48, 74, 59),
        green=(51, -73, 34),
        blue=(23, 30, -63),
        chroma_knee=140,
    ),
    "kozo": Paper(
        title="kozo",
        matte=True,
        white=(91.5, 1, 7.5),
        black=(24, 0.5, 2),
        cyan=(57, -31, -33),
        magenta=(52, 58, 0),
        yellow=(85, -2, 72),
        red=(50, 55, 40),
        green=(53, -47, 26),
        blue=(34, 16, -36),
        chroma_knee=95,
    ),
}


def cube_root(x: Array) -> Array:
    """Cube root of x in 0.008 ... 5 by Newton's rule, the same bits on every machine."""
    y = 0.3 + 0.72 * x
    for _ in range(8):
        y = (y + y + x / (y * y)) / 3
    return y


def lab_to_xyz(lab: Array) -> Array:
    """(..., 3) L*a*b* to XYZ relative to D50, Y = 1 for L* = 100 (CIE 15)."""
    fy = (lab[..., 0] + 16) / 116
    f = np.stack([fy + lab[..., 1] / 500, fy, fy - lab[..., 2] / 200], -1)
    cube = f * f * f
    return np.where(cube > _EPSILON, cube, (116 * f - 16) / _KAPPA) * _D50


def _lightness_function(ratio: Array) -> tuple[Array, Array]:
    """f(t) of CIE 15 and its slope."""
    root = cube_root(np.maximum(ratio, _EPSILON))
    low = ratio <= _EPSILON
    value = np.where(low, (_KAPPA * ratio + 16) / 116, root)
    return value, np.where(low, _KAPPA / 116, 1 / (3 * root * root))


def _to_lab_axes(f: Array) -> Array:
    """Differences of f along the last axis, as L*, a*, b* (without the -16 of L*)."""
    x, y, z = f[..., 0], f[..., 1], f[..., 2]
    return np.stack([116 * y, 500 * (x - y), 200 * (y - z)], -1)


def xyz_to_lab(xyz: Array) -> Array:
    """(..., 3) XYZ relative to D50 to L*a*b* (CIE 15)."""
    return _to_lab_axes(_lightness_function(xyz / _D50)[0]) - _L_OFFSET


def to_relative(lab: Array, white: Triple) -> Array:
    """Absolute to media-relative L*a*b*: XYZ scaled so that `white` becomes D50 (ICC.1)."""
    return xyz_to_lab(lab_to_xyz(lab) * (_D50 / lab_to_xyz(np.array(white))))


def to_absolute(lab: Array, white: Triple) -> Array:
    """Media-relative to absolute L*a*b*, the way back of `to_relative`."""
    return xyz_to_lab(lab_to_xyz(lab) * (lab_to_xyz(np.array(white)) / _D50))


def solve3(matrix: Array, right: Array) -> Array:
    """Solve (n, 3, 3) x = (n, 3) by Cramer's rule; the matrices must not be singular."""
    a, b, c = matrix[..., 0], matrix[..., 1], matrix[..., 2]
    volume = _dot(a, _cross(b, c))
    parts = [_dot(right, _cross(b, c)), _dot(a, _cross(right, c)), _dot(a, _cross(b, right))]
    return np.stack(parts, -1) / volume[..., None]


def _dot(a: Array, b: Array) -> Array:
    p = a * b
    return p[..., 0] + p[..., 1] + p[..., 2]


def _cross(a: Array, b: Array) -> Array:
    (ax, ay, az), (bx, by, bz) = (np.moveaxis(v, -1, 0) for v in (a, b))
    return np.stack([ay * bz - az * by, az * bx - ax * bz, ax * by - ay * bx], -1)


class PrintModel:
    """The forward model of one paper and its inverse, in media-relative L*a*b*."""

    def __init__(self, paper: Paper) -> None:
        self.paper = paper
        scale = _D50 / lab_to_xyz(np.array(paper.white))
        self._roots = np.sqrt(lab_to_xyz(paper.corners()) * scale)
        self.black = to_relative(np.array(paper.black), paper.white)
        self._coverage = self._grey_balance()
        self._slope = np.gradient(self._coverage, 1 / _CURVE_STEPS, axis=0, edge_order=2)

    def forward(self, rgb: Array) -> Array:
        """(n, 3) device RGB 0...1 to (n, 3) media-relative L*a*b*."""
        return self.forward_and_jacobian(rgb)[0]

    def forward_and_jacobian(self, rgb: Array) -> tuple[Array, Array]:
        """As `forward`, with (n, 3, 3) slopes d(L*, a*, b*)[row] / d(r, g, b)[column]."""
        ink, ink_slope = self._coverages(1 - rgb)
        root, root_slopes = self._mix(ink)
        f, f_slope = _lightness_function(root * root / _D50)
        chain = 2 * root * f_slope / _D50
        columns = [_to_lab_axes(chain * d * -ink_slope[:, i, None]) for i, d in enumerate(root_slopes)]
        return _to_lab_axes(f) - _L_OFFSET, np.stack(columns, -1)

    def invert(self, lab: Array) -> tuple[Array, Array]:
        """(n, 3) relative L*a*b* to the RGB of the nearest printable colour, and its distance (dE76).

        Starts from the nearest of a dense set of printed colours, then damped Gauss-Newton steps within
        0...1: a channel on its bound is held there while the slope points outwards.
        """
        rgb = self._nearest_start(lab)
        value, jacobian = self.forward_and_jacobian(rgb)
        damping = np.full(len(lab), 1e-3)
        for _ in range(_ITERATIONS):
            trial = np.clip(rgb - _bounded_step(rgb, value - lab, jacobian, damping), 0, 1)
            trial_value, trial_jacobian = self.forward_and_jacobian(trial)
            better = _dot(trial_value - lab, trial_value - lab) < _dot(value - lab, value - lab)
            rgb = np.where(better[:, None], trial, rgb)
            value = np.where(better[:, None], trial_value, value)
            jacobian = np.where(better[:, None, None], trial_jacobian, jacobian)
            damping = np.where(better, damping / 8, damping * 8)
        return rgb, np.sqrt(_dot(value - lab, value - lab))

    def _grey_balance(self) -> Array:
        """(steps + 1, 3) coverages that print greys evenly from paper white to full black."""
        t = np.linspace(0, 1, _CURVE_STEPS + 1)[:, None]
        target = np.sqrt(lab_to_xyz(np.array([100.0, 0, 0]) * (1 - t) + self.black * t))
        ink = np.repeat((1 - target[:, 1:2]) / (1 - target[-1, 1]), 3, axis=1)
        for _ in range(30):
            root, slopes = self._mix(ink)
            ink = np.clip(ink - solve3(np.stack(slopes, -1), root - target), 0, 1)
        return ink

    def _coverages(self, t: Array) -> tuple[Array, Array]:
        """Cubic Hermite interpolation of the coverage curves at t = 0...1, and the slopes."""
        position = t * _CURVE_STEPS
        i = np.minimum(position.astype(np.intp), _CURVE_STEPS - 1)
        u, ink = position - i, np.arange(3)
        p0, p1 = self._coverage[i, ink], self._coverage[i + 1, ink]
        m0, m1 = self._slope[i, ink] / _CURVE_STEPS, self._slope[i + 1, ink] / _CURVE_STEPS
        c2, c3 = 3 * (p1 - p0) - 2 * m0 - m1, 2 * (p0 - p1) + m0 + m1
        value = p0 + u * (m0 + u * (c2 + u * c3))
        return value, (m0 + u * (2 * c2 + u * 3 * c3)) * _CURVE_STEPS

    def _mix(self, ink: Array) -> tuple[Array, list[Array]]:
        """Demichel's mix of the primaries' roots, and its slopes along cyan, magenta and yellow."""
        c, m, y = (ink[:, i, None] for i in range(3))
        p = self._roots
        along_y = [p[i] + y * (p[i + 1] - p[i]) for i in (0, 2, 4, 6)]
        along_m = [along_y[i] + m * (along_y[i + 1] - along_y[i]) for i in (0, 2)]
        slope_m = [along_y[1] - along_y[0], along_y[3] - along_y[2]]
        by_y = [p[i + 1] - p[i] for i in (0, 2, 4, 6)]
        slope_y = [by_y[i] + m * (by_y[i + 1] - by_y[i]) for i in (0, 2)]
        slopes = [along_m[1] - along_m[0], slope_m[0] + c * (slope_m[1] - slope_m[0])]
        slopes.append(slope_y[0] + c * (slope_y[1] - slope_y[0]))
        return along_m[0] + c * slopes[0], slopes

    def _nearest_start(self, lab: Array) -> Array:
        rgb = grid(_START_STEPS + 1) / _START_STEPS
        known = self.forward(rgb)
        found = [_nearest(known, lab[i : i + 512]) for i in range(0, len(lab), 512)]
        return rgb[np.concatenate(found)]


def _nearest(known: Array, wanted: Array) -> NDArray[np.intp]:
    square = np.zeros((len(wanted), len(known)))
    for i in range(3):
        difference = wanted[:, i, None] - known[None, :, i]
        square += difference * difference
    nearest: NDArray[np.intp] = square.argmin(axis=1)
    return nearest


def _bounded_step(rgb: Array, error: Array, jacobian: Array, damping: Array) -> Array:
    """One damped Gauss-Newton step; channels that lean on their bound do not move."""
    gradient = np.stack([_dot(jacobian[:, :, i], error) for i in range(3)], -1)
    held = ((rgb <= 0) & (gradient > 0)) | ((rgb >= 1) & (gradient < 0))
    columns = jacobian * ~held[:, None, :]
    rows = [[_dot(columns[:, :, i], columns[:, :, j]) for j in range(3)] for i in range(3)]
    normal = np.stack([np.stack(row, -1) for row in rows], -2)
    diagonal = normal[:, range(3), range(3)]
    normal[:, range(3), range(3)] = diagonal * (1 + damping[:, None]) + 1e-9 + held
    return solve3(normal, np.where(held, 0, gradient))


def grid(nodes: int) -> Array:
    """(nodes ** 3, 3) node numbers, the first channel slowest, as an ICC colour table wants them."""
    axis = np.arange(nodes, dtype=np.float64)
    return np.stack(np.meshgrid(axis, axis, axis, indexing="ij"), -1).reshape(-1, 3)


@cache
def model(name: str) -> PrintModel:
    """The model of one of `PAPERS`; KeyError for another name."""
    return PrintModel(PAPERS[name])
