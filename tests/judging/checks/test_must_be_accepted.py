"""What a colleague must never turn back: six kinds of honest picture, as files, through the real judgement on every paper.

Small pictures, printed at 360 pixels per inch, so that resolution is no question. The demonstration does the same
with its own large pictures; here each is the bare case.
"""

from __future__ import annotations

import io
import os
import tempfile
from collections.abc import Callable, Mapping
from dataclasses import replace
from functools import cache
from pathlib import Path

import cv2
import numpy as np
import pytest
import tifffile
from numpy.typing import NDArray
from PIL import Image
from skimage import data

import printqueue
from printqueue.core.model.finding import Finding, Level, Verdict, verdict
from printqueue.core.model.request import Request
from printqueue.core.units import MM_PER_INCH, Size
from printqueue.imaging.colour import spaces
from printqueue.imaging.decode.reader import Bounds
from printqueue.imaging.jobs import PrintJob
from printqueue.sandbox.protocol import ANSWER, JudgeTask
from printqueue.sandbox.tasks import TASKS
from printqueue.studio.papers.loader import Shelf
from printqueue.studio.stock import WhiteAndBlack, take

# The task leaves its stream to the end of the child that it is made for; here there is no child.
pytestmark = [
    pytest.mark.slow,
    pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning"),
]

RULES = Path(printqueue.__file__).parent / "rules"
PAPERS = Shelf.load(RULES).papers
PPI = 360
Codes = NDArray[np.uint16]
Unit = NDArray[np.float64]


def tiff(picture: Unit) -> bytes:
    """A 16-bit TIFF in sRGB of (H, W, 3), 0..1 encoded."""
    stream = io.BytesIO()
    codes = (picture.clip(0, 1) * 65535).astype(np.uint16)
    tifffile.imwrite(stream, codes, photometric="rgb", iccprofile=spaces.profile_bytes("srgb"))
    return stream.getvalue()


def noise(shape: tuple[int, ...], sigma: float, size: float = 0.0) -> Unit:
    """Gaussian noise, correlated over `size` px."""
    drawn: Unit = np.random.default_rng(4).normal(0, 1, shape)
    if size:
        drawn = np.asarray(cv2.GaussianBlur(drawn, (0, 0), size), np.float64)
    return np.asarray(sigma * drawn / drawn.std(), np.float64)


def sheet(height: int, width: int) -> tuple[Unit, Unit]:
    """y and x of every pixel, 0..1."""
    y, x = np.mgrid[0 : 1 : height * 1j, 0 : 1 : width * 1j]
    return y, x


def fog() -> bytes:
    """Bright, soft, without one edge."""
    y, x = sheet(600, 900)
    tone = 0.78 + 0.1 * y + 0.02 * np.sin(7 * x + 3 * y)
    return tiff(tone[..., None] * [0.99, 1.0, 1.0] + noise((600, 900, 3), 0.002))


def lit_windows() -> bytes:
    """Low key: a black hill with a mill in it, its windows lit."""
    y, x = sheet(600, 900)
    tone = np.where(y > 0.45 + 0.1 * np.sin(6 * x), 0.06, 0.16 - 0.1 * y)
    tone = cv2.GaussianBlur(tone, (0, 0), 1.0)
    for left in (300, 360, 430, 520):
        tone[330:366, left : left + 24] = 0.97
    tone = cv2.GaussianBlur(tone, (0, 0), 0.8)
    return tiff(tone[..., None] * [1.0, 0.93, 0.8] + noise((600, 900, 3), 0.002))


def photograph(name: str) -> Unit:
    """A photograph that scikit-image carries, 0..1, RGB."""
    codes: NDArray[np.uint8] = getattr(data, name)()
    rgb = codes if codes.ndim == 3 else np.repeat(codes[..., None], 3, axis=-1)
    return np.asarray(rgb / 255.0, np.float64)


def film_scan() -> bytes:
    """Grain of 6 of 255, as large as two pixels, over a photograph; the film's base keeps its blacks off the bottom."""
    picture = 0.15 + 0.8 * photograph("camera")
    return tiff(cv2.GaussianBlur(picture, (0, 0), 0.8) + noise((512, 512), 6 / 255, 0.9)[..., None])


def panorama() -> bytes:
    """Three and a half to one."""
    y, x = sheet(320, 1120)
    tone = 0.75 - 0.5 * y + 0.05 * np.sin(30 * x + 9 * y) * y
    return tiff(tone[..., None] * [1.0, 0.97, 0.93] + noise((320, 1120, 3), 0.004))


