"""Tone: brightness, clipping and shadow separation under known exposures, and what untreated photographs are told.

Exposures from -2 to +1 stop are given as the order's lift, in linear light, so the numbers are those of the service. The
limits are the starter ones, common practice; none was fitted here. There is no ground truth for taste: shown is whether
the numbers follow the exposure, and how often each surface's limits would remark on a picture as it is.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import cache

import numpy as np
from numpy.typing import NDArray

from printqueue.core.model.finding import Level, Value
from printqueue.core.model.measures import Key, Measure
from printqueue.core.model.picture import PictureFacts
from printqueue.core.model.request import Request
from printqueue.core.model.subject import Subject
from printqueue.core.units import Size
from printqueue.imaging.colour import spaces
from printqueue.imaging.colour.source_profile import choose
from printqueue.judging.checks import REGISTRY
from printqueue.judging.survey.tones import tone_readings
from tests.calibration.pictures import Photograph
from tests.calibration.statistics import by_picture, roc_area, wilson
from tests.calibration.whole import PAPERS, job

STOPS = (-2.0, -1.0, -0.5, 0.0, 0.5, 1.0)
CHECKS = ("brightness", "clipping", "contrast")
_ASKED = STOPS.index(0.0)
_SIZE = Size("", 200, 150)
_ROUNDING = 0.05  # numbers are rounded to two or three digits
# name, and whether it must rise (1) or fall (-1) with exposure
_FOLLOW = (
    (Measure.TONE_MEDIAN_L, 1),
    (Measure.TONE_P99_5_L, 1),
    (Measure.TONE_BARE_EDGE_PERCENT, 1),
    (Measure.TONE_SOLID_PERCENT, -1),
)

Numbers = Mapping[Key, Value]


def report(pieces: Sequence[Photograph]) -> str:
    """The tables, tuned and held-out parts apart."""
    parts = [("tuned", [p for p in pieces if not p.held_out]), ("held-out", [p for p in pieces if p.held_out])]
    return "\n\n".join(_part(name, some) for name, some in parts if some)


def _part(name: str, pieces: Sequence[Photograph]) -> str:
    pictures = [piece.picture for piece in pieces]
    lines = [
        f"{name}: {len(pieces)} pieces of {len(set(pictures))} photographs; exposures {', '.join(f'{s:+g}' for s in STOPS)} stop"
    ]
    for key in PAPERS:
        ladders = [[numbers(piece, key, stops) for stops in STOPS] for piece in pieces]
        lines.append(f" {key}")
        lines += [_follows(ladders, number, sign) for number, sign in _FOLLOW]
        lines.append(_darkness(ladders, pictures))
        lines += [line for check in CHECKS for line in _remarks(check, key, ladders)]
    return "\n".join(lines)


def numbers(piece: Photograph, key: str, stops: float) -> Numbers:
    """The tone measurements of the piece on that paper, with that lift."""
    codes = piece.codes[::2, ::2].astype(np.uint16) * np.uint16(257)
    kept = job(key, _SIZE)
    profile = choose(_facts(codes.shape[1], codes.shape[0]), spaces.profile_bytes("srgb"), None)
    request = Request(key, _SIZE, lift_stops=stops)
    return tone_readings(codes, profile, kept.paper_profile, request).numbers


@cache
def _facts(width: int, height: int) -> PictureFacts:
    return PictureFacts("TIFF", width, height, 16, "rgb")


def _values(ladders: Sequence[Sequence[Numbers]], name: Measure) -> NDArray[np.float64]:
    return np.array([[_float(row.get(name)) for row in ladder] for ladder in ladders])


def _float(value: Value) -> float:
    return float(value) if isinstance(value, int | float) else float("nan")


def _follows(ladders: Sequence[Sequence[Numbers]], name: Measure, sign: int) -> str:
    values = _values(ladders, name)
    steps = sign * np.diff(values, axis=1)
    never = int((steps >= -_ROUNDING).all(axis=1).sum())
    direction = "falls" if sign > 0 else "rises"
    worst = max(0.0, -float(np.nanmin(steps)))
    return (
        f"   {name} never {direction} with exposure: {never} of {len(values)} (largest step the wrong way {worst:.2f})"
    )


def _darkness(ladders: Sequence[Sequence[Numbers]], pictures: Sequence[str]) -> str:
    median = _values(ladders, Measure.TONE_MEDIAN_L)
    words = []
    for stops in (-1.0, -2.0):
        dark, plain = median[:, STOPS.index(stops)], median[:, _ASKED]

        def area(rows: NDArray[np.intp], dark: NDArray[np.float64] = dark, plain: NDArray[np.float64] = plain) -> float:
            return roc_area(-dark[rows], -plain[rows])

        low, high = by_picture(area, pictures)
        words.append(f"{stops:+g} stop {area(np.arange(len(dark))):.2f} ({low:.2f} to {high:.2f})")
    return f"   darker picture told from the untreated one by median L* alone, ROC area: {', '.join(words)}"


def _remarks(check: str, key: str, ladders: Sequence[Sequence[Numbers]]) -> list[str]:
    limits = PAPERS[key].checks.get(check)
    if limits is None:
        return [f"   {check}: no limits ship"]
    facts = job(key, _SIZE).paper
    levels = []
    for column, stops in enumerate(STOPS):
        request = Request(key, _SIZE, lift_stops=stops)
        subjects = [Subject(_facts(1, 1), facts, request, None, ladder[column]) for ladder in ladders]
        levels.append([REGISTRY[check].judge(subject, limits).level for subject in subjects])
    warned = [sum(level.weight >= Level.WARN.weight for level in row) for row in levels]
    noted = [sum(level is Level.NOTE for level in row) for row in levels]
    low, high = wilson(warned[_ASKED] + noted[_ASKED], len(ladders))
    each = ", ".join(f"{s:+g}: {w} + {n}" for s, w, n in zip(STOPS, warned, noted, strict=True))
    return [
        f"   {check}: warned + noted of {len(ladders)}: {each}; untreated remarked on {100 * low:.0f} to {100 * high:.0f} %"
    ]
