"""Tone curves of a source space: code value → linear light, exact where the profile states them.

Two steps need linear light: a lift in stops multiplies it, and shrinking averages it. Measuring takes luminance as a
weighted sum of it. Bit-identical on every processor (`elementary`).
"""

from __future__ import annotations

import struct

import numpy as np
from numpy.typing import NDArray

from printqueue.imaging.colour import manager
from printqueue.imaging.colour.icc import Profile, ProfileError, tag_bytes
from printqueue.imaging.elementary import interpolated, power

Curve = NDArray[np.float64]  # (65536,) linear light 0..1 of code values 0..65535
_CODES = np.arange(65536) / 65535
_MATRIX_TOLERANCE = 0.02  # of white's luminance; profiles round their matrices


def channel_curves(data: bytes, profile: Profile) -> tuple[Curve, ...]:
    """Return one curve for grey, three for RGB.

    Read from the profile's own TRC tags if it has them. A table-based profile has none: there, the neutral axis as the
    colour engine sees it serves all channels.
    """
    names = ("kTRC",) if profile.space == "GRAY" else ("rTRC", "gTRC", "bTRC")
    if all(name in profile.tags for name in names) and "A2B0" not in profile.tags:
        return tuple(_increasing(_trc(tag_bytes(data, name))) for name in names)
    neutral = _increasing(manager.tone_curve(data, grey=profile.space == "GRAY"))
    return (neutral,) * len(names)


def luminance_weights(data: bytes, profile: Profile) -> tuple[float, ...] | None:
    """Return each channel's share of luminance Y (summing to 1, white's Y): one for grey, three for RGB.

    From the Y of the rXYZ, gXYZ and bXYZ tags (ICC.1:2022 9.2.31, 9.2.44, 9.2.4). None if the space is not curves and a
    matrix, or if the matrix makes no sense for a picture; ask the colour engine then.
    """
    if "A2B0" in profile.tags:
        return None
    if profile.space == "GRAY":
        return (1.0,)
    parts = [_luminance(tag_bytes(data, name)) for name in ("rXYZ", "gXYZ", "bXYZ") if name in profile.tags]
    if len(parts) != 3 or min(parts) < 0 or abs(sum(parts) - 1) > _MATRIX_TOLERANCE:
        return None
    return tuple(part / sum(parts) for part in parts)


def _luminance(body: bytes) -> float:
    if body[:4] != b"XYZ " or len(body) < 20:
        return -1.0
    return float(struct.unpack_from(">i", body, 12)[0]) / 65536


def _increasing(curve: Curve) -> Curve:
    curve = np.maximum.accumulate(np.clip(curve, 0.0, 1.0))
    if not curve[-1] > 0:
        raise ProfileError("its tone curve maps white to black")
    return np.asarray(curve / curve[-1])


def _trc(body: bytes) -> Curve:
    """Sample a `curveType` (ICC.1:2022 10.6) or `parametricCurveType` (10.18) at every code."""
    if body[:4] == b"curv" and len(body) >= 12:
        return _sampled(body)
    if body[:4] == b"para" and len(body) >= 16:
        return _parametric(body)
    raise ProfileError("its tone curve is of no kind that ICC.1 defines")


def _sampled(body: bytes) -> Curve:
    (count,) = struct.unpack_from(">I", body, 8)
    if len(body) < 12 + 2 * count:
        raise ProfileError("its tone curve is cut short")
    if count == 0:
        return _CODES.copy()
    table = np.frombuffer(body, ">u2", count, 12).astype(np.float64)
    if count == 1:  # a u8Fixed8 gamma
        return power(_CODES, float(table[0]) / 256)
    return interpolated(_CODES, np.arange(count) / (count - 1), table / 65535)


def _parametric(body: bytes) -> Curve:
    kind, _ = struct.unpack_from(">HH", body, 8)
    counts = (1, 3, 4, 5, 7)
    if kind >= len(counts) or len(body) < 12 + 4 * counts[kind]:
        raise ProfileError("its parametric tone curve is damaged")
    values = [v / 65536 for v in struct.unpack_from(f">{counts[kind]}i", body, 12)]
    g, a, b, c, d, e, f = (values + [1.0, 0.0, 0.0, 0.0, 0.0, 0.0][len(values) - 1 :])[:7]
    if kind in (1, 2):  # the break is where the power function reaches zero
        d = -b / a if a else 0.0
        e = f = values[3] if kind == 2 else 0.0
        c = 0.0
    with np.errstate(all="ignore"):
        upper = power(np.clip(a * _CODES + b, 0, None), g) + e
    curve = np.where(d <= _CODES, upper, c * _CODES + f)
    if not np.isfinite(curve).all():
        raise ProfileError("its parametric tone curve has no finite values")
    return np.asarray(curve)