def toned() -> bytes:
    """A black-and-white picture with a warm tone, in 16 bit: made of a photograph's means, so really 16 bit."""
    grey = cv2.GaussianBlur(photograph("astronaut").mean(axis=-1), (0, 0), 0.6)[..., None]
    return tiff(0.02 + 0.95 * grey ** np.array([0.96, 1.0, 1.06]) + noise((512, 512, 1), 0.001))


def archive() -> bytes:
    """An 8-bit JPEG, quality 92, with its profile."""
    stream = io.BytesIO()
    picture = photograph("coffee")
    quiet = 0.5 * picture + 0.5 * picture.mean(axis=-1, keepdims=True)  # reds and blacks that every paper holds
    codes = np.rint((0.12 + 0.85 * quiet) * 255).astype(np.uint8)
    Image.fromarray(codes).save(stream, "JPEG", quality=92, subsampling=0, icc_profile=spaces.profile_bytes("srgb"))
    return stream.getvalue()


CASES: Mapping[str, Callable[[], bytes]] = {
    "fog": fog,
    "lit windows": lit_windows,
    "film scan": film_scan,
    "panorama": panorama,
    "toned": toned,
    "archive": archive,
}


@cache
def findings(case: str) -> Mapping[str, Mapping[str, Finding]]:
    """By paper and check: what the child that judges answers, all papers at once."""
    content = CASES[case]()
    with Image.open(io.BytesIO(content)) as image:
        width, height = image.size
    size = Size("", width / PPI * MM_PER_INCH, height / PPI * MM_PER_INCH)
    jobs = tuple(job(key, size) for key in PAPERS)
    with tempfile.TemporaryFile() as file:
        file.write(content)
        file.flush()
        os.lseek(file.fileno(), 0, os.SEEK_SET)
        order = JudgeTask(jobs, Bounds(pixels=10**7, samples_bytes=10**8))
        report = ANSWER.validate_json(TASKS["judge"](order, [file.fileno()])).report
    assert report is not None
    return {key: {f.check: f for f in one.findings} for key, one in zip(PAPERS, report.prints, strict=True)}


def job(key: str, size: Size) -> PrintJob:
    """One print on a shipped paper, as if its profile were a real one."""
    paper = PAPERS[key]
    kept = take(str(RULES / "profiles"), paper, lambda _: WhiteAndBlack((96, 0, 0), (10, 0, 0)))
    facts = replace(kept.facts, profile_is_demonstration=False)
    request = Request(key, Size("A4", 210, 297), picture=size, ppi=PPI)
    return PrintJob(request, facts, paper.checks, kept.profile)


@pytest.mark.parametrize("case", CASES)
@pytest.mark.parametrize("paper", PAPERS)
def test_accepted_without_a_warning(case: str, paper: str) -> None:
    """Made on every paper, and nothing worse than a note is said; also where warnings turn back (an exhibition paper)."""
    found = findings(case)[paper]
    worse = {name: finding.says for name, finding in found.items() if finding.level.weight > Level.NOTE.weight}
    assert worse == {}
    assert verdict(found.values(), Level.WARN) is Verdict.ACCEPTED


UNREMARKED = [
    ("fog", ("brightness", "clipping", "banding", "softness", "bit-depth", "gamut", "compression")),
    ("lit windows", ("oversharpening", "banding", "gamut", "compression")),
    ("film scan", ("oversharpening", "bit-depth", "gamut", "compression", "banding")),
    ("panorama", ("size", "layers", "profile", "bit-depth", "gamut")),
    ("toned", ("profile", "gamut", "bit-depth")),
    ("archive", ("profile", "layers", "size", "whole")),
]


@pytest.mark.parametrize(("case", "checks"), UNREMARKED, ids=[case for case, _ in UNREMARKED])
@pytest.mark.parametrize("paper", PAPERS)
def test_what_passes_unremarked(case: str, checks: tuple[str, ...], paper: str) -> None:
    """Not even a note where the picture's kind could have been mistaken for a fault."""
    found = findings(case)[paper]
    remarks = {name: found[name].says for name in checks if name in found and found[name].level is not Level.PASS}
    assert remarks == {}


def test_what_is_said() -> None:
    """Notes that belong there: fog's sharpening cannot be measured; low key is dark but lit; the archive has 8 bits."""
    assert findings("fog")["smooth-rag"]["oversharpening"].level is Level.NOTE
    assert findings("fog")["smooth-rag"]["oversharpening"].measured is None
    assert findings("lit windows")["smooth-rag"]["brightness"].level is Level.NOTE
    assert findings("archive")["smooth-rag"]["bit-depth"].level is Level.NOTE


def test_lit_windows_are_not_combed() -> None:
    """Sixteen bits with little between the dark and the lights are no histogram full of gaps."""
    assert findings("lit windows")["smooth-rag"]["bit-depth"].level is Level.PASS
