"""What must be the same on every processor: hashes of prints' pixels, and what the checks measure, as JSON.

    python -m tests.processors.pixels [--measure]        > tests/references/pixel_hashes.json (without --measure)

One process, no paths of this machine, nothing but the product's own libraries, so that it also runs on another
architecture. `delivered` comes before the colour engine, `print` after it; of the two, only the second can change with another
version of the engine. The photographs are the example studio's and, for measuring, those that scikit-image carries.
"""

from __future__ import annotations

import hashlib
import io
import json
import os
import sys
import tempfile
from collections.abc import Callable
from dataclasses import replace
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import numpy as np

from printqueue.core.model.paper import Intent
from printqueue.core.model.request import Request, Sharpening
from printqueue.core.units import Size
from printqueue.imaging.colour import spaces
from printqueue.imaging.colour.icc import read_profile
from printqueue.imaging.colour.manager import ENGINE
from printqueue.imaging.decode.opening import open_picture
from printqueue.imaging.decode.reader import Bounds
from printqueue.imaging.lettering import lettering
from printqueue.imaging.render.engine import Renderer, renderer
from printqueue.imaging.render.marks import text_mark
from printqueue.imaging.render.plan import place
from printqueue.imaging.render.sheet import Sheet, sheet_of
from printqueue.studio.papers.loader import Shelf
from printqueue.studio.stock import WhiteAndBlack, take
from tests.imaging.render.support import PROFILES, Codes, grey_gamma, job, seeded

ROOT = Path(__file__).parents[2]
PHOTOGRAPHS = ROOT / "examples/studio/ready/postcard"
CASES: dict[str, Callable[[], Sheet]] = {}


def _paper(name: str) -> bytes:
    return (PROFILES / f"{name}.icc").read_bytes()


def _space(name: str) -> bytes:
    return spaces.profile_bytes(name)


def _case(name: str) -> Callable[[Callable[[], Sheet]], Callable[[], Sheet]]:
    def keep(make: Callable[[], Sheet]) -> Callable[[], Sheet]:
        CASES[name] = make
        return make

    return keep


def _smooth(height: int, width: int) -> Codes:
    """Slopes and waves of whole numbers: what a lens leaves, with no function of a library in it."""
    y, x = np.indices((height, width))
    waves = [(x * (7 + i) + y * (5 - i)) % 4096 * 8 + (x * y * (i + 1)) % 977 for i in range(3)]
    return np.stack(waves, axis=-1).astype(np.uint16)


@_case("noise, shrunk to 0.37, Adobe RGB, + 1/3 stop, smooth rag")
def _shrunk() -> Sheet:
    return sheet_of(job(seeded(611, 503), _space("adobe-rgb"), _paper("smooth-rag"), scale=0.37, lift_stops=1 / 3))


@_case("waves, enlarged to 2.3, sRGB, - 1/2 stop, kozo, perceptual")
def _enlarged() -> Sheet:
    drawn = job(_smooth(217, 331), _space("srgb"), _paper("kozo"), scale=2.3, lift_stops=-0.5, intent=Intent.PERCEPTUAL)
    return sheet_of(drawn)


@_case("waves, hardly shrunk, ROMM RGB, sharpened, baryta")
def _sharpened() -> Sheet:
    return sheet_of(job(_smooth(409, 397), _space("romm"), _paper("baryta"), scale=0.97, sharpen=Sharpening(0.6, 70.0)))


@_case("grey, gamma 2.2, shrunk to 0.5, textured rag")
def _grey() -> Sheet:
    return sheet_of(job(_smooth(450, 334)[..., :1], grey_gamma(2.2), _paper("textured-rag"), scale=0.5))


@_case("same size, a printer's tables as source, turned, with letters")
def _turned() -> Sheet:
    drawn = job(seeded(301, 257), _paper("kozo"), _paper("smooth-rag"), lift_stops=0.25)
    mark = text_mark(lettering("Reeds, low tide 1847", 16.0), 20, 20, (20000, 21000, 22000))
    return replace(sheet_of(drawn, (mark,)), turned=True)


def _photograph(name: str) -> Callable[[], Sheet]:
    def make() -> Sheet:
        source = open_picture(io.BytesIO((PHOTOGRAPHS / name).read_bytes()), Bounds())
        assert source.icc
        request = Request("test", Size("", 110.0, 90.0), ppi=300)
        placement = place(request, source.facts.width_px, source.facts.height_px)
        facts = read_profile(source.icc)
        return sheet_of(
            renderer(
                source, source.icc, facts, paper_profile=_paper("smooth-rag"), request=request, placement=placement
            )
        )

    return make


for _name in ("Lit windows.jpg", "Reeds.jpg"):
    CASES[f"photograph, {_name}"] = _photograph(_name)


def hashes(make: Callable[[], Sheet]) -> dict[str, str]:
    """SHA-256 of the delivered and of the sheet's samples, little-endian, row by row."""
    sheet = make()
    picture = sheet.cells[0].picture
    with tempfile.TemporaryFile() as scratch:
        bands = [band.astype("<u2").tobytes() for band in sheet.file_bands(lambda band: band, scratch)]
    return {"delivered": _sha256([_delivered(picture)]), "print": _sha256(bands)}


def _delivered(picture: Renderer) -> bytes:
    return picture.delivered_band(0, picture.placement.picture_px[1]).astype("<u2").tobytes()


def _sha256(parts: list[bytes]) -> str:
    return hashlib.sha256(b"".join(parts)).hexdigest()


def measured(path: Path) -> dict[str, dict[str, Any]]:
    """By paper: all numbers behind the checks, and what is said of them, as the child that judges answers it."""
    from printqueue.imaging.jobs import PrintJob
    from printqueue.sandbox.protocol import ANSWER, JudgeTask
    from printqueue.sandbox.tasks import TASKS

    shelf = Shelf.load(str(ROOT / "printqueue/rules")).papers
    papers = {key: shelf[key] for key in ("baryta", "kozo")}
    kept = [take(str(PROFILES), paper, lambda _: WhiteAndBlack((96, 0, 0), (10, 0, 0))) for paper in papers.values()]
    request = Request("test", Size("A5", 148.0, 210.0), ppi=300, assume_profile="srgb")
    jobs = tuple(PrintJob(request, one.facts, one.paper.checks, one.profile) for one in kept)
    with path.open("rb") as file:
        answer = ANSWER.validate_json(TASKS["judge"](JudgeTask(jobs, Bounds()), [file.fileno()]))
    assert answer.report is not None, answer.failure
    return {
        key: {"numbers": one.measurements, "says": {f.check: [f.level, f.says, f.do] for f in one.findings}}
        for key, one in zip(papers, answer.report.prints, strict=True)
    }


def photographs() -> list[Path]:
    """Files to measure."""
    found = [PHOTOGRAPHS / "Lit windows.jpg"]
    if spec := find_spec("skimage"):
        data = Path(str(spec.origin)).parent / "data"
        found += [data / name for name in ("rocket.jpg", "chelsea.png")]
    return found


def main() -> None:
    """Print everything as one JSON object."""
    found: dict[str, Any] = {"engine": ENGINE, "pixels": {name: hashes(make) for name, make in CASES.items()}}
    if "--measure" in sys.argv:
        found["measured"] = {path.name: measured(path) for path in photographs()}
    json.dump(found, sys.stdout, indent=2, ensure_ascii=False)
    print()
    sys.stdout.flush()
    os._exit(0)  # nothing to tidy


if __name__ == "__main__":
    main()
