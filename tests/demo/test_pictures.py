"""The demonstration pictures are what their names promise, measured here without any code of the package's own.

Tone: sRGB curve of IEC 61966-2-1, then CIE 1976 L* with Y of BT.709 primaries (.2126 .7152 .0722).
"""

import ast
from functools import cache
from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

import printqueue.demo.pictures as demo
from printqueue.demo.scene_pier import pier_half
from printqueue.demo.treatments import unsharp
from tests.judging.measures.whole import measure_halo

A4_WIDTH_PX = 3728  # 263 mm at 360 ppi
SIZES = {
    "fog": (2000, 3000),
    "mill": (2000, 3000),
    "mill-underexposed": (2000, 3000),
    "marsh": (2000, 6000),
    "marsh-creek": (2000, 3000),
    "marsh-creek-film": (2000, 3000),
    "marsh-reeds": (2000, 3000),
    "marsh-reeds-crisp": (2000, 3000),
    "kelp": (2000, 3000),
    "kelp-enlarged": (2000, 3000),
    "pier-low": (2000, 3000),
    "pier-low-small": (896, 1344),
    "pier-half": (2000, 3000),
    "pier-high": (2000, 3000),
}


@cache
def pixels_of(name: str) -> NDArray[np.uint16]:
    """Each picture is painted once for all tests."""
    return demo.picture(name)


@cache
def lightness(name: str, step: int = 3) -> NDArray[np.float32]:
    """L*, 0 to 100, of every `step`-th pixel."""
    return lightness_of(pixels_of(name)[::step, ::step])


def lightness_of(pixels: NDArray[np.uint16]) -> NDArray[np.float32]:
    """L*, 0 to 100, of sRGB pixels."""
    code = np.arange(65536) / 65535
    linear = np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4).astype(np.float32)
    y = linear[pixels] @ np.array([0.2126, 0.7152, 0.0722], np.float32)
    return np.asarray(np.where(y > 216 / 24389, 116 * np.cbrt(y) - 16, y * (24389 / 27)), np.float32)


def chroma_of(name: str) -> NDArray[np.float64]:
    """Spread of the three channels, as a share of white: a plain stand-in for chroma."""
    part = pixels_of(name)[::3, ::3].astype(np.float64) / 65535
    return np.asarray(part.max(axis=2) - part.min(axis=2), np.float64)


def halo_at_print_size(name: str) -> tuple[float, float]:
    """Halo score and share, percent, of the middle after enlargement to the pixels of an A4 print at 360 ppi."""
    pixels = pixels_of(name)
    scale = A4_WIDTH_PX / pixels.shape[1]
    tone = lightness_of(pixels[500:1800, 900:2600]) / np.float32(100)
    halo = measure_halo(
        np.asarray(cv2.resize(tone, None, fx=scale, fy=scale, interpolation=cv2.INTER_CUBIC), np.float32)
    )
    assert halo.score_percent is not None
    assert halo.share_percent is not None
    return halo.score_percent, halo.share_percent


@pytest.mark.parametrize("name", SIZES)
def test_size_and_depth(name: str) -> None:
    """A picture has the promised size, three channels, and 16 bits that are really used."""
    pixels = pixels_of(name)
    assert pixels.shape == (*SIZES[name], 3)
    assert pixels.dtype == np.uint16
    assert len(np.unique(pixels[::10, ::10, 1])) > 2000


def test_every_wanted_picture_has_a_recipe() -> None:
    """The list names all pictures the demonstration hangs."""
    assert set(demo.RECIPES) == set(SIZES)


def test_an_unknown_name_is_refused() -> None:
    """A name that is no picture's raises KeyError."""
    with pytest.raises(KeyError):
        demo.picture("no-such-picture")


def test_the_same_bytes_twice() -> None:
    """Painting a picture again gives the same bytes."""
    assert pier_half().tobytes() == pixels_of("pier-half").tobytes()


def test_fog_is_bright_unclipped_and_nearly_grey() -> None:
    """Fog: median L* 75 to 85, nothing at white, hardly any colour."""
    tone = lightness("fog", 2)
    assert 75 <= np.median(tone) <= 85
    assert tone.max() < 98
    assert pixels_of("fog").max() < 65535
    assert np.percentile(chroma_of("fog"), 99) < 0.06


