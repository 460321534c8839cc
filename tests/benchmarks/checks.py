"""Times what each check costs: one 50-megapixel 16-bit picture for A2, measured once for all checks.

    python -m tests.benchmarks.checks [--json] [--megapixels 50] [--size A2] [--paper smooth-rag]

Prints processor seconds of each look and of each measurement in it, one thread at a time (`time.process_time`), and
beside them a reference: the same picture read and averaged by numpy in this very session. Reading an uncompressed TIFF
is counted with the first pass; unpacking a compressed one is not a check's cost and is left out. Nothing in CI is timed.
"""

from __future__ import annotations

import argparse
import json
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

import cv2
import numpy as np

from printqueue.core import sizes
from printqueue.core.model.request import Request
from printqueue.imaging.colour.source_profile import choose
from printqueue.imaging.decode.opening import open_picture
from printqueue.imaging.decode.reader import Bounds
from printqueue.imaging.render.bands import PRINTED_ROWS
from printqueue.imaging.render.engine import renderer
from printqueue.imaging.render.plan import place
from printqueue.imaging.render.tone import tone_bands
from printqueue.judging.measures import banding, blocking, fine_detail, gamut, halo, softness, tone, vignette
from printqueue.judging.survey import native, printed, tones
from printqueue.judging.survey.first import first_pass
from printqueue.studio.papers.loader import Shelf
from tests.benchmarks.service_job import paint

ROOT = Path(__file__).parents[2]
T = TypeVar("T")


class Clock:
    """Processor seconds by name."""

    def __init__(self) -> None:
        self.seconds: dict[str, float] = {}

    def time(self, name: str, work: Callable[[], T]) -> T:
        """Run `work` once under `name`."""
        started = time.process_time()
        result = work()
        self.seconds[name] = round(time.process_time() - started, 3)
        return result


def main() -> None:
    """Paint, measure, print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--json", action="store_true")
    parser.add_argument("--megapixels", type=float, default=50.0)
    parser.add_argument("--size", default="A2")
    parser.add_argument("--paper", default="smooth-rag")
    options = parser.parse_args()
    cv2.setNumThreads(1)
    with tempfile.NamedTemporaryFile(suffix=".tif") as file:
        paint(file.name, options.megapixels, "none")
        seconds = measured(file.name, options.paper, options.size)
    seconds["all checks"] = round(sum(seconds[name] for name in ("first pass", "native", "tones", "printed")), 2)
    if options.json:
        print(json.dumps(seconds, indent=2))
    else:
        print("\n".join(f"{name:<28}{value:8.3f} s" for name, value in seconds.items()))


def measured(path: str, paper: str, size: str) -> dict[str, float]:
    """Seconds by look and measurement."""
    clock = Clock()
    with open(path, "rb") as stream:
        source = open_picture(stream, Bounds())
        facts = source.facts
        clock.time(
            "reference: read and average",
            lambda: [source.rows(y, min(y + 512, facts.height_px)).mean() for y in range(0, facts.height_px, 512)],
        )
        first = clock.time("first pass", lambda: first_pass(source))
        clock.time("native", lambda: native.native_readings(first, facts))
        clock.time("  banding", lambda: banding.measure_banding(first.tiles, (facts.width_px, facts.height_px)))
        clock.time("  compression", lambda: blocking.measure_blocking(first.tiles))
        clock.time("  softness", lambda: softness.measure_softness(first.tiles))
        rules = Shelf.load(ROOT / "printqueue/rules").papers[paper]
        ink = (ROOT / "printqueue/rules/profiles" / rules.profile).read_bytes()
        request = Request(paper, sizes.parse(size))
        profile = choose(facts, source.icc, None)
        assert profile.data is not None
        known = profile.facts
        assert known is not None
        clock.time("tones", lambda: tones.tone_readings(first.copy, profile, ink, request))
        views = clock.time("  conversions", lambda: tones._views(first.copy, profile, ink, request))
        light, proof = views.delivered[..., 0], views.proof[..., 0]
        clock.time("  brightness", lambda: tone.measure_tones(light))
        clock.time("  contrast", lambda: tone.measure_shadows(light, proof))
        clock.time(
            "  clipping", lambda: (tone.measure_bare_paper(views.device), tone.measure_solid(proof, views.black))
        )
        clock.time("  vignette", lambda: vignette.measure_vignette(light))
        clock.time(
            "  gamut", lambda: gamut.measure_gamut(views.delivered[::2, ::2].copy(), views.proof[::2, ::2].copy())
        )
        placed = place(request, facts.width_px, facts.height_px)
        drawn = renderer(source, profile.data, known, paper_profile=ink, request=request, placement=placed)
        clock.time("printed", lambda: printed.printed_readings(drawn, known))
        bands = tone_bands(drawn, known)
        plane = clock.time("  one band at print scale", lambda: bands.band(0, PRINTED_ROWS))
        clock.time("  oversharpening, one band", lambda: [halo.find_edges(plane, level=k) for k in halo.LEVELS])
        clock.time("  fine-detail, one band", lambda: fine_detail.octave_energy(np.ascontiguousarray(plane)))
    return clock.seconds


if __name__ == "__main__":
    main()
