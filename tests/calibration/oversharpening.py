"""`oversharpening`: unsharp masks of 150 % and more at 1 px and more, against 50 % and less, noise, grain and JPEG.

Measured at the file's own pixels, on L* of sRGB, as the service does on a print of the same size. In focus: the untreated
picture has at least 12 usable edges whose median width is at most 2.1 px: on softer edges an unsharp mask leaves no halo.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from printqueue.imaging.colour import manager, spaces
from printqueue.judging.checks.oversharpening import OversharpeningLimits
from printqueue.studio.papers.loader import Shelf
from tests.calibration import treatments
from tests.calibration.pictures import Photograph, crisp_photographs
from tests.calibration.statistics import by_picture, roc_area, spearman, wilson
from tests.judging.measures.whole import measure_halo

RULES = Path(__file__).parents[2] / "printqueue/rules"
LARGE_MP, SHARP_PX = 0.4, 2.1
_NOISE_THEN = [
    treatments.Treatment(
        f"noise 4, unsharp {100 * a:.0f} %",
        "sharp",
        a,
        treatments.after(partial(treatments.noisy, sigma=4), partial(treatments.unsharp, amount=a, sigma=1)),
    )
    for a in (0.5, 2.0)
]
_THEN_JPEG = [
    treatments.Treatment(
        f"unsharp {100 * a:.0f} %, jpeg 70",
        "sharp",
        a,
        treatments.after(partial(treatments.unsharp, amount=a, sigma=1), partial(treatments.jpeg, quality=70)),
    )
    for a in (0.5, 2.0)
]
POSITIVE = [t for t in treatments.UNSHARP if t.amount >= 1.5 and float(t.kind.split("r")[-1]) >= 1]
POSITIVE += [_NOISE_THEN[1], _THEN_JPEG[1]]
NEGATIVE = [treatments.BASE, *(t for t in treatments.UNSHARP if t.amount <= 0.5)]
NEGATIVE += [*treatments.NOISY, *treatments.GRAINY, *treatments.JPEG, _NOISE_THEN[0], _THEN_JPEG[0]]
QUIET = [treatments.BASE, *treatments.NOISY[:2]]


@dataclass(frozen=True, slots=True)
class Row:
    """One treated piece."""

    piece: Photograph
    treatment: str
    sharp: bool
    score: float  # NaN: not measurable
    share: float


def tone(codes: NDArray[np.float32]) -> NDArray[np.float32]:
    """L*/100 of sRGB codes 0..255."""
    eight = codes.astype(np.uint16) * np.uint16(257)
    return manager.to_lightness(eight, spaces.profile_bytes("srgb")) / np.float32(100)


def report(_: Sequence[Photograph]) -> str:
    """All tables, on photographs that are sharp to the pixel."""
    pieces = crisp_photographs()
    focused = {piece.name for piece in pieces if _in_focus(piece)}
    rows = [row for piece in pieces for row in _rows(piece)]
    large = [row for row in rows if row.piece.name in focused and row.piece.megapixels >= LARGE_MP]
    lines = [f"in focus: {len(focused)} of {len(pieces)} pieces; of 0.4 MP and more {_count(large)}", ""]
    sharp = [row for row in rows if row.piece.name in focused]
    for part, some in (("tuned", False), ("held out", True)):
        lines += _part(f"{part}, in focus, 0.4 MP and more", [row for row in large if row.piece.held_out is some])
        lines += _part(f"{part}, in focus, any size", [row for row in sharp if row.piece.held_out is some])
        lines += _part(f"{part}, all", [row for row in rows if row.piece.held_out is some])
        lines += _errors(part, [row for row in rows if row.piece.held_out is some])
    return "\n".join([*lines, *_monotone(pieces, focused)])


def _count(rows: Sequence[Row]) -> str:
    return f"{len({r.piece.name for r in rows})} of {len({r.piece.picture for r in rows})} photographs"


def _in_focus(piece: Photograph) -> bool:
    found = measure_halo(tone(piece.codes))
    return found.edge_width_px is not None and found.edge_width_px <= SHARP_PX


def _rows(piece: Photograph) -> list[Row]:
    rows = []
    for sharp, group in ((True, POSITIVE), (False, NEGATIVE)):
        for treatment in group:
            found = measure_halo(tone(treatment.apply(piece.codes, piece.name)))
            score = np.nan if found.score_percent is None else found.score_percent
            rows.append(Row(piece, treatment.name, sharp, score, found.share_percent or 0.0))
    return rows


def _part(part: str, rows: Sequence[Row]) -> list[str]:
    if not rows:
        return [f"{part}: no picture in focus of 0.4 MP and more"]
    known = [row for row in rows if np.isfinite(row.score)]

    def area(which: NDArray[np.intp]) -> float:
        chosen = [known[i] for i in which]
        return roc_area([r.score for r in chosen if r.sharp], [r.score for r in chosen if not r.sharp])

    low, high = by_picture(area, [row.piece.picture for row in known])
    value = area(np.arange(len(known)))
    missing = 1 - len(known) / len(rows)
    return [
        f"{part}: {_count(rows)}; ROC area {value:.3f} (95 %: {low:.3f} to {high:.3f}); not measurable {missing:.1%}"
    ]


def _errors(part: str, rows: Sequence[Row]) -> list[str]:
    quiet = {treatment.name for treatment in QUIET}
    lines = []
    for key, paper in sorted(Shelf.load(RULES).papers.items()):
        limits = paper.checks["oversharpening"]
        assert isinstance(limits, OversharpeningLimits)
        calm = [row for row in rows if row.treatment in quiet]
        sharp = [row for row in rows if row.sharp and np.isfinite(row.score)]
        turned = sum(_rejected(row, limits) for row in calm)
        warned = sum(_warned(row, limits) for row in calm)
        caught = sum(_warned(row, limits) for row in sharp)
        low, high = wilson(turned, len(calm))
        lines.append(
            f"  {part}, {key}: untreated and noise up to 4/255 turned back {turned} of {len(calm)} "
            f"({low:.1%} to {high:.1%}), warned {warned}; 150 % and more warned or turned back {caught} of {len(sharp)}"
        )
    return lines


def _rejected(row: Row, limits: OversharpeningLimits) -> bool:
    return limits.reject_above is not None and row.score > limits.reject_above and row.share >= limits.share


def _warned(row: Row, limits: OversharpeningLimits) -> bool:
    return limits.warn_above is not None and row.score > limits.warn_above


def _monotone(pieces: Sequence[Photograph], focused: set[str]) -> list[str]:
    found = []
    for piece in pieces:
        if piece.name not in focused:
            continue
        for kind in sorted({t.kind for t in treatments.UNSHARP}):
            ladder = [treatments.BASE, *(t for t in treatments.UNSHARP if t.kind == kind and t.amount <= 3)]
            scores = [measure_halo(tone(t.apply(piece.codes, piece.name))).score_percent for t in ladder]
            if all(score is not None for score in scores):
                found.append(spearman(range(len(ladder)), [score or 0.0 for score in scores]))
    if not found:
        return []
    low, middle = np.percentile(found, [10, 50])
    return [
        f"score against amount, 0 to 300 %: Spearman median {middle:.2f}, 10th percentile {low:.2f}, n {len(found)}"
    ]