def test_lit_windows_are_dark_on_purpose() -> None:
    """Low key with lit lights: median L* 14 to 20, but the brightest half percent at 87 or above."""
    tone = lightness("mill")
    assert 14 <= np.median(tone) <= 20
    assert np.percentile(tone, 99.5) >= 87


def test_the_underexposed_mill_wastes_its_light_end() -> None:
    """One too dark: median L* 12 to 18, and half a stop or more unused above the brightest half percent."""
    tone = lightness("mill-underexposed")
    assert 12 <= np.median(tone) <= 18
    assert 50 <= np.percentile(tone, 99.5) < 85


def test_grain_is_film_grain() -> None:
    """The grain of the film scan has a sigma of 4 to 7 counts of 255, spans more than one pixel and is not cut off by black or white."""
    luma = (
        pixels_of("marsh-creek-film").astype(np.float32)
        @ np.array([0.2126, 0.7152, 0.0722], np.float32)
        / np.float32(257)
    )
    rough = luma - cv2.GaussianBlur(luma, (0, 0), 5)
    blocks = rough[: 31 * 64, : 46 * 64].reshape(31, 64, 46, 64).transpose(0, 2, 1, 3).reshape(-1, 64, 64)
    quiet = blocks[np.argsort(blocks.std(axis=(1, 2)))[: len(blocks) // 2]]
    level = cv2.resize(luma, (46, 31), interpolation=cv2.INTER_AREA)
    assert level.min() > 12
    assert 4.0 <= quiet.std() <= 7.0
    assert 0.3 < float((quiet[:, :, 1:] * quiet[:, :, :-1]).mean() / quiet.var()) < 0.95
    clipped = (pixels_of("marsh-creek-film") == 0) | (pixels_of("marsh-creek-film") == 65535)
    assert clipped.mean() < 1e-4


def test_grain_is_not_read_as_halo() -> None:
    """Grain alone does not make a halo of 12 % or more."""
    score, _ = halo_at_print_size("marsh-creek-film")
    assert score < 12


def test_reeds_as_taken_are_clean() -> None:
    """The unsharpened reeds score under 12 % at print size."""
    score, _ = halo_at_print_size("marsh-reeds")
    assert score < 12


def test_reeds_too_crisp_are_clearly_so() -> None:
    """The oversharpened reeds score above 40 % on at least half of the edges at print size."""
    score, share = halo_at_print_size("marsh-reeds-crisp")
    assert score > 40
    assert share >= 50


def test_unsharp_masking_follows_the_closed_form() -> None:
    """A blurred step overshoots by (1 + a) Phi(x / s_b) − a Phi(x / s_s) − 1 at its extremum (derived, s_s² = s_b² + s_u²)."""
    blurred, radius, amount = 2.0, 2.0, 2.0
    step = np.zeros((8, 400), np.float32)
    step[:, 200:] = 1
    soft = cv2.GaussianBlur(step, (0, 0), blurred)
    pixels = np.repeat(np.round(65535 * (0.3 + 0.3 * soft))[..., None], 3, axis=2).astype(np.uint16)
    sharp = unsharp(pixels, amount, radius)[4, :, 0].astype(np.float64) / 65535
    wide = np.hypot(blurred, radius)
    x = np.sqrt(2 * np.log((1 + amount) * wide / (amount * blurred)) / (1 / blurred**2 - 1 / wide**2))
    expected = (1 + amount) * _phi(x / blurred) - amount * _phi(x / wide) - 1
    assert (sharp.max() - 0.6) / 0.3 == pytest.approx(expected, abs=0.02)


def _phi(x: float) -> float:
    from math import erf

    return 0.5 * (1 + erf(x / 2**0.5))


def test_the_pictures_use_nothing_else_of_the_package() -> None:
    """The painters import no part of the package but each other, and no module but numpy and cv2."""
    allowed = {"numpy", "cv2", "collections", "dataclasses", "functools", "itertools", "types", "typing"}
    painters = Path(demo.__file__).parent
    files = [file for file in painters.glob("*.py") if file.name not in {"cases.py", "run.py", "saving.py"}]
    assert len(files) > 10
    for file in files:
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Import):
                assert {alias.name.split(".")[0] for alias in node.names} <= allowed, file.name
            elif isinstance(node, ast.ImportFrom):
                module = node.module or ""
                assert module.split(".")[0] in allowed or module.startswith("printqueue.demo."), file.name
