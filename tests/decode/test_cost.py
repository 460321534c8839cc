"""The memory that reading a picture takes, as estimated from its header, against the peak of a real child."""

from __future__ import annotations

import io
import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import imagecodecs
import numpy as np
import pytest
import tifffile
from numpy.typing import NDArray
from PIL import Image

from printqueue.decode import Bounds, decoding_bytes, open_picture
from printqueue.model.picture import Source

SIDE = int(os.environ.get("PRINTQUEUE_COST_SIDE", "2000"))  # pixels; the docstring of decode/cost.py was made with 4900
ROWS = 128
# Of what a fork of a long-used process touches for the first time (code of libraries, arenas of its allocator): up to 2.8 MB
# seen; a need has 100 MB for that (`needs`).
NOISE_BYTES = 6_000_000
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


def read_all(source: Source) -> None:
    """Read every row in bands from two threads, and look at the alpha channel."""
    height = source.facts.height_px
    with ThreadPoolExecutor(2) as pool:
        for _ in pool.map(lambda top: source.rows(top, min(top + ROWS, height)).shape, range(0, height, ROWS)):
            pass
    source.transparent()


def measure(path: str) -> tuple[int, int]:
    """Return what a forked child needed to read the file, less its bands, and what was estimated (both in bytes)."""
    reading, writing = os.pipe()
    pid = os.fork()
    if pid == 0:  # a fresh process image would first have to load the libraries
        with open("/proc/self/clear_refs", "w") as peak:
            peak.write("5")  # VmHWM begins anew, proc_pid_clear_refs(5)
        before = _resident("VmHWM")
        with open(path, "rb") as handle:
            source = open_picture(handle, Bounds())
            estimate = decoding_bytes(source)
            read_all(source)
        facts = source.facts
        bands = 2 * ROWS * facts.width_px * 3 * facts.bits // 8
        os.write(writing, f"{_resident('VmHWM') - before - bands} {estimate}".encode())
        os._exit(0)
    os.close(writing)
    with os.fdopen(reading) as stream:
        found = stream.read().split()
    assert os.waitpid(pid, 0)[1] == 0
    return int(found[0]), int(found[1])


def _resident(name: str) -> int:
    with open("/proc/self/status") as status:
        return next(int(line.split()[1]) * 1024 for line in status if line.startswith(name))


@pytest.mark.parametrize("kind", MADE)
def test_estimate_is_a_close_bound(kind: str, tmp_path: Any) -> None:
    """A child never holds more than estimated, and the estimate is at most three times what it held, and 100 MB."""
    path = tmp_path / "picture"
    path.write_bytes(MADE[kind]())
    held, estimate = measure(str(path))
    assert held <= estimate + NOISE_BYTES
    assert estimate <= 3 * max(held, 0) + MARGIN_BYTES
