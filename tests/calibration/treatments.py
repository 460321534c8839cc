"""What is done to photographs, in known amounts: sharpening, noise, enlargement, compression.

All work on (H, W, 3) float32 codes 0..255 and give whole 8-bit codes again, as an editor's export would.
Seeds come from the picture's name, so that every run sees the same noise.
"""

from __future__ import annotations

import io
import zlib
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

Codes = NDArray[np.float32]
Treat = Callable[[Codes, str], Codes]

KERNELS = {
    "bilinear": Image.Resampling.BILINEAR,
    "bicubic": Image.Resampling.BICUBIC,
    "lanczos": Image.Resampling.LANCZOS,
}


@dataclass(frozen=True, slots=True)
class Treatment:
    """`kind` groups treatments; `amount` orders those of one kind and one radius."""

    name: str
    kind: str
    amount: float
    apply: Treat


def eight_bit(codes: NDArray[Any]) -> Codes:
    """Rounded and clipped to whole codes 0..255."""
    return np.asarray(np.clip(np.rint(codes), 0, 255), np.float32)


def unsharp(codes: Codes, _: str = "", *, amount: float, sigma: float) -> Codes:
    """Unsharp mask on encoded values: codes + amount × (codes − blurred); `sigma` in px, amount 1 = 100 %."""
    return eight_bit(codes + amount * (codes - cv2.GaussianBlur(codes, (0, 0), sigma)))


def deconvolved(codes: Codes, _: str = "", *, rounds: int, sigma: float = 1.0) -> Codes:
    """Richardson-Lucy with a Gaussian of `sigma` px (Richardson 1972, Lucy 1974)."""
    seen = codes / 255 + 1e-3
    guess = seen.copy()
    for _round in range(rounds):
        ratio = seen / np.maximum(cv2.GaussianBlur(guess, (0, 0), sigma), 1e-4)
        guess = guess * cv2.GaussianBlur(ratio, (0, 0), sigma)
    return eight_bit(255 * (guess - 1e-3))


def blurred(codes: Codes, _: str = "", *, sigma: float) -> Codes:
    """A Gaussian of `sigma` px."""
    return eight_bit(cv2.GaussianBlur(codes, (0, 0), sigma))


def noisy(codes: Codes, name: str, *, sigma: float) -> Codes:
    """White Gaussian noise of `sigma` codes, in each channel its own."""
    return eight_bit(codes + _random(name, "noise").normal(0, sigma, codes.shape).astype(np.float32))


def grainy(codes: Codes, name: str, *, sigma: float, size: float = 1.0) -> Codes:
    """Correlated grain of `sigma` codes, the same in all channels, as of film: noise blurred by `size` px."""
    grain = cv2.GaussianBlur(_random(name, "grain").normal(0, 1, codes.shape[:2]).astype(np.float32), (0, 0), size)
    return eight_bit(codes + sigma * (grain / grain.std())[..., None])


def resized(codes: Codes, _: str = "", *, factor: float, kernel: str = "bicubic") -> Codes:
    """Enlarged or reduced (then area-averaged where `kernel` is "box") by Pillow."""
    height, width = (max(1, round(n * factor)) for n in codes.shape[:2])
    kind = Image.Resampling.BOX if kernel == "box" else KERNELS[kernel]
    return np.asarray(_image(codes).resize((width, height), kind)).astype(np.float32)


def jpeg(codes: Codes, _: str = "", *, quality: int, full_colour: bool = False) -> Codes:
    """Through JPEG and back (Pillow, libjpeg's quality scale; 4:2:0 unless `full_colour`)."""
    memory = io.BytesIO()
    _image(codes).save(memory, "JPEG", quality=quality, subsampling=0 if full_colour else 2)
    return np.asarray(Image.open(memory).convert("RGB")).astype(np.float32)


def after(*steps: Treat) -> Treat:
    """Several treatments, one after the other."""

    def run(codes: Codes, name: str) -> Codes:
        for step in steps:
            codes = step(codes, name)
        return codes

    return run


def _image(codes: Codes) -> Image.Image:
    return Image.fromarray(codes.astype(np.uint8))


def _random(name: str, purpose: str) -> np.random.Generator:
    return np.random.default_rng(zlib.crc32(f"{name}/{purpose}".encode()))


def untouched(codes: Codes, _: str = "") -> Codes:
    """As it is."""
    return codes


BASE = Treatment("untreated", "base", 0, untouched)
AMOUNTS, SIGMAS = (0.5, 1.0, 1.5, 2.0, 3.0, 5.0), (0.5, 1.0, 2.0, 3.0)
UNSHARP = tuple(
    Treatment(f"unsharp {100 * a:.0f} % r{s:g}", f"unsharp r{s:g}", a, partial(unsharp, amount=a, sigma=s))
    for s in SIGMAS
    for a in AMOUNTS
)
DECONVOLVED = tuple(Treatment(f"deconvolved {n}", "deconvolved", n, partial(deconvolved, rounds=n)) for n in (5, 20))
BLURRED = tuple(Treatment(f"blurred {s:g}", "blurred", s, partial(blurred, sigma=s)) for s in (0.8, 1.5, 2.5))
NOISY = tuple(Treatment(f"noise {s}", "noise", s, partial(noisy, sigma=s)) for s in (2, 4, 8))
GRAINY = tuple(Treatment(f"grain {s}", "grain", s, partial(grainy, sigma=s)) for s in (2, 4, 8))
JPEG = tuple(Treatment(f"jpeg {q}", "jpeg", -q, partial(jpeg, quality=q)) for q in (30, 50, 60, 70, 85, 90, 95, 98))
ENLARGED = tuple(
    Treatment(f"enlarged {f:g} {k}", f"enlarged {k}", f, partial(resized, factor=f, kernel=k))
    for k in KERNELS
    for f in (1.25, 1.5, 2.0, 3.0, 4.0)
)
REDUCED = (Treatment("reduced 1.5", "reduced", 1.5, partial(resized, factor=1 / 1.5, kernel="box")),)
