"""Colour on paper: how much of open photographs each paper cannot show, and how shadows and lights come out.

There is no ground truth for taste, so what is shown is whether the measures follow what is done to a picture (more
saturation, less exposure, noise), how toned black-and-white fares, and how many untreated photographs each shipped
limit would remark on. No limit was fitted to the held-out part.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

import printqueue
from printqueue.core.model.finding import Level, Value
from printqueue.core.model.measures import GAMUT_OVER, Key, Measure
from printqueue.core.model.paper import Intent, PaperFacts
from printqueue.core.model.picture import PictureFacts
from printqueue.core.model.request import Request
from printqueue.core.model.subject import Subject
from printqueue.imaging.colour import manager, spaces
from printqueue.imaging.colour.curves import channel_curves
from printqueue.imaging.colour.icc import read_profile
from printqueue.imaging.render.light import light_of
from printqueue.judging.checks import REGISTRY
from printqueue.judging.measures.gamut import Gamut, measure_gamut
from printqueue.judging.measures.tone import measure_shadows, measure_tones
from printqueue.studio.papers.loader import Shelf
from tests.calibration.pictures import Photograph
from tests.calibration.statistics import wilson
from tests.imaging.colour.looking import soft_proof

Codes = NDArray[np.uint16]
Lab = NDArray[np.float32]
SRGB = spaces.profile_bytes("srgb")
RULES = Path(printqueue.__file__).parent / "rules"
LADDER = tuple(GAMUT_OVER)
SATURATIONS = (0.5, 1.0, 1.3, 1.7)  # of the distance from the grey of the same luma, clipped
TONES = {"brown": (1.0, 0.916, 0.784), "warm": (1.0, 0.952, 0.988), "blue": (0.76, 0.88, 1.0)}
STOPS = (0.0, -1.0, -2.0)
NOISE = (0.0, 2.0, 4.0)
RUNGS_SHOWN = (3, 6, 8, 10)
_LUMA = np.array([0.2126, 0.7152, 0.0722], np.float32)


def report(pieces: Sequence[Photograph]) -> str:
    """The tables, tuned and held-out parts apart."""
    parts = [("tuned", [p for p in pieces if not p.held_out]), ("held-out", [p for p in pieces if p.held_out])]
    return "\n\n".join(_part(name, some) for name, some in parts if some)


def _part(name: str, pieces: Sequence[Photograph]) -> str:
    coloured = [piece for piece in pieces if not _is_grey(piece)]
    lines = [
        f"{name}: {len(pieces)} pieces of {len({p.picture for p in pieces})} photographs, {len(coloured)} in colour"
    ]
    for key in Shelf.load(RULES).papers:
        data = (RULES / "profiles" / f"{key}.icc").read_bytes()
        lines.append(key)
        lines += _colours(coloured, data)
        lines += _toned(pieces, data)
        lines += _shadows(pieces, data)
        lines += _remarks(pieces, key, data)
    return "\n".join(lines)


def _is_grey(piece: Photograph) -> bool:
    return bool((piece.codes.max(axis=2) - piece.codes.min(axis=2)).mean() < 1)


def _sixteen_bit(codes: NDArray[np.floating]) -> Codes:
    return np.asarray(np.rint(np.clip(codes, 0, 255) * 257), np.uint16)


def _both(codes: Codes, paper: bytes) -> tuple[Lab, Lab]:
    proof = soft_proof(codes, SRGB, paper, intent=Intent.RELATIVE, black_point_compensation=True)
    return manager.to_lab(codes, SRGB), proof


def saturated(codes: NDArray[np.float32], factor: float) -> NDArray[np.float32]:
    """Codes with their distance from grey multiplied."""
    grey = (codes @ _LUMA)[..., None]
    return np.asarray(grey + (codes - grey) * np.float32(factor), np.float32)


def toned(codes: NDArray[np.float32], gains: tuple[float, float, float]) -> NDArray[np.float32]:
    """Black-and-white, toned by a curve in each channel."""
    grey = codes @ _LUMA / 255
    return np.stack([255 * grey ** (2 - gain) for gain in gains], axis=-1)


def _gamut(piece: Photograph, paper: bytes, change: Callable[[NDArray[np.float32]], NDArray[np.float32]]) -> Gamut:
    return measure_gamut(*_both(_sixteen_bit(change(piece.codes[::2, ::2])), paper))


def _colours(pieces: Sequence[Photograph], paper: bytes) -> list[str]:
    found = np.array(
        [[_gamut(p, paper, partial(saturated, factor=f)).over_percent for f in SATURATIONS] for p in pieces]
    )
    rises = np.asarray((np.diff(found[:, :, LADDER.index(3)], axis=1) >= -0.1).all(axis=1))
    plain = found[:, SATURATIONS.index(1.0)]
    shares = "; ".join(
        f"over {rung} median {np.median(plain[:, LADDER.index(rung)]):.1f}, "
        f"90 % {np.percentile(plain[:, LADDER.index(rung)], 90):.0f}, most {plain[:, LADDER.index(rung)].max():.0f}"
        for rung in RUNGS_SHOWN
    )
    return [
        f"  colours, % of area as delivered: {shares}",
        f"  share over 3 never falls with saturation ({', '.join(map(str, SATURATIONS))}): {int(rises.sum())} of {len(rises)}",
    ]


def _toned(pieces: Sequence[Photograph], paper: bytes) -> list[str]:
    over = LADDER.index(6)
    words = []
    for name, gains in TONES.items():
        most = max(_gamut(piece, paper, partial(toned, gains=gains)).over_percent[over] for piece in pieces)
        words.append(f"{name} {most:.2f}")
    return [f"  toned black-and-white, most of all pieces over 6: {', '.join(words)} %"]


def _shadows(pieces: Sequence[Photograph], paper: bytes) -> list[str]:
    rng = np.random.default_rng(31)
    curves = channel_curves(SRGB, read_profile(SRGB))
    lost = np.zeros((len(pieces), len(STOPS), len(NOISE)))
    for row, piece in enumerate(pieces):
        for column, stops in enumerate(STOPS):
            light = light_of(curves, lift_stops=stops, linear=False)
            darker = light.codes(light.planes(_sixteen_bit(piece.codes))).astype(np.float32)
            for depth, sigma in enumerate(NOISE):
                noisy = np.clip(darker + rng.normal(0, sigma * 257, darker.shape), 0, 65535).astype(np.uint16)
                delivered, proof = _both(noisy, paper)
                lost[row, column, depth] = measure_shadows(
                    np.ascontiguousarray(delivered[..., 0]), np.ascontiguousarray(proof[..., 0])
                ).lost_percent
    clean = lost[:, :, 0]
    moved = np.abs(lost[:, :, 1:] - lost[:, :, :1])
    return [
        "  shadow detail lost, % of area: "
        + "; ".join(
            f"{stops:+g} stop median {np.median(clean[:, i]):.1f}, most {clean[:, i].max():.0f}"
            for i, stops in enumerate(STOPS)
        ),
        "  moved by noise, points: "
        + "; ".join(
            f"σ {sigma:g} of 255 median {np.median(moved[:, :, i]):.1f}, 90 % {np.percentile(moved[:, :, i], 90):.1f}, "
            f"most {moved[:, :, i].max():.0f}"
            for i, sigma in enumerate(NOISE[1:])
        ),
    ]


def _remarks(pieces: Sequence[Photograph], key: str, data: bytes) -> list[str]:
    """How many untreated pieces the shipped limits of gamut, contrast and brightness would remark on."""
    paper = Shelf.load(RULES).papers[key]
    assert paper.tone.white is not None
    assert paper.tone.black is not None
    facts = PaperFacts(
        key, paper.paper, paper.surface, paper.tone.white, paper.tone.black, (), "", profile_is_demonstration=False
    )
    lines = []
    subjects = [_subject(piece, key, facts, data) for piece in pieces]
    for check in ("gamut", "contrast", "brightness"):
        limits = paper.checks.get(check)
        if limits is None:
            lines.append(f"  {check}: no limits ship")
            continue
        levels = [REGISTRY[check].judge(subject, limits).level for subject in subjects]
        remarked = sum(level is not Level.PASS for level in levels)
        low, high = (100 * share for share in wilson(remarked, len(levels)))
        warned = sum(level.weight >= Level.WARN.weight for level in levels)
        lines.append(
            f"  {check}: {remarked} of {len(levels)} untreated pieces remarked on ({low:.0f} to {high:.0f} %), {warned} warned"
        )
    return lines


def _subject(piece: Photograph, key: str, facts: PaperFacts, data: bytes) -> Subject:
    codes = _sixteen_bit(piece.codes)
    delivered, proof = _both(codes, data)
    gamut = measure_gamut(delivered[::2, ::2], proof[::2, ::2])
    tones = measure_tones(np.ascontiguousarray(delivered[..., 0]))
    shadows = measure_shadows(np.ascontiguousarray(delivered[..., 0]), np.ascontiguousarray(proof[..., 0]))
    numbers: dict[Key, Value] = {
        **dict(zip(GAMUT_OVER.values(), gamut.over_percent, strict=True)),
        Measure.TONE_MEDIAN_L: tones.median,
        Measure.TONE_P99_5_L: tones.p99_5,
        Measure.TONE_SHADOW_LOST_PERCENT: shadows.lost_percent,
    }
    size = Shelf.load(RULES).papers[key].usual_size
    picture = PictureFacts("TIFF", codes.shape[1], codes.shape[0], 16, "rgb")
    return Subject(picture, facts, Request(key, size), None, numbers)
