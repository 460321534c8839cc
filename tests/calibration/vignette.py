"""Vignette: is an added fall-off of light read as what it is, and can it be told from the scene? (It cannot.)

Each piece is taken as a picture of its own. The fall-off is the cos⁴ law on linear light, with the field angle
given for the corner. The note's limit is the starter one and was not fitted; there is no other limit.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

import printqueue
from printqueue.judging.checks.vignette import VignetteLimits
from printqueue.judging.measures.vignette import Vignette, measure_vignette
from printqueue.studio.papers.loader import Shelf
from tests.calibration.pictures import Photograph
from tests.calibration.statistics import by_picture, roc_area, wilson

ANGLES = (0.0, 15.0, 20.0, 25.0, 30.0, 35.0)
_Plane = NDArray[np.float64]


def report(pieces: Sequence[Photograph]) -> str:
    """The table, tuned and held-out parts apart."""
    parts = [("tuned", [p for p in pieces if not p.held_out]), ("held-out", [p for p in pieces if p.held_out])]
    return "\n\n".join(_part(name, some) for name, some in parts if some)


def luminance(piece: Photograph) -> _Plane:
    """Linear light of the piece, white = 1 (IEC 61966-2-1)."""
    encoded = piece.codes.astype(np.float64) / 255
    linear = np.where(encoded <= 0.04045, encoded / 12.92, ((encoded + 0.055) / 1.055) ** 2.4)
    return np.asarray(linear @ np.array([0.2126, 0.7152, 0.0722]))


def behind_a_lens(light: _Plane, angle_degrees: float) -> Vignette:
    """The measured vignette of `light` × cos⁴."""
    height, width = light.shape
    y, x = np.mgrid[0:height, 0:width]
    r2 = ((x + 0.5 - width / 2) ** 2 + (y + 0.5 - height / 2) ** 2) / ((width / 2) ** 2 + (height / 2) ** 2)
    fallen = light / (1 + r2 * np.tan(np.radians(angle_degrees)) ** 2) ** 2
    L = np.where(fallen > 216 / 24389, 116 * np.cbrt(fallen) - 16, fallen * 24389 / 27)
    return measure_vignette(L.astype(np.float32))


def _part(name: str, pieces: Sequence[Photograph]) -> str:
    pictures = [piece.picture for piece in pieces]
    found = [[behind_a_lens(light, angle) for angle in ANGLES] for light in map(luminance, pieces)]
    corners = np.array([[one.corners for one in row] for row in found], np.float64)
    lightest = np.array([[one.lightest for one in row] for row in found], np.float64)
    centres = np.array([row[0].centre for row in found], np.float64)
    low, middle, high = np.percentile(corners[:, 0], [10, 50, 90])
    lines = [
        f"{name}: {len(pieces)} pieces of {len(set(pictures))} photographs",
        f"untreated: corners against centre, median {middle:.0f} L* (10 to 90 %: {low:.0f} to {high:.0f})",
        (
            f"darker at every step of fall-off ({', '.join(f'{a:g}°' for a in ANGLES)}): "
            f"{int((np.diff(corners, axis=1) < 0).all(axis=1).sum())} of {len(pieces)}"
        ),
    ]
    limit = _note_limit()
    for column, angle in enumerate(ANGLES[1:], start=1):
        expected = (centres + 16) * (np.cos(np.radians(angle)) ** (4 / 3) - 1)
        share = np.percentile((corners[:, column] - corners[:, 0]) / expected, [10, 50, 90])
        area = roc_area(-corners[:, column], -corners[:, 0])
        both, kind = np.concatenate([corners[:, column], corners[:, 0]]), np.repeat([True, False], len(pieces))

        def area_of(rows: NDArray[np.intp], both: _Plane = both, kind: NDArray[np.bool_] = kind) -> float:
            return roc_area(-both[rows[kind[rows]]], -both[rows[~kind[rows]]])

        span = by_picture(area_of, pictures * 2)
        lines.append(
            f"{angle:g}° ({np.median(expected):.0f} L* at the median): change read {share[1]:.2f} of the law's "
            f"({share[0]:.2f} to {share[2]:.2f}); ROC area against untreated {area:.2f} ({span[0]:.2f} to {span[1]:.2f})"
        )
    if limit is not None:
        noted = ((corners < -limit) & (lightest < 0)).sum(axis=0)
        shares = [100 * share for share in wilson(int(noted[0]), len(pieces))]
        lines.append(
            f"noted over {limit:g} L* with all corners dark: "
            + ", ".join(f"{angle:g}° {hits} of {len(pieces)}" for angle, hits in zip(ANGLES, noted, strict=True))
            + f" (untreated {shares[0]:.0f} to {shares[1]:.0f} %)"
        )
    return "\n".join(lines)


def _note_limit() -> float | None:
    for paper in Shelf.load(Path(printqueue.__file__).parent / "rules").papers.values():
        limits = paper.checks.get("vignette")
        if isinstance(limits, VignetteLimits):
            return limits.note_above
    return None
