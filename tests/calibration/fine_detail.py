"""Fine detail: does the share follow the size of the detail, and is it deaf to noise, grain and compression?

Each piece is taken as a print of its own pixels at 360 ppi unless said otherwise. There is no print and no
texture here: whether a paper swallows what scores high is common practice, not measured. The constants of the
measure (how calm places are found, how much is taken for grain) were chosen with both parts in view; the limits
are the starter ones and were not fitted.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

import printqueue
from printqueue.imaging.colour import manager, spaces
from printqueue.judging.checks.fine_detail import FineDetailLimits
from printqueue.judging.measures.fine_detail import OctaveEnergy, fine_share_percent, octave_energy
from printqueue.studio.papers.loader import Shelf
from tests.calibration.pictures import Photograph
from tests.calibration.statistics import by_picture, roc_area, spearman, wilson
from tests.calibration.treatments import BASE, BLURRED, ENLARGED, GRAINY, JPEG, NOISY, Treatment

PPI = 360.0
_SIZES = (150.0, 200.0, 240.0, 300.0, 360.0, 480.0)
_DISTURBING = (*NOISY, *GRAINY, *(one for one in JPEG if one.amount in (-50, -85, -95)))
_COARSER = tuple(one for one in ENLARGED if one.kind == "enlarged bicubic" and one.amount in (1.5, 2.0, 3.0))

Shares = NDArray[np.float64]  # NaN: not measurable


def report(pieces: Sequence[Photograph]) -> str:
    """The table, tuned and held-out parts apart."""
    parts = [("tuned", [p for p in pieces if not p.held_out]), ("held-out", [p for p in pieces if p.held_out])]
    return "\n\n".join(_part(name, some) for name, some in parts if some)


def energy(piece: Photograph, treatment: Treatment) -> OctaveEnergy:
    """The piece, treated, as the survey sees a band of it."""
    codes = treatment.apply(piece.codes, piece.name).astype(np.uint16) * np.uint16(257)
    return octave_energy(manager.to_lightness(codes, spaces.profile_bytes("srgb")) / np.float32(100))


def shares(pieces: Sequence[Photograph], treatment: Treatment, ppi: float = PPI) -> Shares:
    """The fine share of each piece, in percent."""
    return _numbers([fine_share_percent(energy(piece, treatment), ppi) for piece in pieces])


def _numbers(values: Sequence[float | None]) -> Shares:
    return np.array([np.nan if value is None else value for value in values], np.float64)


def _part(name: str, pieces: Sequence[Photograph]) -> str:
    pictures = [piece.picture for piece in pieces]
    base = shares(pieces, BASE)
    lines = [f"{name}: {len(pieces)} pieces of {len(set(pictures))} photographs", *_spread(base, pieces)]
    lines += _following(pieces, base)
    lines.append("moved by (points; median, 9 in 10, most; pieces that are no longer measurable)")
    for treatment in _DISTURBING:
        moved = np.abs(shares(pieces, treatment) - base)
        gone = int(np.isnan(moved).sum() - np.isnan(base).sum())
        low, high, most = np.nanpercentile(moved, [50, 90, 100])
        lines.append(f"  {treatment.name:<18}{low:6.1f}{high:6.1f}{most:6.1f}{gone:5d}")
    return "\n".join([*lines, *_rates(pieces, base)])


def _spread(base: Shares, pieces: Sequence[Photograph]) -> list[str]:
    low, middle, high = np.nanpercentile(base, [10, 50, 90])
    finest = sorted(zip(base, (p.name for p in pieces), strict=True), reverse=True)[:5]
    return [
        f"untreated: median {middle:.0f} % (10 to 90 %: {low:.0f} to {high:.0f}), not measurable {np.isnan(base).sum()}",
        "finest: " + ", ".join(f"{piece} {value:.0f} %" for value, piece in finest),
    ]


def _following(pieces: Sequence[Photograph], base: Shares) -> list[str]:
    """Rank correlation within each piece, and the area under the ROC curve against coarser versions."""
    by_size = np.stack([_numbers([fine_share_percent(energy(p, BASE), ppi) for ppi in _SIZES]) for p in pieces])
    by_blur = np.stack([base, *(shares(pieces, one) for one in BLURRED)], axis=1)
    lines = [
        f"Spearman with ppi of the print, worst piece: {_worst(by_size, _SIZES):.2f}",
        f"Spearman with less blur, worst piece: {_worst(by_blur, (0.0, *(-one.amount for one in BLURRED))):.2f}",
    ]
    pictures = [piece.picture for piece in pieces]
    for treatment in (*_COARSER, *BLURRED):
        coarse = shares(pieces, treatment)
        both = np.concatenate([base, coarse])
        kind = np.repeat([True, False], len(pieces))

        def area(rows: NDArray[np.intp], both: Shares = both, kind: NDArray[np.bool_] = kind) -> float:
            known = rows[~np.isnan(both[rows])]
            return roc_area(both[known[kind[known]]], both[known[~kind[known]]])

        low, high = by_picture(area, pictures * 2)
        lines.append(
            f"ROC area, native over {treatment.name}: {area(np.arange(len(both))):.3f} ({low:.2f} to {high:.2f})"
        )
    return lines


def _worst(rows: Shares, steps: Sequence[float]) -> float:
    found = [spearman(row[~np.isnan(row)], np.asarray(steps)[~np.isnan(row)]) for row in rows]
    return float(np.nanmin(found))


def _rates(pieces: Sequence[Photograph], base: Shares) -> list[str]:
    lines = ["at the shipped limits (untreated; noted | warned, with 95 % intervals over pieces)"]
    for key, paper in Shelf.load(Path(printqueue.__file__).parent / "rules").papers.items():
        limits = paper.checks.get("fine-detail")
        if not isinstance(limits, FineDetailLimits) or limits.note_above is None or limits.warn_above is None:
            lines.append(f"  {key:<14}off")
            continue
        counts = [int((base > limit).sum()) for limit in (limits.note_above, limits.warn_above)]
        rates = " | ".join(
            f"{100 * hits / len(pieces):.0f} % ({100 * low:.0f} to {100 * high:.0f})"
            for hits, (low, high) in ((hits, wilson(hits, len(pieces))) for hits in counts)
        )
        lines.append(f"  {key:<14}note {limits.note_above:g} %, warn {limits.warn_above:g} %: {rates}")
    return lines
