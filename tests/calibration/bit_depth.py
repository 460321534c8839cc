"""Bit depth: 8 bits put into 16 in every usual way, and true 16 bits that look like it.

True 16 bits are made by averaging 3 × 3 or 4 × 4 pixels of the 8-bit pictures in floating point. The rules were
chosen with both parts in view; they have no limit that a photographer sets. The limit for gaps is the starter one.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

import printqueue
from printqueue.judging.checks.bit_depth import BitDepthLimits
from printqueue.judging.measures.levels import Levels, histogram, measure_levels
from printqueue.studio.papers.loader import Shelf
from tests.calibration.pictures import Photograph
from tests.calibration.statistics import wilson

Tones = NDArray[np.float64]  # 0..1
Codes = NDArray[np.uint8] | NDArray[np.uint16]
_CHARTS = 100


def report(pieces: Sequence[Photograph]) -> str:
    """The table, tuned and held-out parts apart; charts have no parts."""
    parts = [("tuned", [p for p in pieces if not p.held_out]), ("held-out", [p for p in pieces if p.held_out])]
    return "\n\n".join([*(_part(name, some) for name, some in parts if some), _charts()])


def _sixteen(tones: Tones) -> Codes:
    return np.rint(np.clip(tones, 0, 1) * 65535).astype(np.uint16)


def _linear(tones: Tones) -> Tones:
    """IEC 61966-2-1: a profile conversion channel by channel."""
    return np.where(tones <= 0.04045, tones / 12.92, ((tones + 0.055) / 1.055) ** 2.4)


def _averaged(tones: Tones, side: int) -> Tones:
    rows, columns = tones.shape[0] // side, tones.shape[1] // side
    whole = tones[: rows * side, : columns * side].reshape(rows, side, columns, side, -1)
    return np.asarray(whole.mean(axis=(1, 3)))


def _framed(codes: Codes) -> Codes:
    """In a large black border."""
    framed = np.zeros((2 * codes.shape[0], 2 * codes.shape[1], codes.shape[2]), codes.dtype)
    framed[: codes.shape[0], : codes.shape[1]] = codes
    return framed


_EIGHT_IN_SIXTEEN: dict[str, Callable[[Tones], Codes]] = {
    "× 257": _sixteen,
    "moved up by 8 bits": lambda t: (np.rint(t * 255) * 256).astype(np.uint16),
    "by way of 15 bits": lambda t: (np.rint(t * 32767) * 2).astype(np.uint16),
    "curve 0.6": lambda t: _sixteen(t**0.6),
    "curve 1.6": lambda t: _sixteen(t**1.6),
    "contrast curve": lambda t: _sixteen(t * t * (3 - 2 * t)),
    "stretched × 1.5": lambda t: _sixteen((t - 0.2) * 1.5),
    "conversion, a curve per channel": lambda t: _sixteen(_linear(t) ** np.array([1 / 1.8, 1 / 2.2, 1 / 2.0])),
    "stretched in 8, curve in 16": lambda t: _sixteen((np.clip(np.rint((255 * t - 60) * 1.5), 0, 255) / 255) ** 0.8),
    "black-and-white, curve": lambda t: _sixteen((np.rint(255 * t.mean(axis=-1, keepdims=True)) / 255) ** 0.8),
    "curve, large black border": lambda t: _framed(_sixteen(t**0.6)),
}
_TRUE: dict[str, Callable[[Tones], Codes]] = {
    "averaged by 3": lambda t: _sixteen(_averaged(t, 3)),
    "averaged by 4": lambda t: _sixteen(_averaged(t, 4)),
    "with a curve": lambda t: _sixteen(_averaged(t, 3) ** 0.6),
    "fog (6 % of the range)": lambda t: _sixteen(_averaged(t, 3) * 0.06 + 0.7),
    "low key (8 % of the range)": lambda t: _sixteen(_averaged(t, 3) * 0.08),
    "black-and-white": lambda t: _sixteen(_averaged(t, 3).mean(axis=-1, keepdims=True)),
    "toned": lambda t: _sixteen(_averaged(t, 3).mean(axis=-1, keepdims=True) ** np.array([0.9, 1.0, 1.1])),
    "large black border": lambda t: _framed(_sixteen(_averaged(t, 3))),
}
_GAPS: dict[str, Callable[[Tones], Codes]] = {
    "8 bit, untreated": lambda t: np.rint(255 * t).astype(np.uint8),
    "8 bit, curve 0.6": lambda t: np.rint(255 * t**0.6).astype(np.uint8),
    "8 bit, stretched × 1.5": lambda t: np.rint(255 * np.clip((t - 0.2) * 1.5, 0, 1)).astype(np.uint8),
    "8 bit, rounded to 5": lambda t: np.rint(np.rint(t * 31) * 255 / 31).astype(np.uint8),
    "16 bit, stretched × 1.5": lambda t: _sixteen((_averaged(t, 3) - 0.2) * 1.5),
}


def _part(name: str, pieces: Sequence[Photograph]) -> str:
    lines = [f"{name}: {len(pieces)} pieces of {len({piece.picture for piece in pieces})} photographs"]
    for title, cases in (("8 in 16", _EIGHT_IN_SIXTEEN), ("true 16", _TRUE)):
        hits, of = 0, 0
        for case, make in cases.items():
            found = _found(pieces, make)
            said = sum(one.eight_in_sixteen for one in found)
            hits, of = hits + said, of + len(found)
            lines.append(f"  {title} {case:34} called 8 bit: {100 * said / len(found):5.1f} %")
        low, high = wilson(hits, of)
        lines.append(
            f"  {title} all{'':31} called 8 bit: {100 * hits / of:5.1f} % ({100 * low:.1f} to {100 * high:.1f})"
        )
    limit = _shipped_gaps()
    for case, make in _GAPS.items():
        gaps = np.array([one.combed_percent for one in _found(pieces, make)])
        middle, high = np.percentile(gaps, [50, 90])
        lines.append(
            f"  gaps    {case:34} {middle:4.1f} % (90 %: {high:4.1f}); over {limit:g} %: {100 * (gaps > limit).mean():.0f} %"
        )
    return "\n".join(lines)


def _found(pieces: Sequence[Photograph], make: Callable[[Tones], Codes]) -> list[Levels]:
    return [measure_levels(histogram(make(piece.codes.astype(np.float64) / 255))) for piece in pieces]


def _charts() -> str:
    """Flat patches of unrelated 16-bit codes."""
    random = np.random.default_rng(1)
    lines = []
    for patches in (24, 40, 100, 200, 256):
        charts = random.integers(0, 65536, (_CHARTS, 1, patches, 3)).astype(np.uint16)
        said = sum(measure_levels(histogram(chart)).eight_in_sixteen for chart in charts)
        lines.append(f"  true 16 chart of {patches} unrelated patches: called 8 bit {said} of {_CHARTS}")
    return "\n".join(lines)


def _shipped_gaps() -> float:
    for paper in Shelf.load(Path(printqueue.__file__).parent / "rules").papers.values():
        limits = paper.checks.get("bit-depth")
        if isinstance(limits, BitDepthLimits):
            return limits.combed_above
    return BitDepthLimits().combed_above
