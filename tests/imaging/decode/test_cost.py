"""The memory that reading a picture takes, as estimated from its header, against the peak of a real child."""

from __future__ import annotations

import io
import os
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import imagecodecs
import numpy as np
import pytest
import tifffile
from numpy.typing import NDArray
from PIL import Image

pytestmark = pytest.mark.slow

ROOT = Path(__file__).parents[3]
SIDE = int(os.environ.get("PRINTQUEUE_COST_SIDE", "2000"))  # pixels; the docstring of decode/cost.py was made with 4900
MARGIN_BYTES = 100_000_000


def _pixels(kind: type[np.generic], channels: int = 3) -> NDArray[Any]:
    """A ramp with one noisy corner: compresses about as a picture does, and is quick to make."""
    top = np.iinfo(kind).max  # type: ignore[type-var]
    ramp = np.linspace(0, top, SIDE).astype(kind)
    made = np.broadcast_to(ramp[:, None, None], (SIDE, SIDE, channels)).copy()
    half = SIDE // 2
    made[:half, :half] ^= np.random.default_rng(3).integers(0, top // 64, (half, half, channels), dtype=kind)
    return made


def _tiff(pixels: NDArray[Any], **options: Any) -> bytes:
    made = io.BytesIO()
    tifffile.imwrite(made, pixels, photometric="rgb", metadata=None, **options)
    return made.getvalue()


def _pillow(kind: str, **options: Any) -> bytes:
    made = io.BytesIO()
    Image.fromarray(_pixels(np.uint8)).save(made, kind, **options)
    return made.getvalue()


def _planar() -> bytes:
    planes = np.ascontiguousarray(np.moveaxis(_pixels(np.uint16), 2, 0))
    return _tiff(planes, planarconfig="separate", compression="zlib", rowsperstrip=SIDE)


def _turned() -> bytes:
    return _tiff(_pixels(np.uint16), compression="lzw", predictor=2, rowsperstrip=64, extratags=[(274, 3, 1, 6, True)])


MADE: dict[str, Callable[[], bytes]] = {
    "plain strips": lambda: _tiff(_pixels(np.uint16), rowsperstrip=64),
    "LZW strips, predictor": lambda: _tiff(_pixels(np.uint16), compression="lzw", predictor=2, rowsperstrip=64),
    "one Deflate strip, predictor": lambda: _tiff(_pixels(np.uint16), compression="zlib", predictor=2, rowsperstrip=SIDE),
    "one Deflate strip, big-endian, predictor": lambda: _tiff(
        _pixels(np.uint16), compression="zlib", predictor=2, rowsperstrip=SIDE, byteorder=">"
    ),
    "planes of one Deflate strip": _planar,
    "Zstandard tiles, alpha": lambda: _tiff(
        _pixels(np.uint16, 4), compression="zstd", tile=(256, 256), extrasamples=["unassalpha"]
    ),
    "one PackBits strip": lambda: _tiff(_pixels(np.uint8), compression="packbits", rowsperstrip=SIDE),
    "one JPEG strip": lambda: _tiff(_pixels(np.uint8), compression="jpeg", rowsperstrip=SIDE),
    "LZW, lying on its side": _turned,
    "JPEG, baseline": lambda: _pillow("JPEG", quality=95, subsampling=0),
    "JPEG, progressive": lambda: _pillow("JPEG", quality=95, subsampling=0, progressive=True),
    "PNG, 8 bits": lambda: _pillow("PNG", compress_level=1),
    "PNG, 16 bits with alpha": lambda: bytes(imagecodecs.png_encode(_pixels(np.uint16, 4), level=1)),
}  # fmt: skip


@pytest.fixture(scope="module")
def measure() -> Iterator[Callable[[str], tuple[int, int]]]:
    """Asks a clean process: a fork of one that has run other tests touches memory for the first time, up to 14 MB seen."""
    command = [sys.executable, "-m", "tests.imaging.decode.cost_probe"]
    with subprocess.Popen(command, cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as probe:
        assert probe.stdin is not None
        assert probe.stdout is not None
        ask, answer = probe.stdin, probe.stdout

        def measured(path: str) -> tuple[int, int]:
            print(path, file=ask, flush=True)
            held, estimate = answer.readline().split()
            return int(held), int(estimate)

        yield measured
        ask.close()


@pytest.mark.parametrize("kind", MADE)
def test_estimate_is_a_close_bound(kind: str, tmp_path: Path, measure: Callable[[str], tuple[int, int]]) -> None:
    """A child never holds more than estimated, and the estimate is at most three times what it held, and 100 MB."""
    path = tmp_path / "picture"
    path.write_bytes(MADE[kind]())
    held, estimate = measure(str(path))
    assert held <= estimate <= 3 * max(held, 0) + MARGIN_BYTES
