"""Standard RGB spaces as ICC profiles that we build ourselves, byte-identical on every machine.

For pictures with a declaration instead of a profile, and for orders that say `assume_profile`.
Matrix/curve profiles according to ICC.1:2022 (v4.4), class `mntr`.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

Chromaticity = tuple[float, float]
_D50_PCS = (0.9642, 1.0, 0.8249)  # ICC.1:2022, 7.2.16
# Bradford cone responses, ICC.1:2022 annex E
_BRADFORD = np.array([[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]])


@dataclass(frozen=True, slots=True)
class Space:
    """Primaries, white (CIE 1931 x, y) and parametric curve (ICC.1 10.18) of an RGB space."""

    title: str
    primaries: tuple[Chromaticity, Chromaticity, Chromaticity]
    white: Chromaticity
    curve: tuple[float, ...]  # (g,) or (g, a, b, c, d)


_D65 = (0.3127, 0.3290)
_SRGB_CURVE = (2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045)
SPACES = {
    # IEC 61966-2-1:1999
    "srgb": Space("sRGB", ((0.64, 0.33), (0.30, 0.60), (0.15, 0.06)), _D65, _SRGB_CURVE),
    # Adobe RGB (1998) Color Image Encoding, 2005-05; an open specification: gamma 563/256
    "adobe-rgb": Space("Adobe RGB (1998)", ((0.64, 0.33), (0.21, 0.71), (0.15, 0.06)), _D65, (563 / 256,)),
    # SMPTE RP 431-2 primaries with D65 white and the sRGB curve
    "display-p3": Space("Display P3", ((0.680, 0.320), (0.265, 0.690), (0.150, 0.060)), _D65, _SRGB_CURVE),
    # ISO 22028-2:2013 (ROMM RGB): D50, gamma 1.8 with slope 16 below 1/512
    "romm": Space(
        "ROMM RGB",
        ((0.7347, 0.2653), (0.1596, 0.8404), (0.0366, 0.0001)),
        (0.3457, 0.3585),
        (1.8, 1.0, 0.0, 1 / 16, 1 / 32),
    ),
}


@cache
def profile_bytes(name: str) -> bytes:
    """Return the ICC profile of `SPACES[name]`; the same bytes on every call and every machine."""
    space = SPACES[name]
    columns = to_pcs_matrix(space)
    tags = [(b"desc", _mluc(space.title)), (b"cprt", _mluc("No copyright; written by printqueue"))]
    tags += [(b"wtpt", _xyz(_D50_PCS)), (b"chad", _sf32(_adaptation(space.white).ravel()))]
    tags += [(sig, _xyz(columns[:, i])) for i, sig in enumerate((b"rXYZ", b"gXYZ", b"bXYZ"))]
    tags += [(sig, _para(space.curve)) for sig in (b"rTRC", b"gTRC", b"bTRC")]
    return _assemble(tags)


def to_pcs_matrix(space: Space) -> NDArray[np.float64]:
    """3 × 3 matrix from linear RGB (0..1) to XYZ in the D50 profile connection space."""
    xyz = np.array([_xyz_of(c) for c in space.primaries]).T
    matrix: NDArray[np.float64] = _adaptation(space.white) @ (xyz * np.linalg.solve(xyz, _xyz_of(space.white)))
    return matrix


def _xyz_of(chromaticity: Chromaticity) -> NDArray[np.float64]:
    x, y = chromaticity
    return np.array([x / y, 1.0, (1 - x - y) / y])


def _adaptation(white: Chromaticity) -> NDArray[np.float64]:
    gain = np.diag((_BRADFORD @ np.array(_D50_PCS)) / (_BRADFORD @ _xyz_of(white)))
    matrix: NDArray[np.float64] = np.linalg.inv(_BRADFORD) @ gain @ _BRADFORD
    return matrix


def _fixed(value: float) -> bytes:
    return struct.pack(">i", round(float(value) * 65536))


def _sf32(values: NDArray[np.float64]) -> bytes:
    return b"sf32\0\0\0\0" + b"".join(map(_fixed, values))


def _xyz(values: tuple[float, ...] | NDArray[np.float64]) -> bytes:
    return b"XYZ \0\0\0\0" + b"".join(map(_fixed, values))


def _para(curve: tuple[float, ...]) -> bytes:
    kind = 0 if len(curve) == 1 else 3
    return b"para\0\0\0\0" + struct.pack(">HH", kind, 0) + b"".join(map(_fixed, curve))


def _mluc(text: str) -> bytes:
    encoded = text.encode("utf-16-be")
    return b"mluc\0\0\0\0" + struct.pack(">II", 1, 12) + b"enUS" + struct.pack(">II", len(encoded), 28) + encoded


def _assemble(tags: list[tuple[bytes, bytes]]) -> bytes:
    offset = 128 + 4 + 12 * len(tags)
    table, bodies = struct.pack(">I", len(tags)), b""
    for signature, body in tags:
        table += signature + struct.pack(">II", offset + len(bodies), len(body))
        bodies += body + b"\0" * (-len(body) % 4)
    size = offset + len(bodies)
    # A fixed creation date keeps the bytes constant.
    header = struct.pack(">I4sI4s4s4s6H", size, b"\0" * 4, 0x04400000, b"mntr", b"RGB ", b"XYZ ", 2026, 1, 1, 0, 0, 0)
    header += b"acsp" + b"\0" * 28 + b"".join(map(_fixed, _D50_PCS))
    return header.ljust(128, b"\0") + table + bodies
